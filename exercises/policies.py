"""Policy points of an edition: which are open, and a licensed clinician's confirmation."""

from functools import lru_cache
from time import monotonic

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic.domain.paper import STARTING_EDITION_LINE
from clinic.domain.vocabulary import TrailAction
from clinic.models import Edition, PolicyConfirmation, Staff
from clinic.services import trail
from exercises import editions
from exercises.domain.library import PolicyRow

KEPT_SECONDS = 60


def open_points(edition_id: int) -> tuple[PolicyRow, ...]:
    """Points of the edition that nobody has confirmed, in file order."""
    confirmed = set(
        PolicyConfirmation.objects.filter(edition_id=edition_id).values_list("code", flat=True)
    )
    return tuple(
        point for point in editions.edition_of(edition_id).policy if point.code not in confirmed
    )


def edition_line(edition_id: int) -> str:
    """What stands on pages and papers while a point is open; nothing when all are confirmed."""
    return STARTING_EDITION_LINE if open_points(edition_id) else ""


def line_in_force() -> str:
    """The line of the newest edition, asked for once a minute in each process.

    Another process may print it for a minute longer than needed, never shorter: a confirmation
    is not taken back, and before any edition there is nothing to print.
    """
    return _line_of_minute(int(monotonic() // KEPT_SECONDS))


@lru_cache(maxsize=1)
def _line_of_minute(minute: int) -> str:
    newest = Edition.objects.newest().values_list("pk", flat=True).first()
    return edition_line(newest) if newest else ""


def forget() -> None:
    """Drop the line that is kept in the process."""
    _line_of_minute.cache_clear()


editions.DROPPED_TOO.append(forget)


@transaction.atomic
def confirm_point(*, edition: Edition, code: str, by: Staff) -> PolicyConfirmation:
    """Save and return a licensed clinician's confirmation of one point; raises ValidationError."""
    if not by.is_clinician or not by.registration_number.strip():
        raise ValidationError(
            "A clinician with a registration number confirms a point. "
            "The clinic manager enters the number in the account."
        )
    if code not in {point.code for point in editions.edition_of(edition.pk).policy}:
        raise ValidationError("This edition has no such point.")
    confirmation = PolicyConfirmation(
        edition=edition, code=code, confirmed_by=by, confirmed_at=timezone.now()
    )
    try:
        with transaction.atomic():
            confirmation.save()
    except IntegrityError as clash:
        raise ValidationError("This point was confirmed already.") from clash
    trail.record(TrailAction.CREATE, by=by, row=confirmation, edition=edition.number, point=code)
    transaction.on_commit(forget)
    return confirmation
