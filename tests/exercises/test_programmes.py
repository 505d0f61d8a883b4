"""Programmes: taken over, decided, judged once more by the answers of the day, issued."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from assessments.domain.vocabulary import Stage
from clinic.models import Reassessment, TrailEntry
from clinic.services.people import StaleError
from exercises.models import Advice, Programme, ProgrammeItem
from exercises.services import programme_lines, programme_rows, programmes
from tests.factories import StaffFactory
from tests.factories.programme import Desk

pytestmark = pytest.mark.django_db
DAY = date(2027, 3, 10)  # of the vignettes
REVIEW = date(2027, 4, 21)  # 42 days later
METRONOME = "metronome_run_5"


@pytest.fixture(autouse=True)
def day_of_the_vignettes(time_machine):
    time_machine.move_to("2027-03-10 12:00 +0000", tick=False)


@pytest.fixture
def desk(edition):
    made = Desk(edition)
    made.take_over()
    return made


def older(edition, age):
    desk = Desk(edition, client={"age_years": age, "sex": "f", "height_m": 1.7})
    desk.take_over()
    return desk


def answer_yes(desk, *flags):
    desk.assessment.screening.answers.filter(flag_id__in=flags).update(answer="yes")


def put_off(desk, exercise):
    item = desk.item(exercise)
    return programme_lines.set_stage(
        item=item, stage=Stage.LATER, by=desk.by, edition=desk.edition
    )


def ready(desk):
    desk.accept_all()
    desk.agree(REVIEW)
    return desk


# taking over


def test_programme_counts_the_minutes_of_the_proposal(desk):
    # EVALUATION.md 14, worked by hand from exercises.csv: a_march 3x20+2x40 = 140 s twice a week,
    # arm_drive_back_drill 150 s daily, step_under_drill and whole_body_lean_wall as their rows say
    expected = sum(
        (item.sets * (item.hold_s or item.reps * item.tempo_s_per_rep) * (1 + item.per_side))
        * item.sessions_per_week
        + (item.sets * (1 + item.per_side) - 1) * item.rest_s * item.sessions_per_week
        for item in desk.programme.items.filter(stage="now").exclude(exercise_id=METRONOME)
    )

    assert desk.programme.minutes_a_day == round(Decimal(expected) / 420, 1)


def test_proposal_is_taken_over_once_with_a_line_in_the_trail(desk):
    assert desk.programme.review_on == REVIEW
    assert set(desk.programme.items.values_list("decision", flat=True)) == {"proposed"}
    line = TrailEntry.objects.get(object_kind="programme")
    assert (line.action, line.client, line.actor) == (
        "create",
        desk.assessment.client,
        desk.by,
    )


def test_stop_all_makes_no_programme(edition):
    desk = Desk(edition, case="03")

    with pytest.raises(ValidationError, match="stops everything"):
        desk.take_over()

    assert not Programme.objects.exists()


def test_what_is_no_longer_proposed_is_withdrawn_by_who_took_over(desk):
    desk.decide("a_march")
    desk.assessment.observations.filter(feature_id="forward_hand_reach").update(grade=0)
    colleague = StaffFactory(home_site=desk.by.home_site)

    desk.take_over(by=colleague)

    gone = desk.item("arm_drive_back_drill")
    assert (gone.decision, gone.decided_by) == ("withdrawn", colleague)
    assert desk.item("a_march").decision == "accepted"


def test_withdrawn_line_comes_back_when_it_is_proposed_again(desk):
    reach = desk.assessment.observations.filter(feature_id="forward_hand_reach")
    before = list(reach.values_list("pk", "grade"))
    reach.update(grade=0)
    desk.take_over()
    for pk, grade in before:
        reach.filter(pk=pk).update(grade=grade)

    desk.take_over()

    assert desk.item("arm_drive_back_drill").decision == "proposed"


def test_line_of_an_older_proposal_is_not_accepted_unseen(desk):
    seen = desk.item("arm_drive_back_drill").version
    desk.take_over()

    with pytest.raises(StaleError):
        desk.decide("arm_drive_back_drill", seen=seen)


def test_lines_of_an_older_proposal_are_not_accepted_unseen_together(desk):
    seen = desk.stamp
    desk.take_over()

    with pytest.raises(ValidationError, match="changed after you opened"):
        desk.accept_all(seen)

    waiting = desk.programme.items.filter(decision="proposed").count()
    assert waiting == desk.programme.items.count()
    assert desk.accept_all(desk.stamp) == waiting


def test_day_of_review_that_the_clinician_chose_stays(desk):
    desk.agree(date(2027, 4, 1))
    desk.take_over()

    assert desk.programme.review_on == date(2027, 4, 1)


def test_day_of_review_follows_the_answers_until_somebody_chooses(desk):
    # EVALUATION.md 16: 14 days if there is any hold; s35 limits the load of tendons
    answer_yes(desk, "s35")
    desk.take_over()

    assert desk.programme.review_on == DAY + timedelta(days=14)


def test_every_line_has_its_own_place_after_taking_over_again(desk):
    desk.add("clam")
    desk.decide("relaxed_grip")
    desk.assessment.observations.filter(feature_id="forward_hand_reach").update(grade=0)

    desk.take_over()

    places = sorted(desk.programme.items.values_list("position", flat=True))
    assert places == list(range(1, 8))


# deciding


def test_unchanged_line_is_accepted_and_a_changed_one_adjusted(desk):
    assert desk.decide("a_march").decision == "accepted"

    item = desk.decide("arm_drive_back_drill", dose={"sets": 2}, reason="Tires soon")

    assert (item.decision, item.sets, item.decided_by) == ("adjusted", 2, desk.by)


def test_changed_dose_without_a_reason_changes_nothing(desk):
    with pytest.raises(ValidationError, match="why the dose is changed"):
        desk.decide("a_march", dose={"sets": 2})

    assert (desk.item("a_march").sets, desk.item("a_march").decision) == (3, "proposed")


def test_adjusted_line_does_not_become_accepted_by_pressing_accept(desk):
    desk.decide("a_march", dose={"sets": 2}, reason="Tires soon")

    assert desk.decide("a_march", reason="Tires soon").decision == "adjusted"


def test_dose_put_back_to_the_proposal_is_accepted(desk):
    desk.decide("a_march", dose={"sets": 2}, reason="Tires soon")

    assert desk.decide("a_march", dose={"sets": 3}).decision == "accepted"


def test_declined_line_can_be_taken_after_all(desk):
    desk.decide("a_march", "declined", reason="No space at home")

    assert desk.decide("a_march").decision == "accepted"


def test_added_line_stays_added_with_another_dose(desk):
    desk.add("clam")

    assert desk.decide("clam", dose={"sets": 2}).decision == "added"


def test_declining_needs_a_reason(desk):
    with pytest.raises(ValidationError, match="why the exercise is declined"):
        desk.decide("a_march", "declined", reason="  ")


def test_two_people_at_one_line(desk):
    seen = desk.item("a_march").version
    desk.decide("a_march", dose={"sets": 2}, reason="Tires soon")

    with pytest.raises(StaleError):
        desk.decide("a_march", "declined", reason="No space", seen=seen)

    assert (desk.item("a_march").sets, desk.item("a_march").decision) == (2, "adjusted")


def test_tick_on_a_line_read_before_a_decision_keeps_both(desk):
    read_before = desk.item("a_march")
    desk.decide("a_march", dose={"sets": 2}, reason="Tires soon")

    programme_lines.tick(item=read_before, by=desk.by, on=DAY)

    line = desk.item("a_march")
    assert (line.sets, line.decision, line.ticked_by) == (2, "adjusted", desk.by)
    assert line.version == read_before.version == 3


def test_line_that_two_people_put_off_is_put_off_once(desk):
    put_off(desk, "a_march")
    put_off(desk, "a_march")

    assert (desk.item("a_march").stage, desk.item("a_march").version) == ("later", 2)


def test_exercise_that_the_answers_withhold_by_now_is_not_taken(desk):
    # s43 no_impact: relaxed_grip is impact 2 (screening.csv, exercises.csv)
    answer_yes(desk, "s43")

    with pytest.raises(ValidationError, match="is withheld"):
        desk.decide("relaxed_grip")
    with pytest.raises(ValidationError, match="is withheld"):
        desk.accept_all()

    assert set(desk.programme.items.values_list("decision", flat=True)) == {"proposed"}
    assert desk.decide("relaxed_grip", "declined", reason="Withheld").decision == "declined"


def test_pain_above_the_pain_zone_is_refused(edition):
    # EVALUATION.md 11: up to 2 where bone may hurt, as in a sore midfoot (pain_zones.csv)
    desk = Desk(
        edition,
        episode={
            "complaint_present": "yes",
            "complaint_region": "midfoot",
            "complaint_side": "left",
        },
    )
    desk.take_over()

    with pytest.raises(ValidationError, match="pain up to 2"):
        desk.decide("arm_drive_back_drill", dose={"pain_ceiling": 4}, reason="She copes")
    desk.programme.items.filter(exercise_id="a_march").update(pain_ceiling=5)
    with pytest.raises(ValidationError, match="pain up to 2"):
        desk.accept_all()
    assert desk.add("clam").pain_ceiling == 2


def test_cadence_plan_stands_only_with_its_exercise(desk):
    # 166 measured: 174.3 and 182.6 (EVALUATION.md 15)
    assert desk.programme.cadence_first_target == 174

    desk.decide(METRONOME, "declined", reason="Runs without a watch")
    assert desk.programme.cadence_first_target is None
    assert desk.programme.cadence_measured is None

    desk.decide(METRONOME)
    programme = desk.programme
    assert (programme.cadence_measured, programme.cadence_second_target) == (166, 183)


# adding


def test_added_exercise_asks_for_the_tick_that_its_rule_asks_for(edition):
    # R13: over 65 falling forward into a run needs the clinician's own tick (rules.csv)
    assert older(edition, 66).add("lean_and_go").tick_needed


def test_added_exercise_asks_for_no_tick_at_65(edition):
    assert not older(edition, 65).add("lean_and_go").tick_needed


def test_added_exercise_names_the_kit_that_is_not_there(edition):
    desk = Desk(edition, history={"equipment": ["band"], "height_m": 1.7})
    desk.take_over()

    assert desk.add("clam").missing_kit == ["mat"]


def test_exercise_that_nobody_proposed_is_withheld_all_the_same(desk):
    # strides are named as contraindicated by s43 (exercises.csv)
    answer_yes(desk, "s43")

    with pytest.raises(ValidationError, match="Strides is withheld"):
        desk.add("strides")

    assert not desk.programme.items.filter(exercise_id="strides").exists()


# issuing


def test_issue_opens_the_reassessment(desk):
    ready(desk).issue()

    due = Reassessment.objects.get()
    assert (due.client, due.due_on, due.clinician) == (desk.assessment.client, REVIEW, desk.by)
    assert desk.programme.is_issued


def test_review_in_the_past_is_due_today(desk, time_machine):
    ready(desk)
    time_machine.move_to("2027-05-03 12:00 +0000", tick=False)

    desk.issue()

    assert Reassessment.objects.get().due_on == date(2027, 5, 3)


def test_answers_that_changed_since_keep_it_from_being_issued(desk):
    ready(desk)
    desk.assessment.observations.filter(feature_id="forward_hand_reach").update(grade=0)

    with pytest.raises(ValidationError, match="answers have changed"):
        desk.issue()

    desk.take_over()
    desk.accept_all()
    assert desk.issue().is_issued


def test_kept_exercise_that_is_withheld_by_now_keeps_it_from_being_issued(desk):
    desk.add("strides")
    ready(desk)
    answer_yes(desk, "s43")
    desk.take_over()
    desk.accept_all()

    with pytest.raises(ValidationError, match="Strides is withheld"):
        desk.issue()

    desk.decide("strides", "declined", reason="No impact for now")
    kept = desk.programme.items.filter(decision__in=programme_rows.KEPT)
    for item in kept.filter(exercise_id__in=[METRONOME, "relaxed_grip", "step_under_drill"]):
        desk.decide(item.exercise_id, "declined", reason="No impact for now")
    desk.decide("a_march", "declined", reason="No impact for now")
    assert desk.issue().is_issued


def test_tick_is_asked_for_once_more_by_the_answers_of_the_day(edition):
    desk = ready(older(edition, 66))
    item = desk.add("lean_and_go")
    ProgrammeItem.objects.filter(pk=item.pk).update(tick_needed=False)  # written before the rule

    with pytest.raises(ValidationError, match="your own tick"):
        desk.issue()

    programme_lines.tick(item=desk.item("lean_and_go"), by=desk.by, on=DAY)
    assert desk.issue().is_issued


def test_colleague_does_not_issue(desk):
    ready(desk)
    colleague = StaffFactory(home_site=desk.by.home_site)

    with pytest.raises(ValidationError, match="the clinician in charge"):
        desk.issue(by=colleague)

    assert not desk.programme.is_issued


def test_everything_that_is_missing_is_named(desk):
    with pytest.raises(ValidationError) as refused:
        desk.issue()

    assert refused.value.messages == [
        "Decide every proposed exercise: accept, adjust or decline it.",
        "Say whether the programme is agreed with the client.",
    ]


def test_issued_programme_refuses_every_service(desk):
    ready(desk).issue()

    for act in (
        desk.take_over,
        desk.accept_all,
        lambda: desk.decide("a_march"),
        lambda: desk.add("clam"),
        lambda: desk.agree(date(2027, 5, 5)),
        desk.issue,
        lambda: programme_lines.tick(item=desk.item("a_march"), by=desk.by, on=DAY),
        lambda: programme_lines.set_shown(item=desk.item("a_march"), shown=True, by=desk.by),
        lambda: programme_lines.move(item=desk.item("a_march"), up=False, by=desk.by),
        lambda: put_off(desk, "a_march"),
        lambda: programmes.add_advice(
            programme=desk.programme, text="Rest", understood=True, by=desk.by
        ),
    ):
        with pytest.raises(ValidationError, match="is issued"):
            act()


@pytest.mark.parametrize(
    ("model", "change"),
    [
        (ProgrammeItem, {"sets": 9}),
        (ProgrammeItem, {"decision": "declined", "reason": "x"}),
        (Advice, {"text": "Run a marathon"}),
    ],
)
def test_database_fixes_the_lines_of_an_issued_programme(desk, model, change):
    programmes.add_advice(programme=desk.programme, text="Rest", understood=True, by=desk.by)
    ready(desk).issue()

    with pytest.raises(IntegrityError, match="issued"), transaction.atomic():
        model.objects.filter(programme=desk.programme).update(**change)


def test_database_takes_no_new_line_into_an_issued_programme(desk):
    ready(desk).issue()
    item = desk.item("a_march")
    item.pk, item.exercise_id = None, "clam"

    with pytest.raises(IntegrityError, match="issued"), transaction.atomic():
        item.save(force_insert=True)


def test_database_fixes_an_issued_programme(desk):
    ready(desk).issue()

    with pytest.raises(IntegrityError, match="fixed"), transaction.atomic():
        Programme.objects.filter(pk=desk.programme.pk).update(issued_at=None, issued_by=None)


# arranging


def test_lines_change_places_within_their_stage(desk):
    first, second = desk.programme.items.filter(stage="now")[:2]

    programme_lines.move(item=second, up=True, by=desk.by)
    programme_lines.move(item=second, up=True, by=desk.by)

    assert list(desk.programme.items.filter(stage="now")[:2]) == [second, first]


def test_line_moves_past_those_that_are_left_out(desk):
    first, declined, third = desk.programme.items.filter(stage="now")[:3]
    desk.decide(declined.exercise_id, "declined", reason="No space")

    programme_lines.move(item=third, up=True, by=desk.by)

    assert list(desk.programme.items.filter(stage="now")[:3]) == [third, declined, first]


def test_line_put_off_takes_its_minutes_along(desk):
    # arm_drive_back_drill: 150 s every day, 2.5 minutes (EVALUATION.md 14)
    before = desk.programme.minutes_a_day

    put_off(desk, "arm_drive_back_drill")

    assert desk.programme.minutes_a_day == before - Decimal("2.5")


def test_review_lies_after_the_assessment(desk):
    with pytest.raises(ValidationError, match="after the assessment"):
        desk.agree(DAY)


def test_agreement_that_somebody_changed_is_not_overwritten(desk):
    old = desk.programme
    desk.agree(REVIEW, agreed="no")

    with pytest.raises(StaleError):
        programmes.set_agreement(
            programme=old, seen=old.version, review_on=REVIEW, agreed="yes", by=desk.by
        )

    assert desk.programme.agreed == "no"
