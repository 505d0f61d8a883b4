"""What the trail adds to the saving of one answer, in process.

Run: `uv run python -m tests.benchmarks.bench_trail` on an empty data folder (CLINIC_DATA) after
`migrate`; it makes its own rows. Requests with and without the line in the trail take turns, so
that both meet the same moments of the machine; 400 of each after 20 to warm up. The aim: the
trail adds 25 % at most.
"""

import argparse
import os
import sys
from statistics import median
from time import perf_counter

from tests.benchmarks.bench_consult import (
    answering,
    clinician_at_work,
    filled,
    line,
    report,
)

ROUNDS, WARM_UP, AIM = 400, 20, 25


def without_line(*_, **__):
    """Stands in for the trail."""


def take_turns(next_answer, send, trail):
    """Milliseconds of each saving: with the trail, without it."""
    real, times = trail.record, {"with": [], "without": []}
    try:
        for number in range(WARM_UP + ROUNDS):
            # who goes first changes as well
            for name in sorted(times, reverse=bool(number % 2)):
                trail.record = real if name == "with" else without_line
                post = next_answer(number * 2 + (name == "with"))
                start = perf_counter()
                send(post)
                times[name].append((perf_counter() - start) * 1000)
    finally:
        trail.record = real
    return times["with"][WARM_UP:], times["without"][WARM_UP:]


def run(others):
    from clinic.models import TrailEntry
    from clinic.services import trail

    by, browser, edition = clinician_at_work()
    next_answer, send = answering(browser, filled(edition, by, others))
    before = TrailEntry.objects.count()
    kept, bare = take_turns(next_answer, send, trail)
    assert TrailEntry.objects.count() == before + WARM_UP + ROUNDS
    ratio = median(kept) / median(bare)
    report(line("one answer saved, with its line", kept))
    report(line("the same without the trail", bare))
    report(f"the trail adds {(ratio - 1) * 100:.1f} % (aim: {AIM} % at most)")


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    import django

    django.setup()
    parser = argparse.ArgumentParser()
    parser.add_argument("--others", type=int, default=100)
    sys.exit(run(parser.parse_args().others))
