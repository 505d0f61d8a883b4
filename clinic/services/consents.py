"""The texts of consents, and what may not be done once a consent was withdrawn or refused."""

from collections.abc import Iterable, Sequence
from functools import cache

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models

from clinic.domain.consents import STOPS, ConsentText, newest_text, read_texts
from clinic.domain.vocabulary import ConsentPurpose
from clinic.models import Client, Consent
from clinic.models.record_links import person

WHY = {
    ConsentPurpose.ASSESSMENT: "The client does not agree to assessment and treatment.",
    ConsentPurpose.FILMING: "The client does not agree to filming.",
    ConsentPurpose.SHARING: "The client does not agree to sharing.",
}


@cache
def texts() -> tuple[ConsentText, ...]:
    """Every version of every text of the clinic; raises ValueError for a table with a fault."""
    return read_texts(
        (settings.REFERENCE_DIR / "rights" / "consents.csv").read_text(encoding="utf-8")
    )


def text_of(purpose: ConsentPurpose) -> ConsentText:
    """What is read out now."""
    return newest_text(texts(), purpose)


def stopped(client: Client, purpose: ConsentPurpose) -> bool:
    """Whether the client was asked, and no answer that was given stands."""
    return stopped_by(list(_answers(client, purpose)), client)


def standing(client: Client, purpose: ConsentPurpose) -> Consent | None:
    """The person's answer that stands; of two records the newer, and none that a no outlasts."""
    answers = list(_answers(client, purpose))
    open_ones = [one for one in answers if one.withdrawn_on is None]
    if stopped_by(answers, client):
        open_ones = [one for one in open_ones if not one.given]
    return max(open_ones, key=lambda one: (one.given_on, one.pk), default=None)


def _answers(client: Client, purpose: ConsentPurpose) -> models.QuerySet[Consent]:
    """What the person answered, in all records that are joined to this one."""
    return Consent.objects.filter(client__in=person(client.pk), purpose=purpose.value)


def stopped_by(answers: Sequence[Consent], client: Client) -> bool:
    """Whether an end in any record stands: in another one it does until a later day's answer."""
    by_record: dict[int, list[Consent]] = {client.pk: []}
    for one in answers:
        by_record.setdefault(one.client_id, []).append(one)
    if _ended(by_record.pop(client.pk)):
        return True
    given = [one.given_on for one in answers if one.in_force]
    ends = [
        max(one.withdrawn_on or one.given_on for one in rows)
        for rows in by_record.values()
        if _ended(rows)
    ]
    return any(not any(day > end for day in given) for end in ends)


def _ended(answers: Iterable[Consent]) -> bool:
    found = [one.in_force for one in answers]
    return bool(found) and not any(found)


def refuse_stopped(client: Client, purpose: ConsentPurpose) -> None:
    """Raise ValidationError where a withdrawal or a refusal forbids it.

    Called inside a transaction: a withdrawal in the same moment waits for its end.
    """
    held = _answers(client, purpose).select_for_update().order_by("pk")
    if stopped_by(list(held), client):
        raise ValidationError(refusal_of(purpose))


def refusal_of(purpose: ConsentPurpose) -> str:
    """Why it is refused, and what to do."""
    return f"{WHY[purpose]} {STOPS[purpose]} Ask again, and enter a new answer under consents."
