"""Running history: one dated snapshot a day, fixed once a signed assessment rests on it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from assessments.models import Assessment, HistoryAnswer, RunningHistory
from clinic.domain.vocabulary import TrailAction
from clinic.models import Client, Staff
from clinic.services import trail
from clinic.services.people import StaleError

Found = Decimal | str | list[str] | None


@dataclass(frozen=True)
class Told:
    """What a client told: two dates, and an answer for each fact that was asked."""

    injured_on: date | None = None
    gave_birth_on: date | None = None
    answers: Mapping[str, Found] = field(default_factory=dict)


def newest_history(client: Client) -> RunningHistory | None:
    return client.histories.order_by("-taken_on", "-pk").first()


def stamp(history: RunningHistory | None) -> str:
    """Changes whenever another snapshot is the newest, or the newest is changed."""
    return f"{history.pk}.{history.version}" if history else "none"


def rests_on(history: RunningHistory) -> bool:
    """Whether a signed assessment rests on the snapshot: it is fixed then."""
    return Assessment.objects.signed().filter(history=history).exists()


def told_in(history: RunningHistory | None) -> Told:
    """What a snapshot holds."""
    if history is None:
        return Told()
    answers = {one.fact_id: _found(one) for one in history.answers.all()}
    return Told(history.injured_on, history.gave_birth_on, answers)


def _found(one: HistoryAnswer) -> Found:
    return one.value if one.value is not None else one.items or one.choice or None


@transaction.atomic
def keep_history(
    *, client: Client, on: date, told: Told, by: Staff, seen: str | None = None
) -> RunningHistory:
    """Save the snapshot of a day and return it.

    The day's own snapshot is changed; another day, or a snapshot that a signed assessment rests
    on, makes a new one. seen: the stamp of what the page was filled with. Raises
    ValidationError, and StaleError when somebody saved a history after it was shown.
    """
    # two people who save the first history of a day at once come one after the other
    Client.objects.select_for_update().only("pk").get(pk=client.pk)
    newest = newest_history(client)
    if seen is not None and seen != stamp(newest):
        raise StaleError
    same_day = newest if newest and newest.taken_on == on and not rests_on(newest) else None
    history = same_day or RunningHistory(site_id=client.site_id, client=client, taken_on=on)
    history.taken_by = by
    history.injured_on, history.gave_birth_on = told.injured_on, told.gave_birth_on
    if same_day:
        history.version += 1
    history.full_clean(exclude=["client"])
    history.save()
    changed = _keep_answers(history, told.answers)
    trail.record(
        TrailAction.CHANGE if same_day else TrailAction.CREATE,
        by=by,
        row=history,
        client=client,
        facts=changed,
    )
    return history


def _keep_answers(history: RunningHistory, answers: Mapping[str, Found]) -> list[str]:
    held = {one.fact_id: one for one in history.answers.all()}
    changed = []
    for fact, given in sorted(answers.items()):
        found = None if given in ("", []) else given  # an empty list would say "has none"
        row = held.get(fact)
        if (_found(row) if row else None) == found:
            continue
        row = row or HistoryAnswer(site_id=history.site_id, history=history, fact_id=fact)
        for name, value in _columns(found).items():
            setattr(row, name, value)
        row.clean_fields(exclude=["site", "history", "fact"])
        row.save()
        changed.append(fact)
    return changed


def _columns(found: Found) -> dict[str, Any]:
    return {
        "value": found if isinstance(found, Decimal) else None,
        "choice": found if isinstance(found, str) else "",
        "items": found if isinstance(found, list) else None,
    }


@transaction.atomic
def confirm_unchanged(*, client: Client, on: date, by: Staff) -> RunningHistory:
    """Copy the last snapshot as of a day: nothing has changed. Raises ValidationError."""
    newest = newest_history(client)
    if newest is None:
        raise ValidationError("There is no earlier history to confirm.")
    if newest.taken_on == on:
        return newest
    return keep_history(client=client, on=on, told=told_in(newest), by=by)
