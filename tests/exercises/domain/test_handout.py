"""What the handout says, and doses in words."""

import csv
import json
from dataclasses import replace
from datetime import date
from decimal import Decimal
from io import StringIO
from pathlib import Path

import pytest

from clinic.domain.paper import words_of
from exercises.domain.dose_words import (
    PrintedDose,
    WorkKind,
    days_words,
    dose_words,
    number_words,
    pace_words,
    pain_words,
)
from exercises.domain.handout import (
    EMERGENCY,
    STOP_SIGNS,
    CadenceSteps,
    Handout,
    HandoutExercise,
    movement_steps,
)
from tests.clinic.documents.papers import HEAD

LIBRARY = Path(__file__).parents[3] / "fixtures" / "exercises.csv"
REPETITIONS = PrintedDose(
    WorkKind.REPETITIONS, 3, sets=3, reps=15, per_side=True, rest_s=45, weeks=12
)
SQUAT = HandoutExercise(
    "squat",
    "Squat",
    "It makes you strong.",
    "Stand tall.",
    ("Go down.", "Come up."),
    ("Heavy heels", "Tall chest", "Slow"),
    "You feel your thighs.",
    "3 sets of 10",
    "Up to 2 out of 10.",
)
FULL = Handout(
    HEAD,
    "You want to run 10 km in June.",
    ("No running or jumping for now.",),
    ("Keep your training steady.",),
    (SQUAT, replace(SQUAT, code="pull", name="Band pull", times_a_day=2)),
    CadenceSteps(158, 166, 8, 174, 16, 3, "10.4 km/h"),
    next_check="Tuesday 6 April 2027",
)
WAIT = Handout(HEAD, hold_sentences=("Please see your doctor first.",), stop_all=True)


def words(sections):
    return [text for section in sections for text in words_of(section)]


@pytest.mark.parametrize(
    ("dose", "expected"),
    [
        # one row of the library for each kind of work, worked by hand from its columns
        (REPETITIONS, "3 sets of 15 each side, 45 seconds rest, 3 days a week, for 12 weeks"),
        (
            PrintedDose(WorkKind.HOLD, 7, sets=6, hold_s=30, per_side=True, rest_s=5, weeks=6),
            "6 holds of 30 seconds each side, 5 seconds rest, every day, for 6 weeks",
        ),
        (
            PrintedDose(WorkKind.TIMED, 7, sets=3, hold_s=30, rest_s=30, weeks=2),
            "3 bouts of 30 seconds, 30 seconds rest, every day, for 2 weeks",
        ),
        (
            PrintedDose(WorkKind.TIMED, 3, sets=4, hold_s=20, rest_s=40, weeks=4, distance_m=10),
            "4 bouts of 20 seconds, each with 10 metres of running, 40 seconds rest, "
            "3 days a week, for 4 weeks",
        ),
        (
            PrintedDose(WorkKind.LENGTHS, 2, sets=6, reps=1, rest_s=45, weeks=4, distance_m=12),
            "6 lengths of 12 metres, 45 seconds rest, 2 days a week, for 4 weeks",
        ),
        (
            PrintedDose(WorkKind.LENGTHS, 2, sets=3, reps=2, distance_m=15),
            "3 sets of 2 lengths of 15 metres, 2 days a week",
        ),
        (
            PrintedDose(WorkKind.RUN_BOUT, 1, sets=4, hold_s=20, rest_s=90, weeks=6),
            "4 runs of 20 seconds, 90 seconds rest, 1 day a week, for 6 weeks",
        ),
        (
            PrintedDose(WorkKind.RUN_BOUT, 3, duration_min=10, weeks=2),
            "10 minutes of running, 3 days a week, for 2 weeks",
        ),
        (PrintedDose(WorkKind.TIMED, 3, duration_min=1), "1 minute, 3 days a week"),
        (
            PrintedDose(WorkKind.REPETITIONS, Decimal("3.5"), sets=1, reps=12, rest_s=1, weeks=1),
            "1 set of 12, 1 second rest, every second day, for 1 week",
        ),
    ],
)
def test_dose_words(dose, expected):
    assert dose_words(dose) == expected


def test_dose_words_name_the_only_side():
    dose = PrintedDose(WorkKind.REPETITIONS, 14, sets=3, reps=15)

    assert (
        dose_words(dose, only_side="left")
        == "3 sets of 15, left side only, twice a day, every day"
    )


