"""Running history: one dated snapshot a day, fixed once a signed assessment rests on it."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from assessments.models import Assessment, HistoryAnswer, RunningHistory
from clinic.domain.vocabulary import TrailAction
from clinic.models import Client, Staff
from clinic.services import record_links, trail
from clinic.services.people import StaleError

DATES = ("injured_on", "gave_birth_on")
Found = Decimal | str | list[str] | date | None


@dataclass(frozen=True)
class Told:
    """What a client told: two dates, and an answer for each fact that was asked."""

    injured_on: date | None = None
    gave_birth_on: date | None = None
    answers: Mapping[str, Found] = field(default_factory=dict)

    def of(self, name: str) -> Found:
        """One of the dates, or the answer to a fact; None where there is none."""
        found: Found = getattr(self, name) if name in DATES else self.answers.get(name)
        return None if found in ("", []) else found

    def having(self, name: str, found: Found) -> "Told":
        """The same with one of them replaced."""
        if name in DATES:
            return Told(**{**vars(self), name: found})
        return replace(self, answers={**self.answers, name: found})

    def about(self, names: Collection[str]) -> "Told":
        """Only what these names ask for."""
        dates = {name: getattr(self, name) for name in DATES if name in names}
        return Told(**dates, answers={k: v for k, v in self.answers.items() if k in names})


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
    if not same_day:
        record_links.refuse_joined(client)
    history = same_day or RunningHistory(site_id=client.site_id, client=client, taken_on=on)
    before = {name: getattr(history, name) for name in DATES}
    history.taken_by = by
    history.injured_on, history.gave_birth_on = told.injured_on, told.gave_birth_on
    if same_day:
        history.version += 1
    history.full_clean(exclude=["client"])
    history.save()
    dates = trail.moved(before, {name: getattr(told, name) for name in DATES})
    changed = _keep_answers(history, told.answers)
    trail.record(
        TrailAction.CHANGE if same_day else TrailAction.CREATE,
        by=by,
        row=history,
        client=client,
        facts=dates | changed,
    )
    return history


@transaction.atomic
def keep_answer(
    *,
    client: Client,
    on: date,
    name: str,
    found: Found,
    seen: Found,
    asked: Collection[str],
    by: Staff,
) -> RunningHistory | None:
    """Save one answer in the snapshot of a day and return the newest; None while there is none.

    The first answer of a day begins its snapshot from the last one. seen: what the page showed
    before; asked: the facts and dates that the page has, which alone are taken along. Raises
    ValidationError, and StaleError when another answer was saved since it was seen.
    """
    # the same lock as keep_history, taken before the snapshot is read: two answers of two
    # people come one after the other, and the later one starts from the earlier one
    Client.objects.select_for_update().only("pk").get(pk=client.pk)
    newest = newest_history(client)
    told = told_in(newest).about(asked)
    stored, wanted = told.of(name), Told().having(name, found).of(name)
    if stored == wanted:
        return newest
    if stored != seen:
        raise StaleError
    return keep_history(client=client, on=on, told=told.having(name, wanted), by=by)


def _keep_answers(history: RunningHistory, answers: Mapping[str, Found]) -> dict[str, list[str]]:
    """Save what differs; returns old and new of it by fact."""
    held = {one.fact_id: one for one in history.answers.all()}
    before, after = {code: _found(row) for code, row in held.items()}, {}
    for fact, given in sorted(answers.items()):
        found = None if given in ("", []) else given  # an empty list would say "has none"
        row = held.get(fact)
        if before.get(fact) == found:
            continue
        row = row or HistoryAnswer(site_id=history.site_id, history=history, fact_id=fact)
        for name, value in _columns(found).items():
            setattr(row, name, value)
        row.clean_fields(exclude=["site", "history", "fact"])
        row.save()
        after[fact] = found
    return trail.moved(before, after)


def _columns(found: Found) -> dict[str, Any]:
    return {
        "value": found if isinstance(found, Decimal) else None,
        "choice": found if isinstance(found, str) else "",
        "items": found if isinstance(found, list) else None,
    }


@transaction.atomic
def confirm_unchanged(
    *, client: Client, on: date, by: Staff, seen: str | None = None
) -> RunningHistory:
    """Copy the last snapshot as of a day: nothing has changed.

    seen: the stamp of what the page showed. Raises ValidationError, and StaleError when somebody
    saved a history after it was shown.
    """
    newest = newest_history(client)
    if newest is None:
        raise ValidationError("There is no earlier history to confirm.")
    if seen and seen != stamp(newest):
        raise StaleError
    if newest.taken_on == on:
        return newest
    return keep_history(client=client, on=on, told=told_in(newest), by=by, seen=seen)
