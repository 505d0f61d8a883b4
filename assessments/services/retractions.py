"""An assessment of another person, or opened by mistake, is taken out of what counts."""

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from assessments.domain.vocabulary import RetractionCause
from assessments.models import Assessment, Retraction
from assessments.services.assessments import RETRACTED
from clinic.domain.vocabulary import TrailAction
from clinic.models import Staff
from clinic.services import trail


def retract_assessment(
    *, assessment: Assessment, by: Staff, cause: RetractionCause, reason: str
) -> Retraction:
    """Save and return the retraction; the assessment and all that rests on it stay readable.

    Raises PermissionDenied for who is no clinician of its site, ValidationError for bad input and
    for one that is retracted already.
    """
    if not by.is_clinician or not by.sites.filter(pk=assessment.site_id).exists():
        raise PermissionDenied
    row = Retraction(
        site_id=assessment.site_id,
        assessment=assessment,
        cause=cause,
        reason=reason.strip(),
        retracted_at=timezone.now(),
        author=by,
    )
    try:
        return _saved(row, by)
    except IntegrityError as refusal:
        raise ValidationError(RETRACTED) from refusal


@transaction.atomic
def _saved(row: Retraction, by: Staff) -> Retraction:
    assessment = row.assessment
    # answers on their way come in first; the guards refuse what comes later
    Assessment.objects.select_for_update(of=("self",)).only("pk").get(pk=assessment.pk)
    if Retraction.objects.filter(assessment=assessment).exists():
        raise ValidationError(RETRACTED)
    row.full_clean()
    row.save(force_insert=True)
    trail.record(
        TrailAction.AMEND,
        by=by,
        row=row,
        client=assessment.client,
        assessment=assessment.pk,
        cause=row.cause,
    )
    return row
