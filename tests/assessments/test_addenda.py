"""Addenda: what they may say, that nothing signed moves, and that readers see the right value."""

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
import time_machine
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, connection, transaction

from assessments.amended import as_amended
from assessments.answer_states import State
from assessments.domain.vocabulary import AddendumKind
from assessments.editions import tables_of
from assessments.facts import assessment_value
from assessments.models import Addendum, Assessment, Observation
from assessments.services.addenda import correction, write_addendum
from assessments.services.assessments import for_consult, sign_assessment
from assessments.services.seals import assessment_seal
from assessments.stored_answers import stored
from clinic.models import TrailEntry
from tests.factories import SiteFactory, StaffFactory
from tests.factories.consult import DAY, make_assessment, observe

pytestmark = pytest.mark.django_db
CADENCE = "o.cadence.none"


@pytest.fixture(autouse=True)
def today():
    with time_machine.travel(datetime(2026, 3, 14, 9, tzinfo=UTC), tick=False):
        yield


@pytest.fixture
def draft(edition):
    assessment = make_assessment(edition=edition)
    observe(assessment, "cadence", value=Decimal(150), method="counted")
    return assessment


@pytest.fixture
def signed(draft):
    return sign_assessment(assessment=draft, findings=[], by=draft.clinician)


def add(assessment, **fields):
    given = {
        "by": assessment.clinician,
        "kind": AddendumKind.ADDITION,
        "reason": "It was left out.",
        "text": "The client ran in new shoes.",
        "acted_on": DAY,
    }
    return write_addendum(assessment=assessment, **given | fields)


def fresh(assessment):
    return for_consult(assessment.clinician).get(pk=assessment.pk)


def corrected(assessment, key=CADENCE, **state):
    assessment = fresh(assessment)
    held = stored(assessment)
    tables = tables_of(assessment.edition_id)
    change = correction(
        held=held, trial=held.trials[0], key=key, state=State(**state), tables=tables
    )
    return add(
        assessment, kind=AddendumKind.CORRECTION, about=key, changes=[change], text="Miscounted."
    )


def cadence(assessment):
    (seen,) = [
        one for one in assessment_value(assessment).observations if one.feature == "cadence"
    ]
    return seen.value


def test_addenda_are_numbered_and_leave_the_signed_rows_alone(signed):
    before = assessment_seal(signed)

    numbers = [add(signed).number, corrected(signed, value="171").number, add(signed).number]

    assert numbers == [1, 2, 3]
    assert assessment_seal(signed) == before
    assert Observation.objects.get().value == Decimal(150)


def test_correction_keeps_what_was_and_what_is(signed):
    row = corrected(signed, value="171", method="counted")

    (change,) = row.changes
    assert change == {
        "key": CADENCE, "trial": 1, "was": {"value": "150"}, "now": {"value": "171"}
    }  # fmt: skip


def test_readers_see_the_corrected_value(signed, edition):
    corrected(signed, value="171", method="counted")
    later = make_assessment(
        edition=edition, client=signed.client, by=signed.clinician, on=date(2026, 3, 13)
    )

    held = stored(fresh(signed))
    next_time = stored(fresh(later))

    assert held.row("o", held.trials[0], "cadence", "none").value == Decimal(171)
    assert cadence(fresh(signed)) == Decimal(171)
    assert cadence(held.assessment) == Decimal(171)
    (then,) = next_time.last_rows.values()
    assert then.value == Decimal(171)


def test_each_version_is_read_back(signed):
    corrected(signed, value="171", method="counted")
    corrected(signed, value="172", method="counted")

    read = [cadence(as_amended(fresh(signed), number)) for number in (0, 1, 2)]

    assert read == [Decimal(150), Decimal(171), Decimal(172)]
    assert stored(fresh(signed), number=1).rows != {}
    held = stored(fresh(signed), number=1)
    assert cadence(held.assessment) == Decimal(171)


def test_answer_that_was_not_given_is_added_by_a_correction(signed):
    corrected(signed, key=_a_test(signed), value="9")

    assert len(assessment_value(fresh(signed)).tests) == 1


def _a_test(assessment):
    """Key of a test with a number that nine lies within."""
    tables = tables_of(assessment.edition_id)
    one = next(
        row
        for row in tables.tests.values()
        if row.kind == "value" and row.plausible.holds(Decimal(9))
    )
    return f"t.{one.code}.{one.sides[0]}"


