"""Prints the proposal for one assessment file; writes its papers where asked to."""

import io
import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from clinic.domain.paper import Unprintable
from clinic.domain.tables import BadTables
from clinic.json_files import BadFile
from clinic.web.file_papers import handout_pdf, letter_pdf
from clinic.web.letter_parts import Judged
from clinic.web.proposing import evaluated, printed, reference_texts

BAD_FILE = 2


class Command(BaseCommand):
    help = "Print what the rules propose for one assessment file; no record is kept."
    requires_system_checks: list[str] = []  # as the base class declares it

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="JSON by fixtures/assessment.schema.json")
        parser.add_argument("--handout", type=Path, metavar="OUT.pdf", help="also the handout")
        parser.add_argument("--letter", type=Path, metavar="OUT.pdf", help="also the letter")

    def handle(self, *args: Any, **options: Any) -> None:
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(encoding="utf-8", newline="\n")  # same bytes everywhere
        try:
            judged = Judged(*evaluated(options["file"], settings.REFERENCE_DIR))
        except BadTables as bad:
            raise CommandError(f"The reference tables do not load.\n{bad}") from bad
        except BadFile as bad:
            for error in bad.errors:
                self.stderr.write(str(error), self.style.NOTICE)
            sys.exit(BAD_FILE)
        try:  # papers first: a refused one leaves nothing printed
            self._write_papers(judged, options)
        except (OSError, Unprintable) as refusal:
            self.stderr.write(f"No paper: {refusal}", self.style.NOTICE)
            sys.exit(BAD_FILE)
        self.stdout.write(printed(judged.proposal))

    def _write_papers(self, judged: Judged, options: dict[str, Any]) -> None:
        """Make all papers, then write them."""
        made: list[tuple[Path, bytes]] = []
        if options["letter"]:
            made.append((options["letter"], letter_pdf(judged)))
        if options["handout"]:
            texts = reference_texts(settings.REFERENCE_DIR)
            made.append((options["handout"], handout_pdf(judged, texts)))
        for path, pdf in made:
            path.write_bytes(pdf)
