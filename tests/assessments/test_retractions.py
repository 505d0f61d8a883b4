"""A retracted assessment stays whole and counts for nothing.

Source of what is asked: HL7 EHR-S FM R2.1.1, RI.1.3.4 (retracted, hidden from what counts, still
reachable); RI.1.1.2 (kept without alteration).
"""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from assessments.domain.vocabulary import AddendumKind, RetractionCause
from assessments.models import (
    Assessment,
    Finding,
    FindingTerm,
    Observation,
    Retraction,
    ScoreValue,
    TestResult,
)
from assessments.services import assessments as services
from assessments.services.addenda import write_addendum
from assessments.services.answers import save_words
from assessments.services.retractions import retract_assessment
from clinic.models import TrailEntry
from tests.factories import SiteFactory, StaffFactory
from tests.factories.consult import DAY, make_assessment, make_trial, observe

pytestmark = pytest.mark.django_db
WHY = {"cause": RetractionCause.WRONG_RECORD, "reason": "Films of two clients were mixed up."}


@pytest.fixture
def draft(edition):
    assessment = make_assessment(edition=edition)
    observe(assessment, "cadence", value=Decimal(150), method="counted")
    return assessment


@pytest.fixture
def signed(draft):
    return services.sign_assessment(assessment=draft, findings=[], by=draft.clinician)


def retracted(assessment):
    retract_assessment(assessment=assessment, by=assessment.clinician, **WHY)
    return Assessment.objects.for_page().get(pk=assessment.pk)


def later(assessment):
    """The next assessment of the same client."""
    return make_assessment(
        edition=assessment.edition,
        client=assessment.client,
        by=assessment.clinician,
        on=DAY + timedelta(days=7),
    )


def test_line_in_the_trail_holds_codes_and_no_words(signed):
    row = retract_assessment(assessment=signed, by=signed.clinician, **WHY)

    line = TrailEntry.objects.get(object_kind="retraction")
    assert (line.action, line.object_key) == ("amend", str(row.pk))
    assert line.detail == {"assessment": signed.pk, "cause": "wrong_record"}


def test_it_is_no_last_time(signed):
    next_one = later(signed)
    page = services.for_consult(signed.clinician)
    assert page.get(pk=next_one.pk).last_id == signed.pk

    retracted(signed)

    assert page.get(pk=next_one.pk).last_id is None
    assert services.latest_assessment(signed.client) == next_one


def test_only_a_clinician_of_its_site_retracts(signed):
    for stranger in (
        StaffFactory(home_site=SiteFactory(code="QY", name="Quayside")),
        StaffFactory(role="reception"),
    ):
        with pytest.raises(PermissionDenied):
            retract_assessment(assessment=signed, by=stranger, **WHY)


def test_a_reason_is_needed_and_a_second_retraction_refused(signed):
    with pytest.raises(ValidationError):
        retract_assessment(assessment=signed, by=signed.clinician, **WHY | {"reason": " "})
    retracted(signed)

    with pytest.raises(ValidationError, match="was retracted"):
        retract_assessment(assessment=signed, by=signed.clinician, **WHY)

    assert Retraction.objects.count() == 1


def test_services_change_nothing_in_it(draft):
    draft = retracted(draft)

    with pytest.raises(ValidationError, match="was retracted"):
        services.sign_assessment(assessment=draft, findings=[], by=draft.clinician)
    with pytest.raises(ValidationError, match="was retracted"):
        services.add_trial(assessment=draft, by=draft.clinician)
    said = save_words(assessment=draft, by=draft.clinician, name="words", text="x", seen="")
    assert said == services.RETRACTED


def test_no_addendum_is_written_to_it(signed):
    signed = retracted(signed)

    with pytest.raises(ValidationError, match="was retracted"):
        write_addendum(
            assessment=signed,
            by=signed.clinician,
            kind=AddendumKind.ADDITION,
            reason="x",
            text="x",
            acted_on=DAY,
        )


def saved(assessment):
    return {"saved_at": timezone.now(), "saved_by": assessment.clinician}


STRAIGHT = {
    "answer changed": lambda it: Observation.objects.filter(assessment=it).update(value=151),
    "answer added": lambda it: observe(it, "trunk_lean", value=Decimal(5)),
    "trial added": lambda it: make_trial(it, position=2),
    "test added": lambda it: TestResult.objects.create(
        site=it.site, assessment=it, test_id="knee_to_wall", side="left", value=9, **saved(it)
    ),
    "score added": lambda it: ScoreValue.objects.create(
        site=it.site, assessment=it, score_id="pain_now", value=2, **saved(it)
    ),
    "finding added": lambda it: Finding.objects.create(
        site=it.site,
        assessment=it,
        finding=FindingTerm.objects.first(),
        side="left",
        severity="clear",
        because=[],
    ),
    "text changed": lambda it: Assessment.objects.filter(pk=it.pk).update(words="other"),
    "retraction changed": lambda it: Retraction.objects.update(reason="other"),
}


@pytest.mark.parametrize("what", STRAIGHT)
def test_the_database_refuses_it_too(draft, what):
    """Draft: of a signed one other guards refuse most of it already."""
    act = STRAIGHT[what]
    draft = retracted(draft)

    with pytest.raises(IntegrityError, match=r"retracted|fixed"), transaction.atomic():
        act(draft)


@pytest.mark.parametrize("what", [it for it in STRAIGHT if it != "retraction changed"])
def test_the_same_is_taken_before(draft, what):
    """Else the test above would prove nothing."""
    STRAIGHT[what](draft)


def test_a_retraction_is_never_deleted(signed, deleting_refused):
    retracted(signed)

    with pytest.raises(IntegrityError, match="never deleted"), transaction.atomic():
        Retraction.objects.all().delete()


def test_pages_say_so(client, signed):
    retracted(signed)
    client.force_login(signed.clinician)

    page = client.get(reverse("assessment-open", args=[signed.pk])).content.decode()
    record = client.get(reverse("client-open", args=[signed.client_id])).content.decode()
    version = client.get(reverse("addendum-version", args=[signed.pk, 1])).content.decode()

    assert "it is about another person. It does not count." in page
    assert "Write an addendum" not in page
    assert '<span class="word stop">retracted</span>' in record
    assert "Films of two clients were mixed up." in version
