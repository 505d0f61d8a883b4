"""Why a feature did not come of what was placed."""

from dataclasses import replace

import pytest

from assessments.domain.camera import View
from assessments.domain.frame_results import frame_results
from assessments.domain.measured_features import FRAME_ROWS, TIMING_ROWS
from assessments.domain.measurement import trial_features
from assessments.domain.missing_features import missing_features
from assessments.domain.moments import Moment
from assessments.domain.placed import PlacedFrame, PlacedTrial
from assessments.domain.vocabulary import Side
from tests.assessments.domain.measurement.trials import (
    contact,
    frame,
    side_points,
    toe_off,
    trial,
)


def missing(placed, named=None):
    found = trial_features(placed, named)
    rows = missing_features(placed, frame_results(placed), found, named)
    return {(one.feature, one.side): str(one.reason) for one in rows}


def test_nothing_placed_names_every_row_of_the_view():
    said = missing(PlacedTrial(view=View.SIDE))

    rows = [row for row in FRAME_ROWS if row.view is View.SIDE] + list(TIMING_ROWS)
    assert {code for code, _ in said} == {row.feature for row in rows}
    assert said["trunk_lean", Side.NONE] == "frames: none shows midstance"
    assert said["knee_drive", Side.LEFT] == "frames: none shows swing of the left"
    assert said["foot_inclination", Side.LEFT] == "standing_foot_deg: is not given"
    assert said["cadence", Side.NONE] == "events: fewer than two contacts"
    assert said["contact_time", Side.RIGHT] == "events: fewer than two contacts of the right"


def test_without_a_view_only_events_are_named():
    said = missing(PlacedTrial())

    assert {code for code, _ in said} == {row.feature for row in TIMING_ROWS}


def test_what_was_found_is_not_missing():
    said = missing(trial(frame(10), events=[contact(10), toe_off(22)]))

    assert ("shank_angle_contact", Side.RIGHT) not in said
    assert ("shank_angle_contact", Side.LEFT) in said


def test_missing_landmark_is_the_reason_of_its_frame():
    points = side_points()
    del points["lateral_malleolus"]
    placed = trial(PlacedFrame(10, points, Side.RIGHT), events=[contact(10), toe_off(22)])

    assert missing(placed)["shank_angle_contact", Side.RIGHT].startswith(
        "lateral_malleolus in frame 10"
    )


def test_frame_of_no_side_gives_no_leg_its_value():
    placed = trial(PlacedFrame(10, side_points(), None))

    said = missing(placed, {(10, None): Moment.CONTACT})

    assert said["shank_angle_contact", Side.LEFT] == (
        "side: is not given, so the value belongs to no leg"
    )


@pytest.mark.parametrize(
    ("settings", "feature", "why"),
    [
        ({"frame_rate_hz": 120.0}, "step_length", "speed_m_s: is not given"),
        ({"speed_m_s": 3.0}, "cadence", "frame_rate_hz: is not given"),
        (
            {"frame_rate_hz": 120.0, "speed_m_s": 3.0},
            "flight_time",
            "events: too few of them follow one another",
        ),
    ],
)
def test_events_that_give_nothing_say_why(settings, feature, why):
    events = [contact(0), toe_off(30), contact(90)]
    side = Side.NONE if feature == "cadence" else Side.RIGHT

    assert missing(replace(trial(events=events), **settings))[feature, side] == why
