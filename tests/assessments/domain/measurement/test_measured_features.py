"""From measures to features, row by row of MEASUREMENT.md, From measure code to feature."""

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from assessments.domain.camera import View
from assessments.domain.events import Event, EventKind
from assessments.domain.frame_results import frame_results
from assessments.domain.measured import Measured
from assessments.domain.measured_features import (
    FRAME_ROWS,
    TIMING_ROWS,
    features_of_frames,
    features_of_timing,
)
from assessments.domain.moments import Moment, Step, steps_of
from assessments.domain.placed import PlacedFrame
from assessments.domain.reading import read_assessment_tables
from assessments.domain.vocabulary import Method, Side
from clinic.domain.tables import Reader
from tests.assessments.domain.measurement.trials import contact, frame, toe_off, trial


@pytest.fixture(scope="session")
def tables(reference_texts):
    return read_assessment_tables(Reader(reference_texts))


def found(placed, named=None):
    features = features_of_frames(placed, frame_results(placed), named)
    return {(one.feature, one.side): one.measured for one in features}


def test_every_feature_of_the_table_is_a_value_of_the_features(tables):
    rows = [(row.feature, row.sided) for row in (*FRAME_ROWS, *TIMING_ROWS)]

    assert len(rows) == 20
    for code, sided in rows:
        assert tables.features[code].per_side == sided


def test_instants_follow_from_the_events():
    placed = trial(
        frame(10, shank=4, foot=9),
        frame(16, trunk=7),
        frame(22, thigh=-12),
        events=[contact(10), toe_off(22)],
    )

    features = found(placed)

    assert features["shank_angle_contact", Side.RIGHT].value == pytest.approx(4)
    assert features["trunk_lean", Side.NONE].value == pytest.approx(7)
    assert features["hip_extension_toe_off", Side.RIGHT].value == pytest.approx(12)
    assert features["elbow_angle", Side.RIGHT].value == pytest.approx(100)  # 180 - 80
    assert ("foot_inclination", Side.RIGHT) not in features  # no standing_foot_deg
    assert ("shank_angle_loading", Side.RIGHT) not in features  # nobody named the frame


def test_foot_inclination_needs_the_standing_foot():
    placed = trial(frame(10, foot=9), events=[contact(10), toe_off(22)], standing_foot_deg=3.0)

    assert found(placed)["foot_inclination", Side.RIGHT].value == pytest.approx(6)


def test_value_is_the_mean_over_steps_with_their_number():
    placed = trial(
        *(frame(10 + 60 * step, shank=4 + step) for step in range(3)),
        events=[event for step in range(3) for event in steps(10 + 60 * step)],
    )

    measured = found(placed)["shank_angle_contact", Side.RIGHT]

    assert (measured.value, measured.n) == (pytest.approx(5), 3)
    assert measured.sd == pytest.approx(1 / np.sqrt(3))  # SD of 4, 5, 6 over root 3


def steps(start):
    return contact(start), toe_off(start + 20)


def test_largest_of_each_step_is_averaged():
    placed = trial(
        *(
            frame(number, thigh=thigh, shank=0)
            for number, thigh in [(10, 20), (15, 40), (20, 30), (70, 10), (75, 44), (95, 90)]
        ),
        events=[*steps(10), *steps(70)],
    )

    features = found(placed)
    measured = features["knee_flexion_stance_peak", Side.RIGHT]

    assert (measured.value, measured.n) == (pytest.approx((40 + 44) / 2), 2)
    assert measured.method.startswith("largest of each step")
    # the frame after the last toe-off lies in no known swing
    assert ("knee_drive", Side.RIGHT) not in features


def test_knee_drive_is_the_largest_thigh_angle_in_swing():
    placed = trial(
        frame(40, thigh=30),
        frame(50, thigh=45),
        frame(60, thigh=41),
        events=[*steps(10), contact(70)],
    )

    assert found(placed)["knee_drive", Side.RIGHT].value == pytest.approx(45)


def test_clinician_names_an_instant():
    placed = trial(frame(10, shank=4), frame(14, shank=9), frame(30, elbow=60))
    named = {
        (10, Side.RIGHT): Moment.CONTACT,
        (14, Side.RIGHT): Moment.LOADING,
        (30, Side.RIGHT): Moment.HAND_FORWARD,
    }

    features = found(placed, named)

    assert features["shank_angle_contact", Side.RIGHT].value == pytest.approx(4)
    assert features["shank_angle_loading", Side.RIGHT].value == pytest.approx(9)
    assert features["elbow_opening_in_front", Side.RIGHT].value == pytest.approx(120)


