"""Requests of a client about the record: noted, answered in time, disagreed with."""

from datetime import date
from functools import cache
from typing import Any

from django.conf import settings
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.utils import timezone

from clinic.domain.requests import TimeLimit, limit_of, read_limits
from clinic.domain.vocabulary import RequestKind, RequestOutcome, TrailAction
from clinic.models import Client, RecordRequest, Staff
from clinic.models.record_requests import DETAILS
from clinic.services import trail

ANSWERED = "This request was answered already: see below what stands."
CLINICIAN_DECIDES = "A clinician decides what is about clinical content: ask one."
WRITE_FIRST = (
    "The assessment is signed: write the addendum first, then choose it here, so that the record "
    "itself says what changed."
)


@cache
def limits() -> tuple[TimeLimit, ...]:
    """The time limits of the clinic; raises ValueError for a table with a fault."""
    return read_limits(
        (settings.REFERENCE_DIR / "rights" / "requests.csv").read_text(encoding="utf-8")
    )


def limit_for(kind: str) -> TimeLimit:
    """The time limit of a kind where the clinic is."""
    return limit_of(limits(), settings.COUNTRY, RequestKind(kind))


@transaction.atomic
def note_request(
    *, client: Client, by: Staff, kind: str, received_on: date, **fields: Any
) -> RecordRequest:
    """Save and return a request as it came in, with its last day; raises ValidationError."""
    _not_later_than_today("received_on", received_on)
    limit = limit_for(kind)
    row = RecordRequest(
        site_id=client.site_id,
        client=client,
        kind=kind,
        received_on=received_on,
        noted_by=by,
        noted_at=timezone.now(),
        due_on=limit.due_on(received_on),
        limit_source=limit.source,
        **fields,
    )
    row.full_clean()
    row.save(force_insert=True)
    trail.record(
        TrailAction.CREATE,
        by=by,
        row=row,
        client=client,
        kind_of_request=row.kind,
        due=row.due_on.isoformat(),
    )
    return row


@transaction.atomic
def extend(*, request: RecordRequest, by: Staff, reason: str) -> RecordRequest:
    """Take the one extension, with its reason and before the last day; raises ValidationError.

    Source: GDPR article 12(3); 45 CFR 164.526(b)(2)(ii): the client is told in the first time.
    """
    row, today = _locked(request), timezone.localdate()
    if row.extended_to:
        raise ValidationError("The time was extended before; it can be extended once.")
    if today > row.due_on:
        raise ValidationError(
            "The last day has passed: answer now, the time cannot grow any more."
        )
    limit = limit_for(row.kind)
    longest = limit.extended_to(row.received_on)
    if longest <= row.due_on:
        raise ValidationError("The law of this place knows no extension for this.")
    row.extended_to, row.extended_on, row.extended_by = longest, today, by
    row.extension_reason = reason.strip()
    return _kept(row, by, "extended_to", "extended_on", "extended_by", "extension_reason")


def may_decide(staff: Staff, request: RecordRequest, about: str) -> bool:
    """A clinician always; a manager where it is not about clinical content.

    about: what it is about as the answer says; what came in counts as well.
    """
    if staff.is_clinician:
        return True
    clinical = request.kind == RequestKind.AMENDMENT and {request.about, about} != {DETAILS}
    return staff.is_manager and not clinical


@transaction.atomic
def decide(
    *,
    request: RecordRequest,
    by: Staff,
    outcome: str,
    answer: str,
    about: str,
    answered_with: str = "",
    needs_addendum: bool = False,
) -> RecordRequest:
    """Save the answer, which stays as it is; raises ValidationError and PermissionDenied.

    needs_addendum: what it is about is signed, so that an accepted amendment names the addendum.
    """
    row = _locked(request)
    if not (by.is_clinician or by.is_manager):
        raise PermissionDenied
    if outcome != RequestOutcome.WITHDRAWN and not may_decide(by, row, about):
        raise ValidationError(CLINICIAN_DECIDES)
    accepted = outcome == RequestOutcome.ACCEPTED and row.kind == RequestKind.AMENDMENT
    if accepted and needs_addendum and not answered_with:
        raise ValidationError({"answered_with": WRITE_FIRST})
    row.outcome, row.answer, row.about = outcome, answer.strip(), about
    row.answered_with = answered_with if accepted else ""
    row.decided_by, row.decided_at = by, timezone.now()
    changed = "outcome", "answer", "about", "answered_with", "decided_by", "decided_at"
    return _kept(row, by, *changed, outcome=outcome, answered_with=row.answered_with)


@transaction.atomic
def note_told(
    *, request: RecordRequest, by: Staff, told_on: date, goes_along: bool = False
) -> RecordRequest:
    """Save the day on which the client got the answer; raises ValidationError.

    goes_along: the client asks that the request and its denial go with later letters.
    """
    row = _locked(request, answered=True)
    _not_later_than_today("told_on", told_on)
    if row.decided_at and told_on < timezone.localdate(row.decided_at):
        raise ValidationError({"told_on": "This day lies before the answer."})
    if row.told_on:
        raise ValidationError("It is noted already when the client was told.")
    row.told_on, row.goes_along = told_on, goes_along and row.is_denied_amendment
    return _kept(row, by, "told_on", "goes_along")


@transaction.atomic
def note_statement(
    *, request: RecordRequest, by: Staff, statement: str, statement_on: date
) -> RecordRequest:
    """Save the client's statement of disagreement, in their words; raises ValidationError.

    Source: 45 CFR 164.526(d)(2).
    """
    row = _locked(request, answered=True)
    _not_later_than_today("statement_on", statement_on)
    if not row.is_denied_amendment:
        raise ValidationError("A statement of disagreement follows an amendment that was denied.")
    if row.statement:
        raise ValidationError("A statement stands already. Note a new request for what is new.")
    if row.decided_at and statement_on < timezone.localdate(row.decided_at):
        raise ValidationError({"statement_on": "This day lies before the answer."})
    row.statement, row.statement_on, row.statement_noted_by = statement.strip(), statement_on, by
    return _kept(row, by, "statement", "statement_on", "statement_noted_by")


@transaction.atomic
def write_rebuttal(*, request: RecordRequest, by: Staff, rebuttal: str) -> RecordRequest:
    """Save a clinician's answer to the statement; raises ValidationError and PermissionDenied.

    Source: 45 CFR 164.526(d)(3): the client gets a copy of it.
    """
    row = _locked(request, answered=True)
    if not by.is_clinician:
        raise PermissionDenied
    if not row.statement or row.rebuttal:
        raise ValidationError("An answer follows a statement of disagreement, once.")
    row.rebuttal, row.rebutted_on, row.rebutted_by = rebuttal.strip(), timezone.localdate(), by
    return _kept(row, by, "rebuttal", "rebutted_on", "rebutted_by")


def _locked(request: RecordRequest, *, answered: bool = False) -> RecordRequest:
    row = (
        RecordRequest.objects.select_for_update(of=("self",))
        .select_related("client")
        .get(pk=request.pk)
    )
    if answered and row.is_open:
        raise ValidationError("Answer the request first.")
    if not answered and not row.is_open:
        raise ValidationError(ANSWERED)
    return row


def _kept(row: RecordRequest, by: Staff, *changed: str, **detail: Any) -> RecordRequest:
    row.full_clean()
    row.save(update_fields=changed)
    trail.record(
        TrailAction.CHANGE, by=by, row=row, client=row.client, fields=list(changed), **detail
    )
    return row


def _not_later_than_today(field: str, day: date) -> None:
    if day > timezone.localdate():
        raise ValidationError({field: "This day lies in the future."})
