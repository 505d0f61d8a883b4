"""When a record may go, and the reviews and answers before that."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Exists, OuterRef, QuerySet, Subquery
from django.utils import timezone

from assessments.models import Assessment, Episode, RunningHistory, Screening
from clinic.domain import retention
from clinic.domain.diary import in_words
from clinic.domain.people import normalised
from clinic.domain.retention import Kept, Periods
from clinic.domain.vocabulary import (
    AppointmentState,
    DestructionBasis,
    DestructionDecision,
    PaperState,
    TrailAction,
)
from clinic.models import Appointment, Client, Destruction, Hold, LegalHold, Paper, Staff
from clinic.models.record_links import person
from clinic.services import trail
from clinic.services.reassessments import today_at

HERE = [AppointmentState.ARRIVED.value, AppointmentState.SEEN.value]
SHORTEST_NAME = 3  # letters: a shorter one is a word of many sentences
REVIEWED = "This record was reviewed already: a second person decides."


@cache
def _table() -> dict[str, Periods]:
    path = settings.REFERENCE_DIR / "rights" / "retention.csv"
    return retention.read_periods(path.read_text(encoding="utf-8"))


def periods() -> Periods:
    """The periods of the clinic's country; raises ValueError for a table with a fault."""
    return retention.periods_for(_table(), settings.COUNTRY)


def period_words() -> str:
    """The periods that hold here, in one sentence."""
    return retention.period_words(periods(), known=settings.COUNTRY in _table())


@dataclass(frozen=True)
class Standing:
    """How it stands with one record: when care ended, until when it is kept, what stops it.

    All of it counts over the records that are joined with it.
    """

    client: Client
    ended: date
    never_seen: bool
    kept: Kept
    held: bool
    ahead: bool
    keep_to: date | None
    joined: tuple[Client, ...] = ()

    def is_over(self, today: date) -> bool:
        """Whether the period is over; a legal hold or an appointment may stand all the same."""
        return today > self.kept.until

    def is_due(self, today: date) -> bool:
        """Whether the record is to be reviewed."""
        longer = self.keep_to is not None and today <= self.keep_to
        return self.is_over(today) and not (self.held or self.ahead or longer)


def _newest(rows: QuerySet, day: str) -> Subquery:
    return Subquery(rows.filter(client=OuterRef("pk")).order_by(f"-{day}").values(day)[:1])


def with_contacts(clients: QuerySet[Client]) -> QuerySet[Client]:
    """Each client with the days that the clock follows from, in one query for all."""
    visits, longer = Appointment.objects.all(), Destruction.objects.exclude(keep_to=None)
    ahead = visits.filter(
        client=OuterRef("pk"), state=AppointmentState.BOOKED, starts_at__gte=timezone.now()
    )
    return clients.annotate(
        visited=_newest(visits.filter(state__in=HERE), "local_date"),
        booked=_newest(visits, "local_date"),
        assessed=_newest(Assessment.objects.all(), "assessed_on"),
        screened=_newest(Screening.objects.all(), "screened_on"),
        asked=_newest(RunningHistory.objects.all(), "taken_on"),
        discharged=_newest(Episode.objects.exclude(discharged_on=None), "discharged_on"),
        held=Exists(LegalHold.objects.open().filter(client=OuterRef("pk"))),
        ahead=Exists(ahead),
        keep_to=_newest(longer, "keep_to"),
    )


def standing_from(client: Client, joined: Sequence[Client] = ()) -> Standing:
    """Of a client that `with_contacts` found; joined: the other records of this person."""
    records = (client, *joined)
    seen = [_last(records, name) for name in ("visited", "assessed", "screened", "asked")]
    ended = retention.care_ended(
        registered_on=max(one.registered_on for one in records),
        seen=seen,
        discharged=_last(records, "discharged"),
        booked=_last(records, "booked"),
    )
    # two records can say different days of birth: the later end counts
    kept = max(
        (
            retention.keep_until(periods(), born=one.birth_date, ended=ended, died=one.died_on)
            for one in records
        ),
        key=lambda it: it.until,
    )
    held, ahead = (any(vars(one)[name] for one in records) for name in ("held", "ahead"))
    return Standing(
        client, ended, not any(seen), kept, held, ahead, _last(records, "keep_to"), tuple(joined)
    )


