"""What is added to a signed assessment."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from assessments.answer_states import FIELDS, State, state_of
from assessments.domain.tables import AssessmentTables
from assessments.domain.vocabulary import AddendumKind
from assessments.measure_words import measure_of, sides_of
from assessments.models import Addendum, Assessment, Trial
from assessments.services.answers import Typed, checked
from assessments.services.assessments import RETRACTED
from assessments.services.seals import addendum_seal
from assessments.stored_answers import OBSERVATION, Stored
from clinic.domain.vocabulary import TrailAction
from clinic.models import Staff
from clinic.services import trail

Change = dict[str, Any]
DRAFT = "The assessment is not signed: change it itself."
MEANWHILE = "Somebody else added to this assessment in the same moment. Read it, then send again."
NOT_ASKED = "This is not asked in the edition of this assessment."
AS_IT_IS = "The answer says so already: write what is right, or choose another kind."


def correction(
    *, held: Stored, trial: Trial, key: str, state: State, tables: AssessmentTables
) -> Change:
    """One corrected answer as an addendum keeps it: key, trial, and each field that moves.

    state: the whole right answer. Raises ValidationError by field of the answer.
    """
    kind, code, side = _parted(key)
    measure = measure_of(kind, code, tables)
    if measure is None or side not in [one.value for one in sides_of(measure)]:
        raise ValidationError({"value": NOT_ASKED})
    stored = state_of(held.row(kind, trial, code, side))
    typed = Typed(kind, code, side, state, stored)
    right, errors = checked(state, typed, measure, tables)
    moved = [name for name in FIELDS if getattr(right, name) != getattr(stored, name)]
    if not errors and not moved:
        errors = {"value": AS_IT_IS}
    if errors:
        raise ValidationError(errors)
    return {
        "key": key,
        "trial": trial.position if kind == OBSERVATION else None,
        "was": {name: getattr(stored, name) for name in moved},
        "now": {name: getattr(right, name) for name in moved},
    }


def _parted(key: str) -> tuple[str, str, str]:
    kind, code, side = [*key.split("."), "", ""][:3]
    return kind, code, side


def write_addendum(
    *,
    assessment: Assessment,
    by: Staff,
    kind: AddendumKind,
    reason: str,
    text: str,
    acted_on: date,
    about: str = "",
    changes: Sequence[Change] = (),
) -> Addendum:
    """Save and return the next addendum of a signed assessment, signed by who enters it.

    Raises PermissionDenied for who is no clinician of its site, ValidationError for bad input and
    when somebody else adds in the same moment.
    """
    if not by.is_clinician or not by.sites.filter(pk=assessment.site_id).exists():
        raise PermissionDenied
    refuse_unfit(assessment, kind=kind, acted_on=acted_on, changes=changes)
    row = Addendum(
        site_id=assessment.site_id,
        assessment=assessment,
        kind=kind,
        about=about,
        reason=reason.strip(),
        text=text.strip(),
        acted_on=acted_on,
        entered_at=timezone.now(),
        author=by,
        changes=list(changes),
    )
    try:
        return _written(row, by)
    except IntegrityError as refusal:
        raise ValidationError(MEANWHILE) from refusal


@transaction.atomic
def _written(row: Addendum, by: Staff) -> Addendum:
    assessment = row.assessment
    # one after the other: the number counts those that stand
    Assessment.objects.select_for_update().only("pk").get(pk=assessment.pk)
    row.number = 1 + Addendum.objects.filter(assessment=assessment).count()
    row.full_clean()
    row.save(force_insert=True)
    trail.record(
        TrailAction.AMEND,
        by=by,
        row=assessment,
        client=assessment.client,
        addendum=row.number,
        addendum_kind=row.kind,
        answers={change["key"]: [change["was"], change["now"]] for change in row.changes},
        seal=addendum_seal(row),
    )
    return row


def refuse_unfit(
    assessment: Assessment, *, kind: str, acted_on: date, changes: Sequence[Change]
) -> None:
    """Raise ValidationError for what the assessment cannot take."""
    if not assessment.is_signed:
        raise ValidationError(DRAFT)
    if assessment.is_retracted:
        raise ValidationError(RETRACTED)
    if acted_on > timezone.localdate():
        raise ValidationError({"acted_on": "This day lies in the future."})
    if acted_on < assessment.assessed_on:
        raise ValidationError(
            {"acted_on": f"The assessment was made on {assessment.assessed_on:%-d %b %Y}."}
        )
    if changes and kind != AddendumKind.CORRECTION:
        raise ValidationError({"kind": "Only a correction changes an answer."})
