"""Take over an existing diary from CSV or iCalendar."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError

from clinic.models import AppointmentKind, Site, Staff
from clinic.services import diary_import
from clinic.services.diary_import import Defaults


class Command(BaseCommand):
    help = "Tries a diary file and says what becomes of every row; --import books the good ones."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--site", required=True, help="prefix of the site's record numbers")
        parser.add_argument("--by", required=True, help="user name of who is responsible")
        parser.add_argument("--kind", required=True, help="code, where the file names none")
        parser.add_argument("--clinician", help="user name, where the file names none")
        parser.add_argument("--import", dest="keep", action="store_true")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            by = Staff.objects.get(username=options["by"], is_active=True)
            defaults = self._defaults(options)
            content = options["file"].read_bytes()
            report = diary_import.tried(content, defaults, by)
            if options["keep"]:
                good = len(report.good)
                report = diary_import.imported(content, defaults, by, good=good)
        except (Site.DoesNotExist, AppointmentKind.DoesNotExist, Staff.DoesNotExist) as missing:
            raise CommandError(str(missing)) from missing
        except (OSError, ValidationError) as refusal:
            said = getattr(refusal, "messages", [str(refusal)])
            raise CommandError(" ".join(said)) from refusal
        for line in report.bad:
            self.stdout.write(f"row {line.row.line}: {line.row.client}: {line.problem}")
        done = "booked" if options["keep"] else "can be booked"
        self.stdout.write(
            f"{len(report.good)} {done}, {len(report.known)} known already, "
            f"{len(report.bad)} left out"
        )

    def _defaults(self, options: dict[str, Any]) -> Defaults:
        site = Site.objects.get(code=options["site"])
        kinds = AppointmentKind.objects.select_related("site")
        name = options["clinician"]
        clinician = Staff.objects.get(username=name) if name else None
        return Defaults(site, kinds.get(site=site, code=options["kind"]), clinician)
