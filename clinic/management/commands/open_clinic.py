"""The first start of a clinic: its first site and its first manager."""

import sys
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db.utils import DatabaseError

from clinic.management.links import tell_link
from clinic.services.first_start import open_clinic

# option -> (field, what is asked, what stands if nothing is said)
SITE = {
    "clinic": ("clinic_name", "Name of the clinic", ""),
    "site": ("name", "Name of the first site", ""),
    "code": ("code", "Prefix of its record numbers, one to four capital letters", ""),
    "street": ("address", "Its address, lines parted by ;", ""),
    "telephone": ("telephone", "Its telephone", ""),
    "zone": ("time_zone", "Its time zone", "Europe/London"),
}
MANAGER = {
    "given": ("first_name", "Given name of the first manager", ""),
    "family": ("last_name", "Family name", ""),
    "name": ("username", "Name to sign in with", ""),
    "email": ("email", "E-mail address, may stay empty", "-"),
}


class Command(BaseCommand):
    help = "Ask for the first site and the first manager, and print the manager's link."

    def add_arguments(self, parser: CommandParser) -> None:
        for option, (_, asked, _) in (SITE | MANAGER).items():
            parser.add_argument(f"--{option}", help=asked)
        parser.add_argument("--address", default="", help="As in https://clinic.example.org")

    def handle(self, *args: Any, **options: Any) -> None:
        site = self._fields(SITE, options)
        site["address"] = "\n".join(part.strip() for part in site["address"].split(";"))
        manager = self._fields(MANAGER, options)
        try:
            staff, token = open_clinic(site=site, manager=manager)
        except ValidationError as refusal:
            raise CommandError("Nothing was saved.\n" + "\n".join(_sentences(refusal))) from None
        except DatabaseError as missing:
            raise CommandError(f"Run migrate first: {missing}") from missing
        self.stdout.write(f"{staff} is the manager and signs in as {staff.username}.")
        tell_link(self, token=token, address=options["address"])

    def _fields(
        self, questions: dict[str, tuple[str, str, str]], options: dict[str, Any]
    ) -> dict[str, str]:
        return {
            field: self._answer(option, asked, default, options[option])
            for option, (field, asked, default) in questions.items()
        }

    def _answer(self, option: str, asked: str, default: str, given: str | None) -> str:
        """What the option says, or what is typed; `-` stands for nothing."""
        if given is None and sys.stdin.isatty():
            shown = f" [{default}]" if default not in ("", "-") else ""
            given = input(f"{asked}{shown}: ").strip()
        given = given or default
        if not given:
            raise CommandError(f"--{option} is missing: {asked}.")
        return "" if given == "-" else given


def _sentences(refusal: ValidationError) -> list[str]:
    """Reasons, each with the option that it is about."""
    if not hasattr(refusal, "error_dict"):
        return refusal.messages
    options = {field: option for option, (field, _, _) in (SITE | MANAGER).items()}
    return [
        f"--{options[name]}: {message}" if name in options else message
        for name, messages in refusal.message_dict.items()
        for message in messages
    ]
