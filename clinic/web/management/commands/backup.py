"""Takes a backup while the site runs."""

from argparse import ArgumentParser, ArgumentTypeError
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from clinic.web.backups.keys import recipient_in
from clinic.web.backups.refusals import FAULTS
from clinic.web.backups.taking import take


def count(text: str) -> int:
    """How many backups to keep."""
    if text.isascii() and text.isdigit() and int(text) >= 1:
        return int(text)
    raise ArgumentTypeError(f"keep 1 or more, not {text!r}")


class Command(BaseCommand):
    help = "Write a sealed backup of all rows and files into DEST; the site may run meanwhile."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("dest", type=Path, help="folder, on another disk or machine")
        parser.add_argument(
            "--key", type=Path, required=True, help="file with the key, or its public half only"
        )
        parser.add_argument(
            "--keep", type=count, metavar="N", help="afterwards remove all but the newest N"
        )

    def handle(self, *args: Any, dest: Path, key: Path, keep: int | None, **options: Any) -> None:
        try:
            taken = take(data=settings.DATA_DIR, dest=dest, recipient=recipient_in(key), keep=keep)
        except FAULTS as bad:
            raise CommandError(f"No backup was written. {bad}") from bad
        self.stdout.write(
            f"{taken.file}\n{taken.rows} rows of {taken.tables} tables and {taken.files} files in "
            f"{taken.size} bytes."
        )
        for file in taken.thinned:
            self.stdout.write(f"Removed {file.name}.")
        if taken.faults:
            raise CommandError(
                "\n".join(
                    [
                        *taken.faults,
                        "The backup was written and holds what verify would name too: it does "
                        "not count as a good one.",
                    ]
                )
            )
