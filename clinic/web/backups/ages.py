"""How long ago the last good backup was taken."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings

from clinic.domain.vocabulary import TrailAction
from clinic.models import TrailEntry

SYSTEM_CHAIN = 0  # of what nobody of one site did


@dataclass(frozen=True)
class Overdue:
    """A backup that should be there: when the last good one was, if ever, and its age."""

    last: datetime | None
    words: str


def overdue(now: datetime) -> Overdue | None:
    """What to tell when no good backup is younger than the set time; None when one is."""
    # by rising number a chain is in the order of time, and has an index
    done = TrailEntry.objects.filter(
        chain=SYSTEM_CHAIN, action=TrailAction.BACKUP, detail__state="done"
    )
    last = done.order_by("-number").values_list("at", flat=True).first()
    if last is None:
        return Overdue(None, "")
    age = now - last
    return Overdue(last, _words(age)) if age > timedelta(hours=settings.BACKUP_HOURS) else None


def _words(age: timedelta) -> str:
    hours = int(age.total_seconds() // 3600)
    if hours < 48:
        return f"{hours} hour{'' if hours == 1 else 's'}"
    return f"{hours // 24} days"
