"""The command `measure`: what it prints, where, and with which exit code.

Source: MEASUREMENT.md. Walking trial: Winter 2009, Appendix A; running: Fukuchi, Fukuchi & Duarte
2017, PeerJ 5:e3298, data 10.6084/m9.figshare.4543435, CC BY 4.0; simulated contact: check R6.
"""

import csv
import json
import subprocess
import sys
from io import StringIO
from pathlib import Path

import jsonschema
import pytest
from django.core.management import call_command

from tests.assessments.domain.measurement.trials import side_points

ROOT = Path(__file__).parents[2]
DATA = Path(__file__).parent / "domain" / "measurement" / "data"
SCHEMA = json.loads((ROOT / "fixtures" / "measurement.schema.json").read_text(encoding="utf-8"))
SIDE = {
    "view": "side",
    "facing": "right",
    "y_axis": "up",
    "scale_m_per_unit": 1,
    "click_sd": 0.002,
}


def table(name):
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.fixture
def run(tmp_path):
    """Exit code, stdout and stderr of the command for a value or for bytes."""

    def command(given):
        path = tmp_path / "trial.json"
        path.write_bytes(given if isinstance(given, bytes) else json.dumps(given).encode())
        out, err = StringIO(), StringIO()
        try:
            call_command("measure", str(path), stdout=out, stderr=err, no_color=True)
        except SystemExit as stop:
            return stop.code, out.getvalue(), err.getvalue()
        return 0, out.getvalue(), err.getvalue()

    return command


@pytest.fixture
def result(run):
    """The result of a file that the schema and the command take."""

    def of(given):
        jsonschema.validate(given, SCHEMA)
        code, out, err = run(given)
        assert (code, err) == (0, "")
        return json.loads(out)

    return of


def posed(**settings):
    points = {name: list(place) for name, place in side_points().items()}
    return {**SIDE, "frames": [{"frame": 28, "side": "right", "points": points}], **settings}


def values(result):
    return {code: one["value"] for code, one in result["frames"][0]["values"].items()}


def test_side_view_has_every_part_of_the_result(result):
    found = result(posed())

    assert list(found) == ["frames", "timing", "model", "warnings"]
    (frame,) = found["frames"]
    assert (frame["frame"], frame["side"]) == (28, "right")
    # the pose was made of these
    assert frame["values"]["trunk_lean"]["value"] == pytest.approx(8)
    assert frame["values"]["knee_flexion"]["value"] == pytest.approx(15)
    # check U3: root 2 s / L, in degrees
    assert frame["values"]["trunk_lean"]["sd"] == pytest.approx(
        2**0.5 * 0.002 / 0.5 * 57.29578, abs=1e-6
    )
    assert frame["missing"]["pelvic_drop"] == "view: only a back or front view shows this"
    assert found["timing"]["cadence"] == {
        "value": None,
        "sd": None,
        "n": 0,
        "left": None,
        "right": None,
    }
    assert found["timing"]["missed_events"] == []
    assert found["model"]["f_max"]["value"] is None


def test_mirrored_picture_with_facing_changed_gives_the_same(result):
    points = {name: [-x, y] for name, (x, y) in side_points().items()}
    mirrored = posed(facing="left", frames=[{"frame": 28, "side": "right", "points": points}])

    assert values(result(mirrored)) == pytest.approx(values(result(posed())), abs=1e-6)


def test_pixel_rows_growing_downward_give_the_same(result):
    points = {name: [500 * x, 900 - 500 * y] for name, (x, y) in side_points().items()}
    down = posed(
        y_axis="down",
        scale_m_per_unit=0.002,
        click_sd=1,
        frames=[{"frame": 28, "side": "right", "points": points}],
    )

    assert values(result(down)) == pytest.approx(values(result(posed())), abs=1e-6)


LANDMARKS = {
    "hip": "greater_trochanter",
    "knee": "lateral_femoral_epicondyle",
    "fib": "fibular_head",
    "ank": "lateral_malleolus",
}


# checks W1, W2 and W4: the knee by the fibula, the shank always by the epicondyle; 0.10 deg
def test_walking_trial_gives_the_angles_that_winter_printed(result):
    rows = table("winter_wm22_extract.csv")
    frames = [
        {
            "frame": int(row["frame"]),
            "side": "right",
            "points": {
                name: [float(row[f"fil_{short}_x_m"]), float(row[f"fil_{short}_y_m"])]
                for short, name in LANDMARKS.items()
            },
        }
        for row in rows
    ]

    found = result(SIDE | {"frames": frames})["frames"]

    assert len(found) == len(rows) > 10
    for row, frame in zip(rows, found, strict=True):
        measured = {code: one["value"] for code, one in frame["values"].items()}
        assert measured["shank_angle"] == pytest.approx(
            float(row["A3_theta_leg_deg"]) - 90, abs=0.10
        )
        assert measured["thigh_angle"] == pytest.approx(
            float(row["A3_theta_thigh_deg"]) - 90, abs=0.10
        )
        assert measured["knee_flexion"] == pytest.approx(float(row["A4_knee_deg"]), abs=0.10)


