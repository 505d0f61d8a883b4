"""What is left of a room's day."""

from collections.abc import Iterable
from datetime import timedelta

from clinic.domain.diary import GRID, Span

SHORTEST = timedelta(minutes=GRID)  # rule of this clinic: less is no time for anybody


def free_stretches(opened: Iterable[Span], taken: Iterable[Span]) -> list[Span]:
    """The stretches in which somebody works and nothing is taken, in order of time.

    opened: when at least one clinician can be booked, overlapping as they like; taken:
    appointments with their clearing, times kept, what is over. Shorter ones than a quarter of an
    hour are left out. Rule of this clinic.
    """
    found = []
    for free in _joined(opened):
        begins = free.starts_at
        for it in _joined(taken):
            if it.ends_at > begins and it.starts_at < free.ends_at:
                found.append(Span(begins, it.starts_at))
                begins = it.ends_at
        found.append(Span(begins, free.ends_at))
    return [it for it in found if it.ends_at - it.starts_at >= SHORTEST]


def _joined(spans: Iterable[Span]) -> list[Span]:
    found: list[Span] = []
    for it in sorted(spans):
        if found and it.starts_at <= found[-1].ends_at:
            found[-1] = Span(found[-1].starts_at, max(found[-1].ends_at, it.ends_at))
        else:
            found.append(it)
    return found
