"""Lines of the trail that stand beside an act and are not what the act did."""

from collections.abc import Iterator
from contextlib import contextmanager

from clinic.middleware import ACT


@contextmanager
def without_act() -> Iterator[None]:
    """No line takes the id of the request: sent again, it is a new try and not a repetition."""
    token = ACT.set(None)
    try:
        yield
    finally:
        ACT.reset(token)