# check W12: frames 28 and 97 are heel contacts, 70 is toe-off, about 69.9 frames/s; 0.0005 s
def test_walking_trial_gives_the_times_of_its_labels(result):
    events = [
        {"kind": "contact", "side": "right", "frame": 28},
        {"kind": "toe_off", "side": "right", "frame": 70},
        {"kind": "contact", "side": "right", "frame": 97},
    ]

    timing = result({"events": events, "frame_rate_hz": 69.9})["timing"]

    assert timing["stride_time"]["value"] == pytest.approx(0.987, abs=5e-4)
    assert timing["contact_time"]["value"] == pytest.approx(0.601, abs=5e-4)
    assert timing["cadence"]["value"] == pytest.approx(121.6, abs=0.05)


# check R1: 77 contacts, 1e-3 (0.01 of a step a minute as the value is printed to two decimals)
def test_real_run_gives_the_times_computed_from_its_forces(result):
    events = []
    for row in table("run01_contacts.csv"):
        side = {"L": "left", "R": "right"}[row["side"]]
        events += [
            {"kind": "contact", "side": side, "time_s": float(row["start_s"])},
            {"kind": "toe_off", "side": side, "time_s": float(row["end_s"])},
        ]

    timing = result({"events": events, "speed_m_s": 2.5})["timing"]

    assert timing["cadence"]["value"] == pytest.approx(156.83, abs=0.01)
    assert timing["contact_time"]["value"] == pytest.approx(0.2800, abs=1e-3)
    assert timing["flight_time"]["value"] == pytest.approx(0.1026, abs=1e-3)
    assert timing["step_length"]["value"] == pytest.approx(0.9565, abs=1e-3)
    assert timing["stride_length"]["value"] == pytest.approx(1.9129, abs=1e-3)
    assert timing["duty_factor"]["value"] == pytest.approx(0.366, abs=1e-3)
    assert timing["contact_time"]["n"] == 77
    assert timing["missed_events"] == []


# check M2: 1e-3 relative
@pytest.mark.parametrize(
    "case", json.loads((DATA / "morin_2005_cases.json").read_text(encoding="utf-8"))["cases"]
)
def test_model_follows_from_the_events(result, case):
    contact, flight = case["contact_s"], case["flight_s"]
    events = [
        {"kind": "contact", "side": "left", "time_s": 0},
        {"kind": "toe_off", "side": "left", "time_s": contact},
        {"kind": "contact", "side": "right", "time_s": contact + flight},
    ]
    given = {"events": events, "mass_kg": case["mass_kg"], "speed_m_s": case["speed_m_s"]}

    model = result(given | {"leg_length_m": case["leg_m"]})["model"]

    expected = {
        "f_max": case["f_max_N"],
        "com_displacement": case["dy_m"],
        "leg_compression": case["dL_m"],
        "k_vert": case["k_vert_kN_m"],
        "k_leg": case["k_leg_kN_m"],
    }
    found = {code: model[code]["value"] for code in expected}
    assert found == pytest.approx(expected, rel=1e-3)


def test_leg_length_is_guessed_from_height_and_that_is_said(result):
    events = [
        {"kind": "contact", "side": "left", "time_s": 0},
        {"kind": "toe_off", "side": "left", "time_s": 0.25},
        {"kind": "contact", "side": "right", "time_s": 0.35},
    ]
    given = {"events": events, "mass_kg": 70, "speed_m_s": 3.33}

    by_height = result(given | {"height_m": 1.7})["model"]
    by_leg = result(given | {"leg_length_m": 0.53 * 1.7})["model"]

    assert by_height["k_leg"]["value"] == pytest.approx(by_leg["k_leg"]["value"])
    assert "leg length taken as 0.53 x height" in by_height["k_leg"]["warning"]
    assert "leg length taken as 0.53 x height" not in by_leg["k_leg"]["warning"]


# 8 METs on the level are 122.5 m/min by the running equation: check E1
def test_oxygen_cost_is_that_of_the_running_equation(result):
    cost = result({"speed_m_s": 122.5 / 60})["model"]["oxygen_cost"]

    assert cost["value"] == pytest.approx(8 * 3.5, abs=1e-6)
    assert cost["sd"] is None  # a file cannot say how exact its speed is
    assert "80 and 134 m/min" in cost["warning"]


