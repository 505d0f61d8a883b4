"""Minutes of doses. Source: fixtures/EXERCISES.md, "Session time", and EVALUATION.md, 14."""

from decimal import Decimal

from assessments.domain.rounding import half_up
from exercises.domain.dose import daily_minutes, session_minutes, total_daily_minutes
from tests.exercises.domain.cases import edition

EXERCISES = edition().exercises


def test_sessions_of_all_exercises_run_from_2_1_to_15_minutes():
    minutes = [session_minutes(one.dose) for one in EXERCISES.values()]

    assert len(minutes) == 50
    assert (half_up(min(minutes), 1), max(minutes)) == (Decimal("2.1"), 15)


def test_daily_minutes_run_from_0_6_to_19_5():
    minutes = {code: daily_minutes(one) for code, one in EXERCISES.items() if not one.running_cue}

    assert half_up(min(minutes.values()), 1) == Decimal("0.6")
    assert max(minutes, key=minutes.__getitem__) == "heel_lowering_off_step"
    assert minutes["heel_lowering_off_step"] == Decimal("19.5")


def test_running_cue_takes_no_minutes_of_its_own():
    cue = EXERCISES["metronome_run_5"]

    assert (session_minutes(cue.dose), daily_minutes(cue)) == (10, 0)


def test_minutes_of_several_lines_are_rounded_once():
    # clam: 3 x 15 x 3 x 2 + 5 x 20 = 370 s, 4 times a week: 3.52 minutes a day
    works = [EXERCISES["clam"], EXERCISES["clam"], EXERCISES["metronome_run_5"]]

    assert total_daily_minutes(works) == Decimal("7.0")
    assert total_daily_minutes([]) == 0
