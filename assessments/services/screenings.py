"""Screening: one round of questions a day, and the lifting of what an answer stops."""

from collections.abc import Mapping
from datetime import date

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from assessments.models import Assessment, Screening, ScreeningAnswer
from clinic.domain.vocabulary import TrailAction
from clinic.models import Client, Staff
from clinic.services import record_links, trail

ANSWERS = ("yes", "no", "not_asked")
NO_LIFT = {"lifted_on": None, "lifted_by": None, "reason": "", "keeps": ""}


def newest_round(client: Client) -> Screening | None:
    """The round that counts now."""
    return client.screenings.newest_first().first()


def round_of(client: Client, on: date) -> Screening | None:
    """The round of a day; the last one, where a signed assessment made a second one needed."""
    return client.screenings.filter(screened_on=on).newest_first().first()


def rests_on(screening: Screening) -> bool:
    """Whether a signed assessment rests on the round: its answers are fixed then."""
    return Assessment.objects.signed().filter(screening=screening).exists()


@transaction.atomic
def answer_flags(
    *,
    client: Client,
    on: date,
    answers: Mapping[str, str],
    by: Staff,
    seen: Mapping[str, str] | None = None,
) -> Screening:
    """Save answers in the round of the day and return it; other answers of it stay.

    answers: flag code to yes, no or not_asked; seen: what the page showed before, by flag. Where
    somebody else answered since, their answer stands. An answer that changes loses its lift.
    Where a signed assessment rests on the round, a new one of the same day is begun from its
    answers without the lifts. Raises ValidationError for another word.
    """
    for flag, word in answers.items():
        if word not in ANSWERS:
            raise ValidationError({flag: "Answer yes, no or not asked."})
    # one round a day, also when two people begin it at once
    Client.objects.select_for_update().only("pk").get(pk=client.pk)
    screening = round_of(client, on) or _begin(client, on, by)
    held = {one.flag_id: one for one in screening.answers.all()}
    changed = {
        flag: word
        for flag, word in answers.items()
        if not _stands(held.get(flag), word) and not _overtaken(held.get(flag), flag, seen or {})
    }
    if not changed:
        return screening
    if rests_on(screening):
        screening = _begun_from(screening, by)
        held = {one.flag_id: one for one in screening.answers.all()}
    before = {flag: held[flag].answer if flag in held else "not_asked" for flag in changed}
    for flag, word in sorted(changed.items()):
        _answer(screening, held.get(flag), flag, word)
    Screening.objects.filter(pk=screening.pk).update(version=F("version") + 1)
    screening.version += 1  # nobody else counts: the client's row is locked
    flags = trail.moved(before, changed)
    trail.record(TrailAction.CHANGE, by=by, row=screening, client=client, flags=flags)
    return screening


def _stands(held: ScreeningAnswer | None, word: str) -> bool:
    return held.answer == word if held else word == "not_asked"


def _overtaken(held: ScreeningAnswer | None, flag: str, seen: Mapping[str, str]) -> bool:
    return flag in seen and not _stands(held, seen[flag])


def _begin(client: Client, on: date, by: Staff) -> Screening:
    record_links.refuse_joined(client)
    screening = Screening(site_id=client.site_id, client=client, screened_on=on, screened_by=by)
    screening.full_clean()
    screening.save()
    trail.record(TrailAction.CREATE, by=by, row=screening, client=client)
    return screening


def _begun_from(former: Screening, by: Staff) -> Screening:
    screening = _begin(former.client, former.screened_on, by)
    ScreeningAnswer.objects.bulk_create(
        ScreeningAnswer(
            site_id=one.site_id, screening=screening, flag_id=one.flag_id, answer=one.answer
        )
        for one in former.answers.all()
    )
    return screening


def _answer(screening: Screening, held: ScreeningAnswer | None, flag: str, word: str) -> None:
    row = held or ScreeningAnswer(site_id=screening.site_id, screening=screening, flag_id=flag)
    row.answer = word
    for name, value in NO_LIFT.items():
        setattr(row, name, value)
    row.clean_fields(exclude=["site", "screening"])
    row.save()


@transaction.atomic
def lift_flag(
    *, answer: ScreeningAnswer, on: date, reason: str, keeps: str, by: Staff, today: date
) -> ScreeningAnswer:
    """Lift what a yes stops, whole or in part, with who and why. Raises ValidationError.

    The lift belongs to this round; the next one asks again.
    """
    if answer.answer != "yes":
        raise ValidationError("Only an answer yes can be lifted.")
    if on > today:
        raise ValidationError({"lifted_on": "A lift cannot lie in the future."})
    if on < answer.screening.screened_on:
        raise ValidationError({"lifted_on": "The lift lies before the screening."})
    answer.lifted_on, answer.lifted_by, answer.reason, answer.keeps = on, by, reason, keeps
    answer.full_clean()
    answer.save(update_fields=["lifted_on", "lifted_by", "reason", "keeps"])
    trail.record(
        TrailAction.LIFT,
        by=by,
        row=answer.screening,
        client=answer.screening.client,
        flag=answer.flag_id,
        keeps=keeps,
    )
    return answer
