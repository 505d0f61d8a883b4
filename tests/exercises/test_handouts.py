"""Handouts of programmes: what they say, and that every exercise of the library prints."""

import csv
import io
import re
from dataclasses import replace
from datetime import date

import pytest

from clinic.domain.paper import Letterhead, PaperHead, Person, PrintSize
from exercises.documents.handout import render_handout
from exercises.domain.decisions import Decision
from exercises.domain.dose import DOSE
from exercises.domain.notes import Note
from exercises.domain.sentences import note_sentence
from exercises.editions import edition_of
from exercises.handouts import NO_EXERCISE, drawings_of, handout_of, note_sentences, only_side, why
from exercises.models import Programme, ProgrammeItem
from tests.clinic.documents.papers import pages
from tests.factories.people import GoalFactory
from tests.factories.programme import Desk

HEAD = PaperHead(
    Letterhead("Larkfield Running Clinic", "Mill Lane", ("4 Mill Lane",), "01632 960 100"),
    Person("Orla Fenwick", date(1990, 4, 12), "ML00001"),
    date(2027, 3, 10),
)


@pytest.fixture
def desk(edition):
    made = Desk(edition)
    made.take_over()
    return made


def handout(desk, items=None, head=HEAD):
    programme = desk.programme
    printed = programme.items.filter(stage="now") if items is None else items
    return handout_of(programme, printed, proposal=desk.proposal, edition=desk.edition, head=head)


def line_of(exercise, **fields):
    """A line with the dose of the library, not stored."""
    return ProgrammeItem(
        exercise_id=exercise.code,
        pain_ceiling=int(exercise.pain_ceiling),
        decision=Decision.ADDED.value,
        **{name: getattr(exercise.dose, name) for name in DOSE} | fields,
    )


def squeezed(text):
    """Text without the line breaks of the page."""
    return re.sub(r"\s+", " ", text)


@pytest.mark.django_db
@pytest.mark.parametrize("size", list(PrintSize))
def test_every_exercise_prints_with_all_its_words(desk, edition, reference_texts, size):
    rows = list(csv.DictReader(io.StringIO(reference_texts["exercises.csv"])))
    head = PaperHead(HEAD.letterhead, HEAD.person, HEAD.dated, print_size=size)
    library = edition_of(edition.pk).exercises
    assert len(rows) == 50

    for row in rows:
        value = handout(desk, [line_of(library[row["code"]])], head)
        pdf = render_handout(value, drawings_of(value, edition.pk))
        text = squeezed(" ".join(pages(pdf)))

        wanted = [row["name"], row["purpose"], row["start_position"], row["feel"]]
        wanted += [step.partition(". ")[2] for step in row["movement"].split("|")]
        wanted += row["cues"].split("|")
        missing = [words for words in wanted if squeezed(words) not in text]
        assert missing == [], row["code"]


@pytest.mark.django_db
def test_doses_are_those_of_the_programme(desk):
    desk.decide("arm_drive_back_drill", dose={"sets": 2, "rest_s": 45}, reason="Tires soon")

    printed = {one.code: one for one in handout(desk).exercises}

    assert printed["arm_drive_back_drill"].dose == (
        "2 bouts of 30 seconds, 45 seconds rest, every day, for 2 weeks"
    )
    assert printed["metronome_run_5"].times_a_day == 1


@pytest.mark.django_db
def test_goal_in_the_clients_own_words_comes_first(desk):
    episode = desk.assessment.episode
    GoalFactory(episode=episode, text="Run 10 km in June.")

    assert handout(desk).why == (
        "They fit what we saw when you ran and go with what you want: Run 10 km in June."
    )


@pytest.mark.django_db
def test_reached_goal_is_not_what_the_client_wants(desk):
    episode = desk.assessment.episode
    GoalFactory(episode=episode, text="Run 5 km", reached_on=date(2027, 3, 1))

    assert "Run 5 km" not in handout(desk).why


@pytest.mark.parametrize(
    ("goal", "end"),
    [
        ("prevention", "ran and go with what you want: staying well."),
        ("", "what we saw when you ran."),
    ],
)
def test_goal_of_the_episode_stands_in(goal, end):
    assert why(goal).endswith(end)


@pytest.mark.django_db
def test_handout_without_exercises_says_so(desk):
    value = handout(desk, [])

    assert value.why == NO_EXERCISE
    assert value.exercises == ()


@pytest.mark.django_db
def test_only_the_exercises_trained_on_one_side_name_it(edition):
    # EXERCISES.md: E39 and E45 train only the side of the finding, all others both or the body
    library = edition_of(edition.pk).exercises

    named = {one.source_id for one in library.values() if only_side("left", one)}

    assert named == {"E39", "E45"}


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("side", "dose", "order"),
    [("left", ", left side only,", ""), ("both", "sets of 15, 45", "Both sides, one after")],
)
def test_leg_that_the_library_leaves_to_the_handout_is_named(desk, side, dose, order):
    exercise = desk.edition.exercises["heel_lowering_off_step"]

    (printed,) = handout(desk, [line_of(exercise, side=side)]).exercises

    assert dose in printed.dose
    assert printed.order_note.startswith(order)


@pytest.mark.django_db
def test_cadence_says_its_error_where_that_was_computed(desk):
    assert handout(desk).cadence.error == 0

    # 95 % of a standard error of 0.8: 1.96 x 0.8 = 1.57, two whole steps
    desk.assessment.observations.filter(feature="cadence").update(sd="0.8")
    assert handout(desk).cadence.error == 2


@pytest.mark.django_db
def test_cadence_is_printed_as_long_as_it_is_run_to_a_click(desk):
    plan = handout(desk).cadence
    # 166 measured at 2.9 m/s: 174.3 and 182.6 (EVALUATION.md 15)
    assert (plan.measured, plan.first_target, plan.second_target) == (166, 174, 183)
    assert (plan.first_plus, plan.second_plus, plan.speed) == (8, 17, "2.9 m/s")

    desk.decide("metronome_run_5", "declined", reason="Runs without a watch")

    assert handout(desk).cadence is None


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("printed", "said"), [(["whole_body_lean_wall"], 1), (["a_march"], 0), (None, 1)]
)
def test_note_about_an_exercise_is_printed_only_beside_it(desk, printed, said):
    note = Note("do_not_lean_over_15", ("R31",), ("whole_body_lean_wall",))
    proposal = replace(desk.proposal, notes=(note,))
    sentence = note_sentence(note, desk.edition).handout
    assert sentence

    assert note_sentences(proposal, desk.edition, (), printed) == (sentence,) * said


@pytest.mark.django_db
def test_holds_stand_in_the_clients_words(desk):
    desk.assessment.screening.answers.filter(flag_id="s35").update(answer="yes")

    sentence = desk.edition.tables.flags["s35"].handout_sentence
    assert sentence
    assert handout(desk).hold_sentences == (sentence,)


@pytest.mark.django_db
def test_stop_all_prints_the_flags_and_no_exercise(edition):
    desk = Desk(edition, case="03")
    assessment = desk.assessment
    unsaved = Programme(assessment=assessment, site_id=assessment.site_id)

    value = handout_of(unsaved, [], proposal=desk.proposal, edition=desk.edition, head=HEAD)

    assert value.stop_all
    assert value.exercises == ()
    assert value.hold_sentences