def test_named_frame_of_no_side_counts_once_for_what_has_no_side():
    placed = trial(frame(16, side=None, trunk=7))

    features = found(placed, {(16, None): Moment.MIDSTANCE})

    assert set(features) == {("trunk_lean", Side.NONE), ("hip_hinge_angle", Side.NONE)}
    assert features["trunk_lean", Side.NONE].n == 1


def test_trunk_lean_is_averaged_over_both_legs():
    placed = trial(
        frame(16, trunk=7),
        frame(46, side=Side.LEFT, trunk=9),
        events=[
            *steps(6),
            contact(36, Side.LEFT),
            toe_off(56, Side.LEFT),
        ],
    )

    measured = found(placed)["trunk_lean", Side.NONE]

    assert (measured.value, measured.n) == (pytest.approx(8), 2)


def test_frame_without_number_counts_in_no_step():
    empty = PlacedFrame(70, {}, Side.RIGHT)
    placed = trial(frame(10, shank=4), empty, events=[*steps(10), *steps(70)])

    assert found(placed)["shank_angle_contact", Side.RIGHT].n == 1


def test_pelvic_drop_comes_of_the_back_view_and_adduction_of_the_front():
    points = {
        "left_psis": (-0.12, 1.0),
        "right_psis": (0.12, 1.02),
        "left_asis": (0.12, 1.0),
        "right_asis": (-0.12, 1.0),
        "right_knee_centre": (-0.05, 0.6),
    }
    placed = PlacedFrame(20, points, Side.RIGHT)
    events = [contact(10), toe_off(30)]

    back = found(trial(placed, view=View.BACK, events=events))
    front = found(trial(placed, view=View.FRONT, events=events))

    assert set(back) == {("pelvic_drop", Side.RIGHT)}
    assert set(front) == {("hip_adduction", Side.RIGHT)}


def test_observation_is_by_video_and_rounded_as_the_feature(tables):
    placed = trial(frame(10, shank=4.04), events=[contact(10), toe_off(22)])
    one = next(
        it
        for it in features_of_frames(placed, frame_results(placed))
        if it.feature == "shank_angle_contact"
    )

    seen = one.observation("t1", tables.features[one.feature].decimals)

    assert (seen.feature, seen.side, seen.trial) == ("shank_angle_contact", Side.RIGHT, "t1")
    assert (seen.value, seen.method) == (Decimal("4.0"), Method.VIDEO_2D)
    assert seen.sd == Decimal(repr(round(float(one.measured.sd), 4)))
    unknown = replace(one, measured=Measured(one.measured.value, np.nan))
    assert unknown.observation("t1", 1).sd is None


def test_timing_becomes_features_in_their_own_units():
    both = {"cadence": Measured(170.0, 0.5, 40), "step_length": Measured(1.0, 0.1)}
    of_side = {
        ("contact_time", Side.LEFT): Measured(0.28, 0.005, 12),
        ("duty_factor", Side.RIGHT): Measured(0.366, 0.002),
        ("flight_time", Side.RIGHT): Measured(np.nan, np.nan),
    }

    features = {(one.feature, one.side): one.measured for one in features_of_timing(both, of_side)}

    assert set(features) == {
        ("cadence", Side.NONE),
        ("contact_time", Side.LEFT),
        ("duty_factor", Side.RIGHT),
    }
    assert features["contact_time", Side.LEFT].value == pytest.approx(280)
    assert (features["contact_time", Side.LEFT].sd, features["contact_time", Side.LEFT].n) == (
        pytest.approx(5),
        12,
    )
    assert features["duty_factor", Side.RIGHT].value == pytest.approx(36.6)


def test_contact_without_one_toe_off_is_no_step():
    placed = trial(
        events=[
            contact(10),  # toe-off missed
            contact(70),
            toe_off(88),
            toe_off(90),  # read twice
            contact(130),
            toe_off(150),
        ]
    )

    assert steps_of(placed, Side.RIGHT) == (Step(130, 150, None),)
    assert steps_of(placed, Side.LEFT) == ()


def test_times_become_the_nearest_frame():
    times = [
        Event(EventKind.CONTACT, Side.RIGHT, time_s=0.1),
        Event(EventKind.TOE_OFF, Side.RIGHT, time_s=0.351),
    ]

    assert steps_of(trial(events=times, frame_rate_hz=100.0), Side.RIGHT) == (Step(10, 35, None),)
    assert steps_of(trial(events=times), Side.RIGHT) == ()


def test_trial_of_another_view_gives_no_such_feature():
    placed = trial(frame(10), events=[contact(10), toe_off(22)])

    assert found(replace(placed, view=None)) == {}
