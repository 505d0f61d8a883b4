"""Whole editions as values, built once a process: an edition never changes."""

from collections.abc import Callable
from functools import lru_cache

from clinic.services.editions import texts_of
from exercises.domain.edition import Edition, build_edition

# how to drop what other modules build from editions and keep in the process
DROPPED_TOO: list[Callable[[], None]] = []


@lru_cache(maxsize=8)
def edition_of(edition_id: int) -> Edition:
    """One edition. Raises BadTables, which a stored edition has already passed."""
    return build_edition(texts_of(edition_id))


def forget() -> None:
    """Drop what is kept in the process (tests roll editions back)."""
    edition_of.cache_clear()
    for drop in DROPPED_TOO:
        drop()