@pytest.mark.parametrize(
    ("key", "state"),
    [
        (CADENCE, {"value": "9000"}),  # beyond what the edition holds possible
        (CADENCE, {"value": "fast"}),
        (CADENCE, {"grade": "2"}),  # cadence has no grade
        (CADENCE, {"value": "150", "method": "counted"}),  # as it is
        ("o.cadence.left", {"value": "171"}),  # has no side
        ("o.nothing.none", {"value": "171"}),
        ("nothing", {"value": "171"}),
    ],
)
def test_correction_keeps_to_the_limits_of_the_edition(signed, key, state):
    with pytest.raises(ValidationError):
        corrected(signed, key=key, **state)


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"acted_on": date(2026, 3, 15)}, "acted_on"),
        ({"acted_on": date(2026, 3, 11)}, "acted_on"),
        ({"reason": " "}, "reason"),
        ({"text": ""}, "text"),
        ({"kind": "remark"}, "kind"),
        ({"changes": [{"key": CADENCE}]}, "kind"),
    ],
)
def test_unfit_addendum_is_refused_beside_its_field(signed, fields, place):
    with pytest.raises(ValidationError) as refusal:
        add(signed, **fields)

    assert place in refusal.value.error_dict
    assert not Addendum.objects.exists()


def test_draft_takes_no_addendum(draft):
    with pytest.raises(ValidationError, match="not signed"):
        add(draft)


@pytest.mark.parametrize("role", ["reception", "manager"])
def test_only_clinicians_add(signed, role):
    with pytest.raises(PermissionDenied):
        add(signed, by=StaffFactory(role=role))


def test_clinician_of_another_site_does_not_add(signed):
    with pytest.raises(PermissionDenied):
        add(signed, by=StaffFactory(home_site=SiteFactory(code="HB", name="Harbour")))


def test_colleague_of_the_site_adds_in_their_own_name(signed):
    colleague = StaffFactory()

    assert add(signed, by=colleague).author == colleague


def test_trail_names_kind_and_values_and_no_text(signed):
    corrected(signed, value="171", method="counted")

    line = TrailEntry.objects.get(action="amend")
    assert (line.object_kind, line.object_key) == ("assessment", str(signed.pk))
    assert line.detail["answers"] == {CADENCE: [{"value": "150"}, {"value": "171"}]}
    assert (line.detail["addendum"], line.detail["addendum_kind"]) == (1, "correction")
    assert "Miscounted" not in str(line.detail)


# Guards


def refused(match):
    return pytest.raises(IntegrityError, match=match)


def insert(assessment, **fields):
    given = {
        "number": 1,
        "kind": "addition",
        "reason": "Left out.",
        "text": "New shoes.",
        "acted_on": DAY,
        "entered_at": datetime(2026, 3, 14, tzinfo=UTC),
        "author": assessment.clinician,
        "site": assessment.site,
    }
    return Addendum.objects.create(assessment=assessment, **given | fields)


def test_database_refuses_an_addendum_to_a_draft(draft):
    with refused("not signed"), transaction.atomic():
        insert(draft)


def test_database_refuses_an_addendum_of_an_earlier_day(signed):
    with refused("lies after the date"), transaction.atomic():
        insert(signed, acted_on=date(2026, 3, 11))


@pytest.mark.parametrize("number", [0, 2, 7])
def test_database_refuses_a_number_out_of_turn(signed, number):
    with refused("does not follow"), transaction.atomic():
        insert(signed, number=number)


def test_database_refuses_another_site(signed):
    with refused("differs"), transaction.atomic():
        insert(signed, site=SiteFactory(code="HB", name="Harbour"))


def test_database_refuses_to_change_or_remove_an_addendum(signed, deleting_refused):
    row = add(signed)

    for statement in (
        "UPDATE assessments_addendum SET text = 'other' WHERE id = %s",
        "DELETE FROM assessments_addendum WHERE id = %s",
    ):
        with refused("fixed|never deleted"), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement, [row.pk])


def test_database_refuses_to_change_a_signed_answer(signed):
    row = signed.observations.get()

    with refused("signed"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("UPDATE assessments_observation SET value = 171 WHERE id = %s", [row.pk])
    with refused("fixed"), transaction.atomic():
        Assessment.objects.filter(pk=signed.pk).update(impression="Other")


def test_correction_of_a_value_drops_its_error(edition):
    draft = make_assessment(edition=edition)
    observe(draft, "cadence", value=Decimal(150), method="video_2d", sd=Decimal("0.8"))
    observe(draft, "step_length", "left", value=Decimal(1), method="video_2d", sd=Decimal("0.1"))
    signed = sign_assessment(assessment=draft, findings=[], by=draft.clinician)
    corrected(signed, value="171", method="video_2d")

    found = {one.feature: one.sd for one in assessment_value(fresh(signed)).observations}

    assert found == {"cadence": None, "step_length": Decimal("0.1")}
