"""Puts a backup back after checking all of it."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from clinic.web.backups.keys import identity_in
from clinic.web.backups.places import place_of
from clinic.web.backups.refusals import FAULTS
from clinic.web.backups.restoring import restore


class Command(BaseCommand):
    help = "Check a backup, then put it in the place of what is there; that is set aside."
    requires_system_checks: list[str] = []  # as the base class declares it

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("source", type=Path, help="the backup, records-....age")
        parser.add_argument("--key", type=Path, required=True, help="file with the secret key")
        parser.add_argument(
            "--into",
            metavar="PLACE",
            help="address of a database, or a data folder; else the place of this site",
        )
        parser.add_argument(
            "--data", type=Path, metavar="FOLDER", help="data folder that goes with the database"
        )
        parser.add_argument(
            "--as-new", action="store_true", help="also over the record of another clinic"
        )
        parser.add_argument(
            "--damaged", action="store_true", help="also with faults that verify would name"
        )

    def handle(self, *args: Any, source: Path, key: Path, **options: Any) -> None:
        try:
            done = restore(
                source,
                identity=identity_in(key),
                place=place_of(options["into"], options["data"]),
                as_new=options["as_new"],
                damaged=options["damaged"],
            )
        except FAULTS as bad:
            raise CommandError(f"{bad}\nNothing was restored; what was there is there.") from bad
        for warning in done.warnings:
            self.stderr.write(warning, self.style.WARNING)
        for place in done.aside:
            self.stdout.write(f"Set aside: {place}")
        self.stdout.write(
            f"Restored as of {done.made}: {done.rows} rows, {done.files} files; erased again: "
            f"{done.erased}."
        )
