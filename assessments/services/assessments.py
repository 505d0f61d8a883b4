"""Opening, setting up and signing an assessment."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date
from decimal import Decimal
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import models, transaction
from django.db.models import Case, F, OuterRef, Q, Subquery, When
from django.utils import timezone

from assessments import editions
from assessments.domain.findings import Finding as JudgedFinding
from assessments.domain.vocabulary import AssessmentKind
from assessments.models import (
    Assessment,
    Episode,
    Finding,
    RunningHistory,
    Screening,
    Trial,
)
from assessments.services.seals import assessment_seal
from clinic.domain.vocabulary import ConsentPurpose, TrailAction
from clinic.models import Client, Staff
from clinic.models.limits import of_my_clients
from clinic.models.record_links import person
from clinic.services import consents, reassessments, record_links, trail

TRIAL_FIELDS = (
    "surface",
    "speed_m_s",
    "incline_percent",
    "frame_rate_hz",
    "steps_averaged",
    "shoes",
    "camera",
)
SIGNED = "The assessment is signed: nothing in it can be changed. Write an addendum."
RETRACTED = "The assessment was retracted: nothing in it can be changed."
FIXED = (SIGNED, RETRACTED)
STALE = "Somebody else changed this meanwhile. Look at it again, then save."


def for_consult(staff: Staff) -> models.QuerySet[Assessment]:
    """Assessments that this person may open, with all that the page asks of one row.

    last_id, last_on: the assessment of the same person before it; newest_history,
    newest_screening: what could be taken as its basis now.
    """
    earlier = (
        Assessment.objects.standing()
        .filter(client=OuterRef("client"))
        .filter(
            Q(assessed_on__lt=OuterRef("assessed_on"))
            | Q(assessed_on=OuterRef("assessed_on"), pk__lt=OuterRef("pk"))
        )
        .order_by("-assessed_on", "-pk")
    )
    # a record that is joined to another takes no new assessment, so this way round is enough
    elsewhere = (
        Assessment.objects.standing()
        .filter(
            client__links_as_joined__kept=OuterRef("client"),
            client__links_as_joined__parted_at__isnull=True,
            assessed_on__lte=OuterRef("assessed_on"),
        )
        .order_by("-assessed_on", "-pk")
    )
    newer = Q(elsewhere_on__isnull=False) & (
        Q(own_on__isnull=True) | Q(elsewhere_on__gt=F("own_on"))
    )
    histories = RunningHistory.objects.filter(
        client=OuterRef("client"), taken_on__lte=OuterRef("assessed_on")
    ).order_by("-taken_on", "-pk")
    screenings = Screening.objects.filter(
        client=OuterRef("client"), screened_on__lte=OuterRef("assessed_on")
    ).order_by("-screened_on", "-pk")
    return (
        of_my_clients(Assessment.objects.for_page(), staff)
        .annotate(
            own_id=Subquery(earlier.values("pk")[:1]),
            own_on=Subquery(earlier.values("assessed_on")[:1]),
            elsewhere_id=Subquery(elsewhere.values("pk")[:1]),
            elsewhere_on=Subquery(elsewhere.values("assessed_on")[:1]),
            newest_history=Subquery(histories.values("pk")[:1]),
            newest_screening=Subquery(screenings.values("pk")[:1]),
        )
        .annotate(
            last_id=Case(When(newer, then="elsewhere_id"), default="own_id"),
            last_on=Case(When(newer, then="elsewhere_on"), default="own_on"),
        )
    )


def newest_history(client: Client, day: date) -> RunningHistory | None:
    """The newest running history up to a day."""
    return RunningHistory.objects.filter(client=client, taken_on__lte=day).first()


def newest_screening(client: Client, day: date) -> Screening | None:
    """The newest screening up to a day."""
    return Screening.objects.filter(client=client).on_or_before(day).first()


def latest_assessment(client: Client) -> Assessment | None:
    """The newest assessment of a person that counts, in any of their records."""
    return Assessment.objects.standing().filter(client__in=person(client.pk)).first()


def usual_kind(latest: Assessment | None) -> AssessmentKind:
    """Baseline first, reassessment when there is an earlier one."""
    return AssessmentKind.REASSESSMENT if latest else AssessmentKind.BASELINE


def trial_settings(latest: Assessment | None) -> dict[str, Any]:
    """Settings of the first trial of the last assessment, to start from."""
    trial = latest.trials.first() if latest else None
    return {name: getattr(trial, name) for name in TRIAL_FIELDS} if trial else {}


@transaction.atomic
def open_assessment(
    *,
    client: Client,
    episode: Episode,
    by: Staff,
    kind: str,
    assessed_on: date,
    history_unchanged: bool,
    trial: Mapping[str, Any],
) -> Assessment:
    """Save and return a draft with its first trial; raises ValidationError.

    history_unchanged: the client says that nothing changed since the newest history.
    Refused once the client has refused or withdrawn the consent to assessment.
    """
    record_links.refuse_joined(client)
    consents.refuse_stopped(client, ConsentPurpose.ASSESSMENT)
    refuse_day(assessed_on, client=client, episode=episode, today=timezone.localdate())
    history = newest_history(client, assessed_on)
    confirmed = history and (history_unchanged or history.taken_on == assessed_on)
    assessment = Assessment(
        site=client.site,
        client=client,
        episode=episode,
        clinician=by,
        kind=kind,
        assessed_on=assessed_on,
        edition=editions.newest(),
        history=history,
        history_confirmed_on=assessed_on if confirmed else None,
        screening=newest_screening(client, assessed_on),
    )
    assessment.full_clean()
    assessment.save()
    trail.record(TrailAction.CREATE, by=by, row=assessment, client=client, assessment_kind=kind)
    add_trial(assessment=assessment, by=by, **trial)
    return assessment


def refuse_day(day: date, *, client: Client, episode: Episode, today: date) -> None:
    """Raise ValidationError for a day on which there can have been no assessment."""
    problem = ""
    if day > today:
        problem = "The assessment lies in the future."
    elif day < client.birth_date:
        problem = "The assessment lies before the client was born."
    elif day < episode.opened_on:
        problem = f"The episode was opened on {episode.opened_on:%-d %b %Y}, after that day."
    elif episode.discharged_on and day > episode.discharged_on:
        problem = f"The episode was closed on {episode.discharged_on:%-d %b %Y}."
    if problem:
        raise ValidationError({"assessed_on": problem})


def refuse_fixed(assessment: Assessment) -> None:
    """Raise ValidationError if nothing may be changed any more."""
    why = why_fixed(assessment)
    if why:
        raise ValidationError(why)


def why_fixed(assessment: Assessment) -> str:
    """Why nothing in an assessment may be changed, empty while something may."""
    if assessment.is_retracted:
        return RETRACTED
    return SIGNED if assessment.is_signed else ""


@transaction.atomic
def add_trial(*, assessment: Assessment, by: Staff, **settings: Any) -> Trial:
    """Save and return one more trial; raises ValidationError."""
    refuse_fixed(assessment)
    number = Trial.objects.filter(assessment=assessment).count() + 1
    trial = Trial(site=assessment.site, assessment=assessment, position=number, **settings)
    trial.full_clean()
    trial.save()
    trail.record(TrailAction.CREATE, by=by, row=trial, client=assessment.client)
    return trial


@transaction.atomic
def edit_trial(*, trial: Trial, by: Staff, seen: int, **settings: Any) -> Trial:
    """Save the settings of a trial; raises ValidationError, also when `seen` is out of date."""
    refuse_fixed(trial.assessment)
    # a model form has put the new settings on the row already
    moved = trail.moved(vars(Trial.objects.get(pk=trial.pk)), settings)
    for name, value in settings.items():
        setattr(trial, name, value)
    trial.full_clean()
    done = Trial.objects.filter(pk=trial.pk, version=seen).update(
        **settings, version=F("version") + 1
    )
    if not done:
        raise ValidationError(STALE)
    trial.version = seen + 1
    trail.record(
        TrailAction.CHANGE, by=by, row=trial, client=trial.assessment.client, fields=moved
    )
    return trial


@transaction.atomic
def take_newest_basis(*, assessment: Assessment, by: Staff) -> Assessment:
    """Rest a draft on the newest history and screening of its day; the history is confirmed.

    Raises ValidationError when it is signed, or changed in the same moment.
    """
    refuse_fixed(assessment)
    history = newest_history(assessment.client, assessment.assessed_on)
    basis: dict[str, Any] = {
        "history": history,
        "history_confirmed_on": assessment.assessed_on if history else None,
        "screening": newest_screening(assessment.client, assessment.assessed_on),
    }
    done = Assessment.objects.filter(
        pk=assessment.pk, version=assessment.version, signed_at=None
    ).update(**basis, version=F("version") + 1)
    if not done:
        raise ValidationError(STALE)
    assessment.version += 1
    trail.record(
        TrailAction.CHANGE, by=by, row=assessment, client=assessment.client, fields=sorted(basis)
    )
    return assessment


@transaction.atomic
def sign_assessment(
    *, assessment: Assessment, findings: Sequence[JudgedFinding], by: Staff
) -> Assessment:
    """Fix an assessment with its findings.

    findings: what the page that was signed showed. Raises PermissionDenied unless the clinician
    in charge signs, ValidationError when it is signed or changed already.
    """
    if assessment.clinician_id != by.pk:
        raise PermissionDenied
    refuse_fixed(assessment)
    _hold_for_signing(assessment)
    for finding in findings:
        row = finding_row(assessment, finding)
        row.full_clean()
        row.save()
    assessment.signed_at, assessment.signed_by = timezone.now(), by
    done = Assessment.objects.filter(
        pk=assessment.pk, version=assessment.version, signed_at=None
    ).update(signed_at=assessment.signed_at, signed_by=by, version=F("version") + 1)
    if not done:
        raise ValidationError(STALE)
    assessment.version += 1
    if assessment.kind != AssessmentKind.BASELINE:
        reassessments.looked_again(assessment.client)
    trail.record(
        TrailAction.SIGN,
        by=by,
        row=assessment,
        client=assessment.client,
        findings=len(findings),
        seal=assessment_seal(assessment),
    )
    return assessment


def _hold_for_signing(assessment: Assessment) -> None:
    """Answers on their way come in first, and are in the seal; later ones are refused.

    The client first: histories and screenings are saved under that lock.
    """
    held: list[tuple[models.QuerySet[Any], int | None]] = [
        (Client.objects.all(), assessment.client_id),
        (Assessment.objects.all(), assessment.pk),
        (RunningHistory.objects.all(), assessment.history_id),
        (Screening.objects.all(), assessment.screening_id),
    ]
    for rows, key in held:
        if key is not None:
            rows.select_for_update(no_key=True).only("pk").get(pk=key)


def finding_row(assessment: Assessment, finding: JudgedFinding) -> Finding:
    """A finding as it is kept, with its reasons as plain JSON."""
    return Finding(
        site=assessment.site,
        assessment=assessment,
        finding_id=finding.code,
        side=finding.side,
        severity=finding.severity,
        because=[
            {name: plain(value) for name, value in asdict(reason).items()}
            for reason in finding.because
        ],
    )


def plain(value: Any) -> Any:
    """A decimal as its own text, so that no digit is lost in JSON."""
    return str(value) if isinstance(value, Decimal) else value
