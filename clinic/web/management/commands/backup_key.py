"""Makes the key that seals and opens backups."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from clinic.web.backups.keys import make_key, public_file


class Command(BaseCommand):
    help = "Make a key for backups: FILE opens them, FILE.pub only seals."
    requires_system_checks: list[str] = []  # as the base class declares it

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, file: Path, **options: Any) -> None:
        try:
            make_key(file)
        except OSError as bad:
            raise CommandError(f"The key is not made: {bad}") from bad
        self.stdout.write(
            f"{file} opens every backup sealed with {public_file(file)}.\n"
            f"Leave {public_file(file).name} on this machine and keep {file.name} elsewhere, "
            "twice: without it no backup can ever be read."
        )
