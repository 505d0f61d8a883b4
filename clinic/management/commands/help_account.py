"""Helps an account when no manager can: a new link, or a lost second factor."""

from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser

from clinic.management.links import tell_link
from clinic.models import Staff
from clinic.services.invitations import invite
from clinic.services.staff import reset_factor


class Command(BaseCommand):
    help = "Make a new link to choose a password, or take a lost second factor away."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", help="The name the person signs in with.")
        what = parser.add_mutually_exclusive_group(required=True)
        what.add_argument("--link", action="store_true", help="Choose a password anew.")
        what.add_argument("--lost-factor", action="store_true", help="Take the factor away.")
        parser.add_argument("--address", default="", help="As in https://clinic.example.org")

    def handle(self, *args: Any, **options: Any) -> None:
        staff = Staff.objects.filter(username=options["name"].lower(), is_active=True).first()
        if staff is None:
            raise CommandError(f"No open account has the name {options['name']}.")
        if options["link"]:
            tell_link(self, token=invite(staff=staff, by=None), address=options["address"])
            return
        try:
            reset_factor(staff=staff, by=None)
        except ValidationError as refusal:
            raise CommandError(" ".join(refusal.messages)) from refusal
        self.stdout.write("Taken away. The next sign-in, by the password, sets up another.")
