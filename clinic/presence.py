"""Who has a draft open at this moment, kept in the cache that all workers share."""

from dataclasses import dataclass
from datetime import datetime

from django.core.cache import cache
from django.utils import timezone

from clinic.models import Staff

# a page says that it is open every 25 seconds; twice unheard means closed
SECONDS = 60


@dataclass(frozen=True, slots=True)
class Open:
    """One colleague who has the page open, and since when."""

    name: str
    since: datetime


def opened(address: str, by: Staff) -> list[Open]:
    """Note that a person has a page open; return the colleagues who have it open too."""
    now = timezone.now()
    mine = _name(address, by.pk)
    colleagues = Staff.objects.filter(sites__in=by.sites.all()).exclude(pk=by.pk).distinct()
    others = {_name(address, pk): pk for pk in colleagues.values_list("pk", flat=True)}
    found = cache.get_many([mine, *others])
    cache.set(mine, found.get(mine) or Open(str(by), now), SECONDS)
    return sorted((one for name, one in found.items() if name != mine), key=lambda one: one.since)


def closed(address: str, by: Staff) -> None:
    """Note that a person left the page."""
    cache.delete(_name(address, by.pk))


def _name(address: str, pk: int) -> str:
    return f"open:{pk}:{address}"
