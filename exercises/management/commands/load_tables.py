"""Loads the clinical tables of a folder as an edition; run again it changes nothing."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from clinic.domain.tables import BadTables
from exercises.services.editions import load_tables, read_folder


class Command(BaseCommand):
    help = "Check the clinical tables of a folder and store them as an edition."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", nargs="?", type=Path, default=settings.REFERENCE_DIR)
        parser.add_argument("--author", default="the starting edition")
        parser.add_argument("--reason", default="Loaded as it is.")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            edition, new = load_tables(
                texts=read_folder(options["folder"]),
                author=options["author"],
                reason=options["reason"],
            )
        except OSError as error:
            raise CommandError(f"Cannot read {options['folder']}: {error}") from error
        except BadTables as error:
            raise CommandError(f"Nothing was loaded:\n{error}") from error
        word = "loaded" if new else "is loaded already"
        self.stdout.write(f"Edition {edition.number} {word} ({edition.checksum[:12]}).")
