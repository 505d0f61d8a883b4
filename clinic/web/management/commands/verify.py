"""Names whatever in the record was altered, is missing or stands in another's place."""

from argparse import ArgumentParser
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from clinic.web.noted_heads import note, rewritten
from clinic.web.verification import Tally, one_moment, problems


class Command(BaseCommand):
    help = "Check the trail, signed rows and stored papers; exit code 1 if anything is wrong."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--heads",
            type=Path,
            metavar="FILE",
            help="compare with the heads noted in this file, then note the new ones; keep it on "
            "another machine, so that a chain written anew shows",
        )

    def handle(self, *args: Any, heads: Path | None, **options: Any) -> None:
        tally, wrong = Tally(), 0
        try:
            with one_moment():
                for words in chain(problems(tally), rewritten(heads) if heads else ()):
                    self.stdout.write(words)
                    wrong += 1
            for words in counts(tally):
                self.stdout.write(words)
            if heads and not wrong:
                note(heads, [(number, head) for _, number, head in tally.chains], timezone.now())
        except (ValueError, OSError) as bad:
            raise CommandError(str(bad)) from bad
        if wrong:
            raise CommandError(
                "One thing is wrong." if wrong == 1 else f"{wrong} things are wrong."
            )
        self.stdout.write("All is as it was recorded.")


def counts(tally: Tally) -> Iterator[str]:
    """What was looked at, and the newest line of each chain."""
    for kind, sealed in tally.sealed.items():
        older = tally.unsealed.get(kind, 0)
        more = f", {older} signed before seals were kept" if older else ""
        yield f"{kind}: {sealed} held against the seal{more}"
    if tally.destroyed:
        yield f"destroyed with their records: {tally.destroyed} signed rows"
    for name, number, head in tally.chains:
        yield f"{name}, chain {number}: {head.number} lines, newest {head.hash}"