def _last(records: Sequence[Client], name: str) -> date | None:
    return max((day for one in records if (day := vars(one)[name])), default=None)


def standing_of(client: Client) -> Standing:
    """How it stands with one record now."""
    rows = with_contacts(Client.objects.select_related("site")).filter(pk__in=person(client.pk))
    found = {row.pk: row for row in rows}
    return standing_from(found.pop(client.pk), list(found.values()))


# What stands against it


def refuse_unripe(standing: Standing, basis: str, today: date) -> None:
    """Raise ValidationError where the record must stay, with what to do."""
    client = standing.client
    if standing.held:
        raise ValidationError("A legal hold stands: nothing of this record is destroyed.")
    if standing.ahead:
        raise ValidationError("The client is booked for a visit: the record is in use.")
    if basis == DestructionBasis.MISTAKE:
        if standing.joined:
            raise ValidationError(f"{numbers_joined(standing)} Part the records first.")
        _refuse_clinical(client, standing)
    elif not standing.is_over(today):
        raise ValidationError(
            f"The record is kept until {in_words(standing.kept.until)} ({standing.kept.rule}): "
            "it may be reviewed from the next day on."
        )


def numbers_joined(standing: Standing) -> str:
    """A sentence that names the other records of the person."""
    numbers = " and ".join(one.number for one in standing.joined)
    return f"This record is joined with {numbers}, of the same person."


def refuse_half(standing: Standing) -> None:
    """Raise ValidationError where another record of the person would stay."""
    for one in standing.joined:
        if not Destruction.objects.waiting().filter(client=one).exists():
            raise ValidationError(
                f"{numbers_joined(standing)} Review {one.number} as well, so that the whole "
                "record goes; or part the records first."
            )


def _refuse_clinical(client: Client, standing: Standing) -> None:
    rows = [
        Episode.objects.filter(client=client),
        Hold.objects.filter(client=client),
        Paper.objects.filter(client=client, state=PaperState.SIGNED),
    ]
    if not standing.never_seen or any(it.exists() for it in rows):
        raise ValidationError(
            "This record holds a visit or clinical entries, so it is no mere mistake: it is kept "
            "for its period."
        )


def refuse_names(client: Client, reason: str, field: str) -> None:
    """Raise ValidationError for a reason that names the client: it stays when the record goes."""
    named = f"{client.given_names} {client.family_name} {client.preferred_name}"
    if _words(reason) & {name for name in _words(named) if len(name) >= SHORTEST_NAME}:
        raise ValidationError(
            {field: "Leave the client’s name out: this line stays when the record is gone."}
        )


def _words(text: str) -> set[str]:
    return set(re.findall(r"\w+", normalised(text)))


def locked(client: Client) -> Client:
    """The client's row, which nobody adds anything to before this transaction ends."""
    return Client.objects.select_for_update(of=("self",)).select_related("site").get(pk=client.pk)


# Reviews and answers


@transaction.atomic
def review(*, client: Client, basis: str, reason: str, by: Staff) -> Destruction:
    """Save and return the review of the first person; raises ValidationError."""
    locked(client)
    standing, reason = standing_of(client), reason.strip()
    refuse_names(client, reason, "reason")
    refuse_unripe(standing, basis, today_at(client.site))
    found = _row(standing, basis, reason, by)
    _insert(found)
    trail.record(TrailAction.CREATE, by=by, row=found, client=client, basis=basis)
    return found


def _row(standing: Standing, basis: str, reason: str, by: Staff) -> Destruction:
    return Destruction(
        site_id=standing.client.site_id,
        client=standing.client,
        basis=basis,
        care_ended=standing.ended,
        keep_until=standing.kept.until,
        rule=standing.kept.rule,
        reason=reason,
        reviewed_by=by,
        reviewed_at=timezone.now(),
    )


