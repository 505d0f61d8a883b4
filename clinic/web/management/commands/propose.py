"""Prints the proposal for one assessment file."""

import io
import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from clinic.domain.tables import BadTables
from clinic.web.proposing import evaluated, printed
from exercises.assessment_file import BadAssessment

BAD_FILE = 2


class Command(BaseCommand):
    help = "Print what the rules propose for one assessment file; nothing is saved."
    requires_system_checks: list[str] = []  # as the base class declares it

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="JSON by fixtures/assessment.schema.json")

    def handle(self, *args: Any, **options: Any) -> None:
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(encoding="utf-8", newline="\n")  # same bytes everywhere
        try:
            _, proposal, _ = evaluated(options["file"], settings.REFERENCE_DIR)
        except BadTables as bad:
            raise CommandError(f"The reference tables do not load.\n{bad}") from bad
        except BadAssessment as bad:
            for error in bad.errors:
                self.stderr.write(str(error), self.style.NOTICE)
            sys.exit(BAD_FILE)
        self.stdout.write(printed(proposal))