def test_leg_too_short_for_the_way_run_is_said(result):
    events = [
        {"kind": "contact", "side": "left", "time_s": 0},
        {"kind": "toe_off", "side": "left", "time_s": 0.25},
        {"kind": "contact", "side": "right", "time_s": 0.35},
    ]

    found = result({"events": events, "mass_kg": 70, "speed_m_s": 9, "leg_length_m": 0.5})

    assert found["model"]["k_leg"]["value"] is None
    assert any("as long as the leg" in said for said in found["warnings"])


# check R6: 1e-4 s
def test_contact_of_a_simulated_run_is_read_from_its_times(result):
    events = [
        {"kind": "contact", "side": "right", "time_s": 0.3022},
        {"kind": "toe_off", "side": "right", "time_s": 0.5166},
    ]

    timing = result({"events": events})["timing"]

    assert timing["contact_time"]["value"] == pytest.approx(0.2144, abs=1e-4)
    assert timing["contact_time"]["right"] == pytest.approx(0.2144, abs=1e-4)
    assert (timing["contact_time"]["left"], timing["contact_time"]["sd"]) == (None, None)


@pytest.mark.parametrize("stance", ["left", "right"])
def test_back_view_gives_drop_and_eversion_of_the_stance_leg(result, stance):
    other = "left" if stance == "right" else "right"
    outer = 1 if stance == "right" else -1
    points = {
        f"{stance}_psis": [0.12 * outer, 1.02],
        f"{other}_psis": [-0.12 * outer, 1.0],
        # heel line leans in by 5 degrees (tan 5 = 0.0875) under an upright shank
        f"{stance}_heel_bottom": [0.1 * outer, 0.0],
        f"{stance}_heel_top": [(0.1 - 0.00875) * outer, 0.1],
        f"{stance}_shank_lower": [0.1 * outer, 0.15],
        f"{stance}_shank_upper": [0.1 * outer, 0.35],
    }
    given = SIDE | {"view": "back", "frames": [{"frame": 3, "side": stance, "points": points}]}

    found = values(result(given))

    assert found["pelvic_drop"] == pytest.approx(4.7636, abs=1e-3)  # atan(0.02 / 0.24)
    assert found["rearfoot_eversion"] == pytest.approx(5, abs=0.01)


@pytest.mark.parametrize("stance", ["left", "right"])
def test_front_view_gives_adduction_of_the_stance_leg(result, stance):
    other = "left" if stance == "right" else "right"
    outer = -1 if stance == "right" else 1  # the runner faces the camera
    points = {
        f"{stance}_asis": [0.12 * outer, 1.0],
        f"{other}_asis": [-0.12 * outer, 1.0],
        # 10 degrees inwards over 0.4 m
        f"{stance}_knee_centre": [(0.12 - 0.4 * 0.17633) * outer, 0.6],
        f"{other}_knee_centre": [-0.06 * outer, 0.6],
    }
    given = SIDE | {"view": "front", "frames": [{"frame": 3, "side": stance, "points": points}]}

    found = values(result(given))

    assert found["hip_adduction"] == pytest.approx(10, abs=0.01)
    assert found["knee_gap"] == pytest.approx(100 * (0.18 - 0.4 * 0.17633), abs=1e-3)


def test_missing_landmarks_are_listed_with_the_reason(result):
    points = posed()["frames"][0]["points"] | {"acromion": None}
    found = result(posed(frames=[{"frame": 28, "points": points}]))["frames"][0]

    assert found["side"] is None
    assert found["missing"]["trunk_lean"].startswith("acromion in frame 28: ")
    assert "trunk_lean" not in found["values"]


def test_empty_object_has_nothing_to_state(result):
    found = result({})

    assert (found["frames"], found["warnings"]) == ([], [])
    assert {row["value"] for row in found["model"].values()} == {None}


def test_frames_of_events_need_the_capture_rate(result):
    events = [{"kind": "contact", "side": side, "frame": 10} for side in ("left", "right")]

    found = result({"events": events})

    assert found["warnings"] == ["frame_rate_hz is not given, so events in frames have no times"]
    assert found["timing"]["cadence"]["value"] is None


def test_events_of_one_contact_have_no_steps(result):
    found = result({"events": [{"kind": "contact", "side": "left", "time_s": 0.2}]})

    assert found["warnings"] == ["fewer than two contacts: no steps to measure"]
    assert found["timing"]["contact_time"]["value"] is None