def _insert(found: Destruction) -> None:
    found.full_clean()
    try:
        with transaction.atomic():
            found.save()
    except IntegrityError as clash:  # two people in the same moment
        raise ValidationError(REVIEWED) from clash


@transaction.atomic
def refuse_erasure(*, client: Client, reason: str, by: Staff) -> Destruction:
    """Save that a request for erasure was refused while the period runs; raises ValidationError.

    Source: GDPR, article 17(3)(b) to (e).
    """
    locked(client)
    standing, reason = standing_of(client), reason.strip()
    if standing.is_over(today_at(client.site)) and not standing.held:
        raise ValidationError("The period is over: review the record instead.")
    refuse_names(client, reason, "reason")
    found = _row(standing, DestructionBasis.ASKED.value, reason, by)
    found.decision, found.decision_reason = DestructionDecision.REFUSED.value, reason
    found.decided_by, found.decided_at = by, found.reviewed_at
    _insert(found)
    trail.record(
        TrailAction.RETAIN,
        by=by,
        row=found,
        client=client,
        decision=found.decision,
        keep_until=found.keep_until.isoformat(),
    )
    return found


@transaction.atomic
def keep_longer(*, client: Client, keep_to: date, reason: str, by: Staff) -> Destruction:
    """Save a review whose answer is that the record is kept until a day; raises ValidationError.

    One person is enough for it: nothing goes.
    """
    found = review(client=client, basis=DestructionBasis.OVER.value, reason=reason, by=by)
    return keep(destruction=found, reason=reason, by=by, keep_to=keep_to)


@transaction.atomic
def keep(
    *, destruction: Destruction, reason: str, by: Staff, keep_to: date | None = None
) -> Destruction:
    """Save that a reviewed record is not destroyed; raises ValidationError.

    keep_to: the day until which it is not asked again; without one it is due again at once.
    """
    client = locked(destruction.client)
    found = Destruction.objects.select_for_update(of=("self",)).get(pk=destruction.pk)
    refuse_decided(found)
    reason = reason.strip()
    refuse_names(client, reason, "reason")
    if keep_to is not None:
        _refuse_too_long(found, keep_to, today_at(client.site))
    word = DestructionDecision.REFUSED if keep_to is None else DestructionDecision.KEPT
    found.decision, found.decision_reason, found.keep_to = word.value, reason, keep_to
    found.decided_by, found.decided_at = by, timezone.now()
    found.full_clean()
    found.save(
        update_fields=["decision", "decision_reason", "keep_to", "decided_by", "decided_at"]
    )
    told: dict[str, Any] = {"keep_to": keep_to.isoformat()} if keep_to else {}
    trail.record(
        TrailAction.RETAIN, by=by, row=found, client=client, decision=found.decision, **told
    )
    return found


def refuse_decided(found: Destruction) -> None:
    if found.decision:
        raise ValidationError(f"This review was decided already: {found.get_decision_display()}.")


def _refuse_too_long(found: Destruction, keep_to: date, today: date) -> None:
    if keep_to <= today:
        raise ValidationError({"keep_to": "Give a day in the future."})
    last = retention.longest(periods(), ended=found.care_ended, until=found.keep_until)
    if last is not None and keep_to > last:
        raise ValidationError(
            {
                "keep_to": f"At most until {in_words(last)}: a record is usually kept no longer. "
                "Set a legal hold if it is needed for a claim."
            }
        )


def answer_words(found: Destruction) -> str:
    """A sentence for the answer to somebody who asked that their record be erased."""
    law = retention.erasure_law(settings.COUNTRY)
    if found.keep_until < timezone.localdate(found.reviewed_at):  # a legal hold stood
        must = "as long as it may be needed for a legal claim or an inquiry"
    else:
        must = f"until {in_words(found.keep_until)} ({found.rule})"
    allows = f"; data protection law allows this ({law})" if law else ""
    return (
        f"You asked us to erase your record. We must keep it {must}, and may not erase it "
        f"before{allows}. You may complain to the data protection authority."
    )