@pytest.mark.parametrize(
    ("sessions", "expected"),
    [
        (1, "1 day a week"),
        (6, "6 days a week"),
        ("3.5", "every second day"),
        (3.5, "every second day"),
        (7, "every day"),
        (14, "twice a day, every day"),
        (21, "3 times a day, every day"),
        ("2.5", "2.5 times a week"),
        (10, "10 times a week"),
        ("4.0", "4 days a week"),
    ],
)
def test_days_words(sessions, expected):
    # EXERCISES.md: 14 is twice a day, 3.5 every second day
    assert days_words(Decimal(sessions) if isinstance(sessions, str) else sessions) == expected


@pytest.mark.parametrize("sessions", [0, -1])
def test_no_session_is_refused(sessions):
    with pytest.raises(ValueError, match="sessions a week"):
        days_words(sessions)


@pytest.mark.parametrize(
    ("dose", "lost"),
    [
        (PrintedDose(WorkKind.REPETITIONS, 3), "sets or minutes"),
        (PrintedDose(WorkKind.REPETITIONS, 3, sets=3), "number"),
        (PrintedDose(WorkKind.HOLD, 3, sets=3), "seconds"),
        (PrintedDose(WorkKind.LENGTHS, 3, sets=3), "metres"),
    ],
)
def test_dose_without_an_amount_is_refused(dose, lost):
    with pytest.raises(ValueError, match=lost):
        dose_words(dose)


@pytest.mark.parametrize(
    ("number", "expected"), [(3, "3"), (Decimal("2.50"), "2.5"), (7.0, "7"), (Decimal(100), "100")]
)
def test_number_words(number, expected):
    assert number_words(number) == expected


def test_pace_words_only_where_it_is_counted():
    assert pace_words(replace(REPETITIONS, tempo_s_per_rep=6)) == "6 seconds for each one"
    assert pace_words(replace(REPETITIONS, tempo_s_per_rep=8, hold_s=2)) == (
        "8 seconds for each one, 2 of them held"
    )
    assert pace_words(REPETITIONS) == ""
    assert pace_words(PrintedDose(WorkKind.LENGTHS, 2, sets=3, tempo_s_per_rep=20)) == ""


def test_pain_words():
    assert pain_words(5) == "Up to 5 out of 10, in it and after it, and gone by the next morning."
    assert pain_words(0).startswith("None at all, 0 out of 10")
    for outside in (-1, 11):
        with pytest.raises(ValueError, match="pain ceiling"):
            pain_words(outside)


def test_every_dose_of_the_library_has_words():
    rows = list(csv.DictReader(StringIO(LIBRARY.read_text(encoding="utf-8"))))
    lines = {row["code"]: dose_words(library_dose(row)) for row in rows}

    assert len(lines) == 50
    for row in rows:
        numbers = (row["sets"] or row["duration_min"], row["reps"] or row["hold_s"])
        if row["work_kind"] == "lengths":
            numbers = (row["sets"], row["distance_m"])
        told = lines[row["code"]].replace(",", "").split()
        assert [number for number in numbers if number and number not in told] == [], row["code"]


def library_dose(row):
    def whole(name):
        return int(row[name]) if row[name] else None

    return PrintedDose(
        WorkKind(row["work_kind"]),
        Decimal(row["sessions_per_week"]),
        sets=whole("sets"),
        reps=whole("reps"),
        hold_s=whole("hold_s"),
        duration_min=whole("duration_min"),
        per_side=row["per_side"] == "yes",
        tempo_s_per_rep=whole("tempo_s_per_rep"),
        rest_s=whole("rest_s"),
        weeks=whole("weeks"),
        distance_m=whole("distance_m"),
    )


def test_movement_steps_lose_their_numbers():
    assert movement_steps("1. Go down.|2. Come up 3 times.|") == ("Go down.", "Come up 3 times.")


def test_handout_comes_back_from_json():
    for handout in (FULL, WAIT):
        assert Handout.from_json(json.loads(json.dumps(handout.to_json()))) == handout


def test_stop_box_is_the_last_before_the_first_exercise():
    *_, box = FULL.opening

    assert box.boxed
    assert words([box]) == [
        "Stop and call us if",
        *STOP_SIGNS,
        "Call Harbour Lane Gait Clinic, Quay site",
        "01632 960 123",
        EMERGENCY,
    ]


