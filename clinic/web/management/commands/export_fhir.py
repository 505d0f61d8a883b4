"""Writes the record of one client, or what lies in a period, as a bundle of HL7 FHIR R4."""

from argparse import ArgumentParser
from datetime import date
from pathlib import Path
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError

from clinic.models import Client, Staff
from clinic.web.exports import Reader, export_client, export_period
from clinic.web.fhir.bundle import Tally, UnsoundError
from clinic.web.fhir.reading import Wish


class Command(BaseCommand):
    help = "Export to HL7 FHIR R4: --client NUMBER, or --from DAY --to DAY (YYYY-MM-DD)."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("out", type=Path, metavar="OUT.json")
        parser.add_argument(
            "--by", required=True, metavar="NAME", help="sign-in name of a manager"
        )
        parser.add_argument("--client", metavar="NUMBER")
        parser.add_argument("--from", dest="first", type=date.fromisoformat, metavar="DAY")
        parser.add_argument("--to", dest="last", type=date.fromisoformat, metavar="DAY")
        parser.add_argument("--drafts", action="store_true", help="also what nobody has signed")
        parser.add_argument("--papers", action="store_true", help="papers with their bytes")

    def handle(self, *args: Any, out: Path, **options: Any) -> None:
        by = Staff.objects.filter(username=options["by"], is_active=True).first()
        if by is None or not by.is_manager:
            raise CommandError("--by names nobody who is a manager here.")
        if bool(options["client"]) == bool(options["first"] and options["last"]):
            raise CommandError("Name a client, or the first and last day of a period.")
        if out.exists():
            raise CommandError(f"{out} exists: name another file.")
        part = out.with_name(f"{out.name}.part")
        try:
            tally = self._export(by, part, options)
            part.rename(out)
        except ValidationError as refused:
            raise CommandError(" ".join(refused.messages)) from refused
        except (UnsoundError, OSError) as failed:
            raise CommandError(f"Nothing was exported. {failed}") from failed
        finally:
            part.unlink(missing_ok=True)
        self.stdout.write(f"{tally.total} resources: {tally}")
        if tally.left_out:
            self.stdout.write(f"Restricted records left out: {tally.left_out}.")

    def _export(self, by: Staff, part: Path, options: dict[str, Any]) -> Tally:
        part.touch(mode=0o600, exist_ok=False)  # clinical words: for this account only
        wish = Wish(options["drafts"], options["papers"], options["first"], options["last"])
        with part.open("w", encoding="utf-8") as out:
            if not options["client"]:
                return export_period(by=by, first=wish.first, last=wish.last, wish=wish, out=out)  # type: ignore[arg-type]  # both were given
            client = Client.objects.for_staff(by).filter(number=options["client"]).first()
            if client is None:
                raise CommandError(f"No client open to you has the number {options['client']}.")
            return export_client(
                client=client, by=by, wish=wish, reader=Reader.CLINIC, limits_kept=True, out=out
            )
