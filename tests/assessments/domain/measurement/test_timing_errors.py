"""The stated error of every time, length, ratio and asymmetry against runs read in frames.

200 made runs of random rate, step and contact; each is read as whole frames at random phases.
Errors of single readings agree with the scatter within 3 %; errors of means are never too small.
"""

import numpy as np
import pytest

from assessments.domain.events import Event, EventKind
from assessments.domain.measurement import TIMING_CODES
from assessments.domain.timing import timing
from assessments.domain.vocabulary import Side

RUNS, SPEED = 200, 3.0
# one contact is shared by both step times of three contacts, so their mean is stated too large
OF_MEANS = {"cadence", "step_time", "contact_time", "flight_time", "step_length"}


def made_events(draw, contacts):
    """True times in s of the contacts and toe-offs of a run without any scatter."""
    step, flight = draw.uniform(0.33, 0.40), draw.uniform(0.06, 0.12)
    first = draw.uniform(1, 2)
    return [
        (kind, (Side.LEFT, Side.RIGHT)[number % 2], first + number * step + after)
        for number in range(contacts)
        for kind, after in ((EventKind.CONTACT, 0.0), (EventKind.TOE_OFF, step - flight))
        if kind is EventKind.CONTACT or number < contacts - 1
    ]


def numbers(events, rate=None):
    """Value and error by code and foot."""
    found = timing(events, frame_rate_hz=rate, speed_m_s=SPEED)
    return {
        (code, foot): (float(one.value), float(one.sd))
        for code, sided in found.measures.items()
        for foot in ("together", "left", "right")
        if int((one := getattr(sided, foot)).n) and not (foot != "together" and "symm" in code)
    }


def ratios(contacts, readings):
    """Root mean square of true error over stated error, by code and foot."""
    draw = np.random.default_rng(11)
    squares = {}
    for _ in range(RUNS):
        rate = draw.choice([60.0, 120.0, 240.0])
        for _ in range(readings):
            true = made_events(draw, contacts)
            exact = numbers([Event(kind, side, time_s=time) for kind, side, time in true])
            read = [Event(kind, side, int(np.floor(time * rate))) for kind, side, time in true]
            for key, (value, sd) in numbers(read, rate).items():
                squares.setdefault(key, []).append(((value - exact[key][0]) / sd) ** 2)
    return {key: float(np.sqrt(np.mean(found))) for key, found in squares.items()}


@pytest.fixture(scope="module")
def single():
    return ratios(contacts=3, readings=20)


def test_every_timing_code_is_tried(single):
    assert {code for code, _ in single} == set(TIMING_CODES)


def test_errors_of_single_readings_agree_with_runs_read_at_random_phases(single):
    exact = {
        key: one for key, one in single.items() if key[1] != "together" or key[0] not in OF_MEANS
    }

    assert len(exact) == 20
    assert {key: one for key, one in exact.items() if abs(one - 1) > 0.03} == {}


def test_errors_of_means_are_never_too_small(single):
    many = ratios(contacts=9, readings=5)

    assert {key: one for key, one in many.items() if one > 1.03} == {}
    assert {key: one for key, one in single.items() if one > 1.03} == {}
