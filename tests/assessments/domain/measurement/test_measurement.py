"""One file as a whole: features of frames and events together, and films of one contact."""

import numpy as np
import pytest

from assessments.domain.events import Event, EventKind
from assessments.domain.measured import EventError
from assessments.domain.measurement import lone_contact, measurement, trial_features
from assessments.domain.vocabulary import Side
from tests.assessments.domain.measurement.trials import contact, frame, toe_off, trial

LEFT, RIGHT = Side.LEFT, Side.RIGHT
# 100 frames/s: steps of 0.36 s, contacts of 0.25 s
RUN = [
    event
    for step, side in enumerate([RIGHT, LEFT, RIGHT, LEFT])
    for event in (contact(10 + 36 * step, side), toe_off(35 + 36 * step, side))
]


def features(placed):
    return {(one.feature, one.side): one.measured for one in trial_features(placed)}


def test_frames_and_events_give_their_features():
    placed = trial(frame(10, shank=4), events=RUN, frame_rate_hz=100.0, speed_m_s=3.0)

    found = features(placed)

    assert found["shank_angle_contact", RIGHT].value == pytest.approx(4)
    assert found["cadence", Side.NONE].value == pytest.approx(60 / 0.36)
    for side in (LEFT, RIGHT):
        assert found["contact_time", side].value == pytest.approx(250)  # ms
        assert found["flight_time", side].value == pytest.approx(110)  # ms
        assert found["duty_factor", side].value == pytest.approx(100 * 25 / 72)  # %
        assert found["step_length", side].value == pytest.approx(0.36 * 3)  # m
    assert found["contact_time", LEFT].n == 2


def test_frames_alone_give_the_features_of_frames():
    placed = trial(frame(10, shank=4), events=[contact(10), toe_off(30)])

    assert set(features(placed)) == {
        ("shank_angle_contact", RIGHT),
        ("knee_flexion_contact", RIGHT),
        ("knee_flexion_stance_peak", RIGHT),
        ("heel_to_com", RIGHT),
    }


def test_events_that_contradict_each_other_are_refused():
    with pytest.raises(EventError, match="event 1"):
        measurement(trial(events=[contact(50), toe_off(20), contact(120)], frame_rate_hz=100.0))


@pytest.mark.parametrize(
    "events",
    [
        [contact(10)],
        [contact(10), contact(90)],
        [contact(10), toe_off(35, LEFT)],
        [toe_off(10), contact(35)],
    ],
)
def test_other_events_are_no_lone_contact(events):
    assert lone_contact(trial(events=events, frame_rate_hz=100.0)) is None


def test_lone_contact_by_time_has_no_known_error():
    events = [
        Event(EventKind.CONTACT, RIGHT, time_s=0.1),
        Event(EventKind.TOE_OFF, RIGHT, time_s=0.35),
    ]

    found = lone_contact(trial(events=events, frame_rate_hz=100.0))

    assert found.value == pytest.approx(0.25)
    assert np.isnan(found.sd)


def test_lone_contact_by_frame_needs_the_rate():
    assert lone_contact(trial(events=[contact(10), toe_off(35)])) is None
