"""Times from marked events against published runs, random frame phases, and by hand."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assessments.domain.events import Event, EventKind, Limits
from assessments.domain.measured import EventError, Measured, SettingError
from assessments.domain.timing import (
    interval_sd,
    km_h,
    length_at,
    pace_min_km,
    pace_min_mile,
    speed_of_km_h,
    speed_of_pace,
    symmetry_angle,
    symmetry_index,
    timing,
    timing_measures,
)
from assessments.domain.vocabulary import Side

DATA = Path(__file__).parent / "data"
FEATURES = Path(__file__).parents[4] / "fixtures/features.csv"
SIDES = {"L": Side.LEFT, "R": Side.RIGHT}
CODES = {
    "cadence",
    "step_time",
    "stride_time",
    "contact_time",
    "flight_time",
    "duty_factor",
    "step_length",
    "stride_length",
    "contact_time_symmetry_index",
    "contact_time_symmetry_angle",
    "flight_time_symmetry_index",
    "flight_time_symmetry_angle",
    "step_time_symmetry_index",
    "step_time_symmetry_angle",
    "missed_events",
}


def rows_of(name):
    lines = [line for line in (DATA / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def at(kind, side, time):
    return Event(EventKind(kind), SIDES[side], time_s=time)


def seen(kind, side, frame):
    return Event(EventKind(kind), SIDES[side], frame=frame)


def run01():
    return [
        at(kind, row["side"], float(row[column]))
        for row in rows_of("run01_contacts.csv")
        for kind, column in (("contact", "start_s"), ("toe_off", "end_s"))
    ]


def made_run(steps=8, step=45, contact=30, first=10):
    """A made run in frames: contact and toe-off of left and right in turn."""
    return [
        seen(kind, "LR"[number % 2], first + number * step + later)
        for number in range(steps)
        for kind, later in (("contact", 0), ("toe_off", contact))
    ]


def values_of(rows):
    return [
        (code, row["value"], row["sd"], row["left"], row["right"])
        for code, row in rows.items()
        if code != "missed_events"
    ]


def test_walking_stride_of_one_foot():
    # W12: Winter 2009, WM22, right contact in frames 28 and 97, toe-off in 70, 69.9 frames/s;
    # stride 0.987 s, stance 0.601 s (60.9 %), cadence 121.6; 0.0005 s, half the last digit
    rows = {row["frame"]: row for row in rows_of("winter_wm22_extract.csv")}
    way = float(rows["97"]["fil_heel_x_m"]) - float(rows["28"]["fil_heel_x_m"])
    events = [seen("contact", "R", 28), seen("contact", "R", 97), seen("toe_off", "R", 70)]
    found = timing_measures(events, frame_rate_hz=69.9, speed_m_s=way / 0.987)

    assert found["stride_time"]["value"] == pytest.approx(0.987, abs=5e-4)
    assert found["contact_time"]["value"] == pytest.approx(0.601, abs=5e-4)
    assert found["duty_factor"]["value"] == pytest.approx(0.609, abs=5e-4)
    assert found["cadence"]["value"] == pytest.approx(121.6, abs=0.05)
    assert found["stride_length"]["value"] == pytest.approx(1.414, abs=0.002)
    assert found["step_time"]["value"] is None
    assert found["flight_time"]["value"] is None


def test_measured_run():
    # R1: Fukuchi, Fukuchi & Duarte 2017, run of 77 contacts at 2.5 m/s; 1e-3, of the cadence
    # half the last digit printed
    found = timing(run01(), speed_m_s=2.5).measures

    assert found["cadence"].together.value == pytest.approx(156.83, abs=5e-3)
    assert found["contact_time"].together.value == pytest.approx(0.2800, abs=1e-3)
    assert found["contact_time"].scatter == pytest.approx(0.0058, abs=1e-4)
    assert found["flight_time"].together.value == pytest.approx(0.1026, abs=1e-3)
    assert found["flight_time"].scatter == pytest.approx(0.0066, abs=1e-4)
    assert found["step_length"].together.value == pytest.approx(0.9565, abs=1e-3)
    assert found["stride_length"].together.value == pytest.approx(1.9129, abs=1e-3)
    assert found["duty_factor"].together.value == pytest.approx(0.366, abs=1e-3)
    assert found["contact_time"].together.n == 77
    assert found["contact_time"].variation == pytest.approx(2.06, abs=0.01)


def test_simulated_contact():
    # R6: rigid-body run of A. J. van den Bogert (International Society of Biomechanics): force
    # above 1 N from 0.3022 to 0.5166 s; 1e-4 s. The later contacts are made up to give a rate
    events = [at("contact", "R", 0.3022), at("toe_off", "R", 0.5166), at("contact", "R", 1.0)]

    found = timing_measures(events)["contact_time"]

    assert found["value"] == pytest.approx(0.2144, abs=1e-4)
    assert found["sd"] is None
    assert "not known" in found["method"]


def test_symmetry_index_of_the_run():
    # H3: Robinson 1987 (from memory): mean contact by side of the run, 1.36 %; 0.01
    case = json.loads((DATA / "scales.json").read_text())["symmetry_index"]["cases_computed_here"][
        0
    ]
    alone = symmetry_index(Measured(case["left"], 0.0), Measured(case["right"], 0.0))
    found = timing_measures(run01())["contact_time_symmetry_index"]

    assert alone.value == pytest.approx(case["si"], abs=0.01)
    assert found["value"] == pytest.approx(case["si"], abs=0.01)
    assert "Robinson" in found["method"]


def test_symmetry_angle():
    # Zifchock 2008: 0 when equal, 50 % when one side alone is there, sign turns with the sides
    even = symmetry_angle(Measured(2.0, 0.0), Measured(2.0, 0.0))
    far = symmetry_angle(Measured(1e-12, 0.0), Measured(1.0, 0.0))
    one, two = Measured(0.27, 0.0), Measured(0.29, 0.0)

    assert even.value == pytest.approx(0.0)
    assert far.value == pytest.approx(50.0)
    assert symmetry_angle(one, two).value == pytest.approx(-symmetry_angle(two, one).value)
    with pytest.raises(SettingError):
        symmetry_angle(Measured(0.0, 0.0), two)


@pytest.mark.parametrize("measure", [symmetry_index, symmetry_angle])
def test_symmetry_error_is_that_of_random_draws(measure):
    # 200 000 normal draws; 3 %
    draw = np.random.default_rng(5)
    left, right = draw.normal(0.27, 0.004, 200_000), draw.normal(0.30, 0.006, 200_000)
    if measure is symmetry_index:
        drawn = 200 * (right - left) / (right + left)
    else:
        drawn = (45 - np.degrees(np.arctan(left / right))) / 90 * 100
    found = measure(Measured(0.27, 0.004), Measured(0.30, 0.006))

    assert found.value == pytest.approx(np.mean(drawn), rel=0.01)
    assert found.sd == pytest.approx(np.std(drawn), rel=0.03)


def test_interval_error_of_the_case():
    # U5: contact of 0.2144 s at 60 frames/s; 1e-5 s
    case = json.loads((DATA / "uncertainty_cases.json").read_text())["interval_by_frames"][
        "cases"
    ][0]

    assert interval_sd(case["fps"], case["T_s"]) == pytest.approx(case["sd_s"], abs=1e-5)
    assert interval_sd(case["fps"]) == pytest.approx(case["mean_rule_s"], abs=1e-5)


@pytest.mark.parametrize("interval", [0.2, 0.2144, 0.25, 0.2777])
def test_interval_error_is_that_of_random_phases(interval):
    # 400 000 uniform phases at 60 frames/s; 3 %, and 1e-9 s where the interval is whole frames
    phase = np.random.default_rng(6).uniform(0, 1, 400_000)
    read = (np.floor(phase + interval * 60) - np.floor(phase)) / 60

    assert interval_sd(60, interval) == pytest.approx(np.std(read), rel=0.03, abs=1e-9)
    assert np.mean(read) == pytest.approx(interval, abs=5e-5)


def test_errors_of_read_events_are_those_of_random_phases():
    # true times of a run read as whole frames at 120/s, 20 000 uniform phases and durations;
    # 3 %: one contact, one stride's duty factor
    draw = np.random.default_rng(7)
    start = draw.uniform(0, 1, 20_000)
    contact, stride = draw.uniform(0.24, 0.32, 20_000), draw.uniform(0.70, 0.80, 20_000)
    read = [np.floor((start + more) * 120) for more in (0, contact, stride)]
    contact_read = (read[1] - read[0]) / 120
    duty_read = (read[1] - read[0]) / (read[2] - read[0])
    events = [seen("contact", "L", 0), seen("toe_off", "L", 34), seen("contact", "L", 90)]
    found = timing_measures(events, frame_rate_hz=120)

    assert found["contact_time"]["sd"] == pytest.approx(np.std(contact_read - contact), rel=0.03)
    assert found["duty_factor"]["sd"] == pytest.approx(
        np.std(duty_read - contact / stride), rel=0.03
    )
    assert found["stride_time"]["sd"] == pytest.approx(
        np.std((read[2] - read[0]) / 120 - stride), rel=0.03
    )
    cadence_read = 120 / ((read[2] - read[0]) / 120)
    assert found["cadence"]["sd"] == pytest.approx(np.std(cadence_read - 120 / stride), rel=0.03)


def test_mean_contact_error_is_that_of_random_phases():
    # 8 contacts of a made run, each read at its own random phase, 20 000 times; 3 %
    draw = np.random.default_rng(8)
    phase = draw.uniform(0, 1, (20_000, 8))
    contact = draw.uniform(29.5, 30.5, (20_000, 8))
    read = np.floor(phase + contact) - np.floor(phase)
    found = timing_measures(made_run(), frame_rate_hz=120)["contact_time"]

    assert found["sd"] == pytest.approx(np.std(np.mean(read - contact, axis=1)) / 120, rel=0.03)
    assert found["n"] == 8
    assert "root n" in found["method"]


def test_chained_steps_have_no_larger_error_than_stated():
    # neighbouring steps share a contact, so the rule of root n states too much, never too little
    draw = np.random.default_rng(9)
    first = draw.uniform(0, 1, 20_000)
    step = draw.uniform(44.5, 45.5, 20_000)
    read = (np.floor(first + 7 * step) - np.floor(first)) / 7
    found = timing_measures(made_run(), frame_rate_hz=120)["step_time"]

    assert np.std(read - step) / 120 < found["sd"]


def test_larger_of_the_two_errors_is_stated():
    # scatter of the measured run is larger than reading at 300/s: standard error, by definition
    found = timing(run01()).measures["contact_time"]
    standard = found.scatter / np.sqrt(77)

    assert found.together.sd == pytest.approx(standard)
    assert "standard error" in found.together.method


def test_made_run_by_hand():
    # by hand at 120 frames/s: step 45 frames 0.375 s, cadence 160, contact 0.25 s, flight 0.125 s
    found = timing_measures(made_run(), frame_rate_hz=120, speed_m_s=3.0)

    assert set(found) == CODES
    assert found["cadence"]["value"] == pytest.approx(160)
    assert found["cadence"]["left"] is None
    assert found["flight_time"]["value"] == pytest.approx(0.125)
    assert found["flight_time"]["left"] == pytest.approx(0.125)
    assert found["duty_factor"]["value"] == pytest.approx(1 / 3)
    assert found["step_length"]["value"] == pytest.approx(1.125)
    assert found["step_time_symmetry_index"]["value"] == pytest.approx(0.0, abs=1e-9)
    assert found["missed_events"] == []
    assert set(found["contact_time"]) == {"value", "sd", "n", "left", "right", "method"}


def test_sides_are_those_of_the_features():
    # features.csv: step to the contact of this foot; flight after the toe-off of this foot
    events = [
        seen("contact", "L", 0),
        seen("toe_off", "L", 30),
        seen("contact", "R", 40),
        seen("toe_off", "R", 72),
        seen("contact", "L", 90),
    ]
    found = timing_measures(events, frame_rate_hz=100)

    assert (found["step_time"]["right"], found["step_time"]["left"]) == (0.4, pytest.approx(0.5))
    assert found["flight_time"]["left"] == pytest.approx(0.10)
    assert found["flight_time"]["right"] == pytest.approx(0.18)
    assert found["contact_time"]["right"] == pytest.approx(0.32)


@pytest.mark.parametrize("gone", range(2, 14))
def test_missed_event_is_named_and_left_out(gone):
    events = made_run()
    lost = events[gone]
    whole = timing_measures(events, frame_rate_hz=120, speed_m_s=3.0)
    found = timing_measures(events[:gone] + events[gone + 1 :], frame_rate_hz=120, speed_m_s=3.0)
    (missed,) = found["missed_events"]

    assert (missed["fault"], missed["kind"], missed["side"]) == ("missed", lost.kind, lost.side)
    assert missed["frame"] is None
    assert missed["time_s"] == pytest.approx(lost.frame / 120, abs=1e-9)
    for code in ("cadence", "step_time", "stride_time", "contact_time", "flight_time"):
        assert found[code]["value"] == pytest.approx(whole[code]["value"]), code
        assert found[code]["n"] <= whole[code]["n"]


def test_whole_missed_step_is_named():
    events = made_run()
    found = timing_measures(events[:6] + events[8:], frame_rate_hz=120)

    assert [(one["kind"], one["side"], one["time_s"]) for one in found["missed_events"]] == [
        ("contact", "right", pytest.approx(145 / 120)),
        ("toe_off", "right", pytest.approx(175 / 120)),
    ]
    assert found["cadence"]["value"] == pytest.approx(160)


@pytest.mark.parametrize("twice", range(2, 14))
def test_doubled_event_is_named_and_left_out(twice):
    events = made_run()
    again = Event(events[twice].kind, events[twice].side, events[twice].frame + 2)
    found = timing_measures([*events[: twice + 1], again, *events[twice + 1 :]], frame_rate_hz=120)
    (doubled,) = found["missed_events"]

    assert doubled == {
        "fault": "doubled",
        "kind": again.kind,
        "side": again.side,
        "index": twice + 1,
        "frame": again.frame,
        "time_s": again.frame / 120,
    }
    for code, value in (("cadence", 160), ("contact_time", 0.25), ("flight_time", 0.125)):
        assert found[code]["value"] == pytest.approx(value), code
    assert found["contact_time"]["n"] == 7


def test_missed_steps_of_a_foot_alone():
    events = [seen("contact", "L", frame) for frame in (0, 90, 180, 360, 450)]
    found = timing_measures(events, frame_rate_hz=120)

    assert [(one["side"], one["index"], one["time_s"]) for one in found["missed_events"]] == [
        ("left", 2, 2.25)
    ]
    assert found["cadence"]["value"] == pytest.approx(160)
    assert found["contact_time"]["value"] is None


def test_film_may_begin_in_stance_once():
    events = made_run()[1:]
    early = seen("toe_off", "L", -50)

    assert timing_measures(events, frame_rate_hz=120)["missed_events"] == []
    (missed,) = timing_measures([early, *events], frame_rate_hz=120)["missed_events"]
    assert (missed["kind"], missed["side"], missed["index"]) == ("contact", "left", 0)


def test_contact_missed_after_the_other_foot_is_named_once():
    events = made_run()
    (missed,) = timing_measures(events[1:4] + events[5:], frame_rate_hz=120)["missed_events"]

    assert (missed["kind"], missed["side"], missed["time_s"]) == (
        "contact",
        "left",
        pytest.approx(100 / 120),
    )


def test_contacts_that_are_all_doubled_give_no_number():
    events = [seen("contact", "L", 0), seen("contact", "L", 2), seen("contact", "R", 45)]
    found = timing_measures(events, frame_rate_hz=120)

    assert found["cadence"]["value"] is None
    assert [one["fault"] for one in found["missed_events"]] == ["doubled"]


def test_errors_of_contact_and_flight_are_correlated_as_they_are_read():
    # -1/2 of three equal roundings, one shared with the other sign; the measured run as sampled
    rows = rows_of("run01_contacts.csv")
    start, end = (np.array([float(row[name]) for row in rows]) for name in ("start_s", "end_s"))
    sample = np.corrcoef((end - start)[:-1], start[1:] - end[:-1])[0, 1]

    assert timing(made_run(), frame_rate_hz=120).correlation == -0.5
    assert timing(run01()).correlation == pytest.approx(sample)
    assert timing(run01()[:4]).correlation == 0.0


def test_missed_last_contact_is_seen_by_its_toe_off():
    events = made_run()
    between = timing_measures(events[:-4] + events[-3:], frame_rate_hz=120)["missed_events"]
    at_the_end = timing_measures(events[:-2] + events[-1:], frame_rate_hz=120)["missed_events"]

    assert [(one["kind"], one["side"]) for one in between] == [("contact", "left")]
    assert [(one["kind"], one["side"]) for one in at_the_end] == [("contact", "right")]


def test_warnings_name_what_is_left_out():
    walk = [
        seen(kind, "LR"[number % 2], number * 60 + later)
        for number in range(6)
        for kind, later in (("contact", 0), ("toe_off", 70))
    ]
    events = sorted(walk, key=lambda event: event.frame)
    said = timing(events, frame_rate_hz=120).warnings

    assert "both feet on the ground" in said[-1]
    assert "contact time left 0.583 s is not one of running" in said[0]
    lost = timing(made_run()[:4] + made_run()[5:], frame_rate_hz=120).warnings
    assert lost[0].startswith("missed contact of the left foot near 0.833 s, event 2")


@pytest.mark.parametrize(
    ("events", "named"),
    [
        ([seen("contact", "L", 30), seen("toe_off", "L", 20)], "event 1.*frame 20"),
        (
            [seen("contact", "L", 0), seen("toe_off", "L", 95), seen("contact", "L", 90)],
            "event 2.*frame 90.*out of order",
        ),
        (
            [seen("contact", "L", 0), seen("contact", "L", 90), seen("toe_off", "L", 190)],
            "event 2.*frame 190.*longer than the stride",
        ),
        (
            [
                seen("contact", "L", 0),
                seen("contact", "L", 90),
                seen("contact", "L", 180),
                seen("toe_off", "L", 95),
                seen("toe_off", "L", 170),
            ],
            "event 4.*frame 170.*longer than the stride",
        ),
        ([seen("contact", "L", 0), seen("contact", "R", 10)], "event 1.*frame 10.*720 steps/min"),
        ([seen("contact", "L", 0), seen("contact", "R", 0)], "event 1.*frame 0.*no time"),
        ([seen("contact", "L", 0), seen("contact", "R", 400)], "event 1.*18 steps/min"),
        ([seen("contact", "L", 0), seen("toe_off", "L", 0)], "same time"),
        ([seen("contact", "L", 0)], "two or more"),
        ([], "two or more"),
        ([seen("contact", "L", None)], "neither a frame nor a time"),
        ([at("contact", "L", float("nan"))], "event 0.*finite"),
        ([Event(EventKind.CONTACT, Side.BOTH, 3)], "left or right"),
        (
            [seen("contact", "L", 0), seen("contact", "R", 54), seen("contact", "L", 110)],
            "cadence",
        ),
    ],
)
def test_events_that_cannot_be_are_refused(events, named):
    limits = Limits(cadence=(140, 240))
    with pytest.raises(EventError, match=named):
        timing(events, frame_rate_hz=120, limits=limits)


def test_frames_need_a_rate():
    with pytest.raises(EventError, match="capture rate"):
        timing(made_run())
    with pytest.raises(SettingError):
        timing(made_run(), frame_rate_hz=0)
    with pytest.raises(SettingError):
        timing(made_run(), frame_rate_hz=120, speed_m_s=-1)
    with pytest.raises(SettingError):
        Limits(cadence=(200, 100))
    with pytest.raises(EventError):
        interval_sd(60, -0.1)


def test_limits_are_those_of_the_features():
    with FEATURES.open(newline="") as file:
        rows = {row["code"]: row for row in csv.DictReader(file)}

    def limits_of(code, per):
        return tuple(float(rows[code][end]) / per for end in ("plausible_min", "plausible_max"))

    assert Limits() == Limits(
        limits_of("cadence", 1), limits_of("contact_time", 1000), limits_of("flight_time", 1000)
    )


def test_seconds_are_used_as_they_are():
    event = Event(EventKind.CONTACT, Side.LEFT, frame=999, time_s=0.5)
    found = timing_measures([event, at("contact", "R", 0.875)], frame_rate_hz=60)

    assert found["step_time"]["value"] == pytest.approx(0.375)
    assert found["step_time"]["sd"] is None


runs = st.builds(
    made_run,
    steps=st.integers(4, 12),
    step=st.integers(36, 54),
    contact=st.integers(20, 34),
    first=st.integers(-500, 500),
)


@settings(max_examples=50, deadline=None)
@given(runs, st.integers(2, 8))
def test_same_times_at_another_rate_are_the_same(events, times):
    finer = [Event(one.kind, one.side, one.frame * times) for one in events]
    here = timing_measures(events, frame_rate_hz=120)
    there = timing_measures(finer, frame_rate_hz=120 * times)

    for code in CODES - {"missed_events"}:
        assert there[code]["value"] == pytest.approx(here[code]["value"], abs=1e-9), code
    assert there["contact_time"]["sd"] == pytest.approx(here["contact_time"]["sd"] / times)


@settings(max_examples=50, deadline=None)
@given(runs, st.integers(-10_000, 10_000))
def test_shift_in_time_changes_nothing(events, shift):
    later = [Event(one.kind, one.side, one.frame + shift) for one in events]
    here, there = (timing_measures(some, frame_rate_hz=120) for some in (events, later))

    for code in CODES - {"missed_events"}:
        for part in ("value", "sd", "left", "right"):
            assert there[code][part] == pytest.approx(here[code][part], abs=1e-7), code


@settings(max_examples=50, deadline=None)
@given(runs)
def test_other_foot_turns_the_sides_and_the_symmetry(events):
    turned = {Side.LEFT: Side.RIGHT, Side.RIGHT: Side.LEFT}
    events = [*events[:-1], Event(events[-1].kind, events[-1].side, events[-1].frame + 2)]
    swapped = [Event(one.kind, turned[one.side], one.frame) for one in events]
    here, there = (timing_measures(some, frame_rate_hz=120) for some in (events, swapped))

    for code in CODES - {"missed_events"}:
        sign = -1 if "symmetry" in code else 1
        assert there[code]["value"] == pytest.approx(
            here[code]["value"] and sign * here[code]["value"]
        )
        assert (there[code]["left"], there[code]["right"]) == (
            here[code]["right"],
            here[code]["left"],
        )


def test_length_of_a_time():
    # by hand: root((3 x 0.01)^2 + (0.4 x 0.1)^2) = 0.05
    length = length_at(Measured(0.4, 0.01), 3.0, 0.1)
    several = length_at(Measured(np.array([0.4, 0.5]), np.array([0.01, 0.01])), 3.0)

    assert (length.value, length.sd) == (pytest.approx(1.2), pytest.approx(0.05))
    assert several.value == pytest.approx([1.2, 1.5])


def test_speed_and_pace():
    # by hand: 12 km/h is 5:00 a kilometre, 8:02.8 a mile
    assert km_h(10 / 3) == pytest.approx(12)
    assert speed_of_km_h(12) == pytest.approx(10 / 3)
    assert pace_min_km(10 / 3) == pytest.approx(5)
    assert speed_of_pace(5) == pytest.approx(10 / 3)
    assert pace_min_mile(10 / 3) == pytest.approx(8.04672)
    with pytest.raises(SettingError):
        pace_min_km(0)