def test_opening_links_to_the_goal_and_holds_the_sentences():
    assert words(FULL.opening)[:5] == [
        "Why these exercises",
        "You want to run 10 km in June.",
        "For your safety",
        "No running or jumping for now.",
        "Keep your training steady.",
    ]


def test_handout_without_lists_of_its_own_is_not_blank():
    bare = Handout(HEAD, stop_signs=(), emergency="")

    assert words(bare.opening) == [
        "Why these exercises",
        "not given",
        "Stop and call us if",
        "Call Harbour Lane Gait Clinic, Quay site",
        "01632 960 123",
    ]
    assert words(bare.closing)[:4] == ["Next check", "Next check", "not given", "Questions"]
    assert bare.fortnights == ()


def test_cadence_is_told_in_steps_a_minute():
    # EVALUATION.md section 15, worked: 158 gives 166 (+8) and 174 (+16) from week 3
    assert words(FULL.closing)[1:4] == [
        "Now you take 158 steps a minute at 10.4 km/h, both feet counted.",
        "Your target is 166 steps a minute: 8 more. "
        "Keep your usual speed; your steps get shorter.",
        "From week 3, only if we have agreed it with you: 174 steps a minute, 16 more than now.",
    ]
    assert len(CadenceSteps(158, 166, 8).sentences) == 2
    assert CadenceSteps(158, 166, 8, error=2).sentences[0] == (
        "Now you take 158 steps a minute, both feet counted, give or take 2."
    )


def test_stop_all_holds_only_the_sentences_and_whom_to_call():
    assert words(WAIT.opening) == [
        "What you need to know",
        "Please see your doctor first.",
        "Whom to call",
        "Call Harbour Lane Gait Clinic, Quay site",
        "01632 960 123",
    ]
    assert [section.heading for section in WAIT.closing] == ["Made by"]
    assert WAIT.title == "Please wait with running and exercise"


@pytest.mark.parametrize(
    "wrong",
    [
        {"exercises": (SQUAT,)},
        {"cadence": CadenceSteps(158, 166, 8)},
        {"hold_sentences": ()},
    ],
)
def test_stop_all_with_an_exercise_or_without_a_reason_is_refused(wrong):
    with pytest.raises(ValueError, match="stop-all"):
        replace(WAIT, **wrong)


def test_tick_grid_has_a_cell_for_each_day_and_time_of_day():
    grids = replace(FULL, days=28).fortnights

    assert [grid.caption for grid in grids] == ["Days 1 to 14", "Days 15 to 28"]
    assert grids[1].columns == ("Exercise", *(str(day) for day in range(15, 29)))
    assert [row[0] for row in grids[0].rows] == ["Squat", "Band pull (1)", "Band pull (2)"]
    assert {len(row) for grid in grids for row in grid.rows} == {15}


def test_tick_grid_of_other_lengths_is_refused():
    with pytest.raises(ValueError, match="21 days"):
        replace(FULL, days=21)


def test_notes_name_only_what_there_is():
    noted = replace(
        SQUAT,
        effort="Moderate",
        pace="4 seconds for each one",
        easier="Hold on",
        easier_when="Do it in week 1.",
        harder="Use a weight",
        cautions=("Not in the first week", "Slow!"),
        order_note="First of all.",
        kit="Chair",
        kit_alternative="A box.",
    )

    assert [note.label for note in SQUAT.notes] == ["Feel", "Pain"]
    assert {note.label: note.text for note in noted.notes} == {
        "Feel": "You feel your thighs.",
        "Effort": "Moderate 4 seconds for each one.",
        "Pain": "Up to 2 out of 10.",
        "Take care": "Not in the first week. Slow!",
        "Order": "First of all.",
        "Easier": "Hold on. Do it in week 1.",
        "Harder": "Use a weight.",
        "You need": "Chair. A box.",
    }


def test_made_by_names_author_and_version():
    assert words(FULL.closing)[-2:] == [
        "Ines Muster, Physiotherapist, PH 00042",
        "Signed on 12 March 2027 at 16:05 (UTC). Version 2, replaces version 1 of 3 March 2027",
    ]
    assert FULL.head.dated == date(2027, 3, 12)