def test_film_that_begins_in_stance_has_no_contact_time(result):
    events = [
        {"kind": "toe_off", "side": "left", "frame": 10},
        {"kind": "contact", "side": "left", "frame": 80},
    ]

    found = result({"events": events, "frame_rate_hz": 120})

    assert found["timing"]["contact_time"]["value"] is None


# check U5: an interval of two frames has d / root 6
def test_contact_read_in_frames_has_the_error_of_two_frames(result):
    events = [
        {"kind": "contact", "side": "left", "frame": 10},
        {"kind": "toe_off", "side": "left", "frame": 25},
    ]

    timing = result({"events": events, "frame_rate_hz": 60})["timing"]["contact_time"]

    assert (timing["value"], timing["sd"]) == (
        pytest.approx(0.25),
        pytest.approx(0.006804, abs=1e-5),
    )


def test_same_file_gives_the_same_bytes(run):
    assert run(posed()) == run(posed())


def test_needs_no_database_and_writes_nothing(tmp_path):
    path = tmp_path / "trial.json"
    path.write_text(json.dumps(posed()), encoding="utf-8")
    environment = {"DATABASE_URL": "postgresql://nobody@localhost:1/none", "PATH": "/usr/bin"}

    done = subprocess.run(
        [sys.executable, "manage.py", "measure", str(path)],
        cwd=ROOT,
        env=environment | {"CLINIC_DATA": str(tmp_path / "data")},
        capture_output=True,
        check=False,
        text=True,
        timeout=120,
    )

    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["frames"][0]["frame"] == 28


@pytest.mark.parametrize(
    ("given", "lines"),
    [
        (b"{", [": this is no valid JSON: "]),
        (b'{"a": "\xff"}', [": is not UTF-8 at byte 7"]),
        ([], [": [] is not an object"]),
        (
            {"view": "above", "speed_m_s": 0, "colour": 1},
            [
                '/view: "above" is not allowed, allowed are side, back, front',
                "/speed_m_s: 0 must be above 0",
                "/colour: unknown key, allowed are ",
            ],
        ),
        (
            {"click_sd": -1, "standing_foot_deg": 46, "height_m": "1.8"},
            [
                "/click_sd: -1 must be at least 0",
                "/standing_foot_deg: 46 is outside the plausible range -45 to 45",
                '/height_m: "1.8" is not a number',
            ],
        ),
        (
            {"frames": [{"points": {"knee": [1, 2]}}, {"frame": 1.5, "points": {"heel": [1]}}]},
            [
                "/frames/0: frame is missing",
                '/frames/0/points/knee: "knee" is not allowed, allowed are tragus, c7, ',
                "/frames/1/frame: 1.5 is not a whole number",
                "/frames/1/points/heel: 1 items, needed are 2",
            ],
        ),
        (
            {"frames": [{"frame": 4, "points": {}}, {"frame": 4, "points": {}}]},
            ["/frames/1: frame 4, no side, stands at /frames/0 already"],
        ),
        (
            b'{"plumb_deg": NaN, "mass_kg": 1e400}',
            ["/plumb_deg: NaN is no", "/mass_kg: is beyond"],
        ),
        ({"scale_m_per_unit": 1e-12}, ["/scale_m_per_unit: is below 1E-9"]),
        (
            {"events": [{"kind": "contact", "side": "left"}]},
            ["/events/0: frame or time_s is miss"],
        ),
        (
            {
                "events": [
                    {"kind": "contact", "side": "left", "time_s": 1},
                    {"kind": "toe_off", "side": "left", "time_s": 0.7},
                    {"kind": "contact", "side": "left", "time_s": 1.7},
                ]
            },
            ["/events/1: toe_off of the left foot at 0.7 s: is out of order"],
        ),
        (
            {
                "events": [
                    {"kind": "contact", "side": "left", "time_s": 0.4},
                    {"kind": "toe_off", "side": "left", "time_s": 0.4},
                ]
            },
            ["/events/1: toe_off of the left foot at 0.4 s: is at the same time"],
        ),
    ],
)
def test_bad_file_is_refused_whole_with_every_error(run, given, lines):
    code, out, err = run(given)

    assert (code, out) == (2, "")
    printed = err.splitlines()
    assert len(printed) == len(lines)
    for line, start in zip(printed, lines, strict=True):
        assert line.startswith(start)


def test_file_that_is_not_there_is_refused(tmp_path):
    err = StringIO()

    with pytest.raises(SystemExit) as stop:
        call_command("measure", str(tmp_path / "none.json"), stderr=err, no_color=True)

    assert (stop.value.code, err.getvalue()) == (
        2,
        ": cannot be read: No such file or directory\n",
    )
