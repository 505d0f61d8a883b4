"""Prints what the landmarks and events of one file measure; needs no database."""

import io
import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

from clinic.json_files import BadFile
from clinic.web.measuring import measured

BAD_FILE = 2


class Command(BaseCommand):
    help = "Print angles, distances, times and their errors for one file; no record is kept."
    requires_system_checks: list[str] = []  # as the base class declares it

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="JSON by fixtures/measurement.schema.json")

    def handle(self, *args: Any, **options: Any) -> None:
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(encoding="utf-8", newline="\n")  # same bytes everywhere
        try:
            text = measured(options["file"], settings.REFERENCE_DIR)
        except BadFile as bad:
            for error in bad.errors:
                self.stderr.write(str(error), self.style.NOTICE)
            sys.exit(BAD_FILE)
        self.stdout.write(text)
