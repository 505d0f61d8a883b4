"""Measuring a trial from its frames, through the page."""

import json
from datetime import timedelta
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, connection, transaction
from django.urls import reverse

from assessments.domain.measurement import trial_features
from assessments.editions import tables_of
from assessments.models import Assessment, Feature, Observation, Placement
from assessments.services.assessments import sign_assessment
from assessments.services.placements import placed_trial
from assessments.services.seals import assessment_seal
from clinic.models import TrailEntry
from tests.assessments.domain.measurement.published import rows
from tests.assessments.domain.measurement.trials import side_points
from tests.factories import SiteFactory, StaffFactory
from tests.factories.consult import make_assessment, make_history, observe

pytestmark = pytest.mark.django_db
# a made run at 240 frames a second: steps of 88 frames, contact of 60
USUAL = {"y_axis": "down", "segment_table": "de_leva"}
EVENTS = {
    "left_contacts": "0, 176, 352",
    "left_toe_offs": "60, 236, 412",
    "right_contacts": "88, 264, 440",
    "right_toe_offs": "148, 324, 500",
}


@pytest.fixture
def assessment(edition):
    return make_assessment(edition=edition)


@pytest.fixture
def trial(assessment):
    return assessment.trials.get()


@pytest.fixture
def browser(client, assessment):
    client.force_login(assessment.clinician)
    return client


def address(trial):
    return reverse("trial-measure", args=[trial.pk])


def send(browser, trial, part, data, view="side", seen=0):
    return browser.post(
        address(trial), {"part": part, "view": view, "seen": seen, **data}, follow=True
    )


def newest(trial, view="side"):
    return Placement.objects.newest(trial, view)


def put(browser, trial, view="side", **more):
    """Press the button, with what the page has seen of each answer."""
    page = browser.get(address(trial), {"view": view})
    offers = page.context["preview"].offers
    seen = {f"{one.key}.seen": one.seen for one in offers}
    return send(browser, trial, "put", seen | more, view, newest(trial, view).version)


def stored(assessment):
    return {
        (one.feature_id, one.side): one
        for one in Observation.objects.filter(assessment=assessment)
    }


def posed(numbers, **settings):
    """A measurement of made poses in pixels, a quarter of a centimetre each."""
    frames = [
        {
            "frame": number,
            "side": "right",
            "points": {
                name: [round(400 * x + 500, 3), round(900 - 400 * y, 3)]
                for name, (x, y) in side_points(trunk=8 + number / 200).items()
            },
        }
        for number in numbers
    ]
    usual = {"facing": "right", "y_axis": "down", "scale_m_per_unit": 0.0025, "click_sd": 2}
    return {**usual, "frames": frames, **settings}


def shown(page):
    return {one.key: one.words for one in page.context["preview"].offers}


def errors(page):
    return {
        name: [str(one) for one in found]
        for form in page.context["forms"].values()
        for name, found in form.errors.items()
    }


def test_events_give_times_with_their_errors(browser, trial):
    page = send(browser, trial, "events", EVENTS)

    assert shown(page)["o.cadence.none"].startswith("163.6")  # 60 x 240 / 88
    # 60 frames; error of two readings, 1000 / 240 / root 6, over root 3
    assert shown(page)["o.contact_time.left"] == "250.0 ± 1.0 ms"
    assert newest(trial).version == 1
    assert newest(trial).saved_by == trial.assessment.clinician


def test_one_press_writes_value_error_method_and_steps(browser, assessment, trial):
    send(browser, trial, "events", EVENTS)
    page = put(browser, trial)

    row = stored(assessment)["contact_time", "left"]
    assert (row.value, row.method, row.steps) == (250, "video_2d", 3)
    assert row.sd == Decimal("0.9821")
    assert "9 values put into the assessment" in page.content.decode()


def test_measured_run_is_stored_as_published(browser, assessment, trial):
    # check R1: Fukuchi, Fukuchi & Duarte 2017, 77 contacts at 2.5 m/s; 1e-3 s and m, here with
    # half the last digit that a feature keeps
    trial.speed_m_s = Decimal("2.5")
    trial.save()
    events = []
    for row in rows("run01_contacts.csv"):
        side = {"L": "left", "R": "right"}[row["side"]]
        events += [
            {"kind": "contact", "side": side, "time_s": float(row["start_s"])},
            {"kind": "toe_off", "side": side, "time_s": float(row["end_s"])},
        ]
    send(browser, trial, "file", {"text": json.dumps({"events": events})})
    put(browser, trial)

    found = stored(assessment)
    mean = {
        code: sum(float(found[code, side].value) for side in ("left", "right")) / 2
        for code in ("contact_time", "flight_time", "step_length", "duty_factor")
    }
    assert float(found["cadence", "none"].value) == pytest.approx(156.83, abs=0.5)
    assert mean["contact_time"] == pytest.approx(280.0, abs=1.5)
    assert mean["flight_time"] == pytest.approx(102.6, abs=1.5)
    assert mean["step_length"] == pytest.approx(0.9565, abs=6e-3)
    assert mean["duty_factor"] == pytest.approx(36.6, abs=0.15)
    assert sum(found["contact_time", side].steps for side in ("left", "right")) == 77


LANDMARKS = {
    "hip": "greater_trochanter",
    "knee": "lateral_femoral_epicondyle",
    "fib": "fibular_head",
    "ank": "lateral_malleolus",
}


def test_walking_trial_is_stored_as_winter_printed(browser, assessment, trial):
    # checks W1, W4, W12: Winter 2009, Tables A.3 and A.4; contact in frame 28, toe-off in frame
    # 70; 0.10 deg, here with half the last digit that a feature keeps
    trial.frame_rate_hz = Decimal("69.9")
    trial.save()
    table = rows("winter_wm22_extract.csv")
    frames = [
        {
            "frame": int(row["frame"]),
            "side": "right",
            "points": {
                name: [float(row[f"fil_{short}_x_m"]), float(row[f"fil_{short}_y_m"])]
                for short, name in LANDMARKS.items()
            },
        }
        for row in table
    ]
    events = [
        {"kind": kind, "side": "right", "frame": at}
        for kind, at in (("contact", 28), ("toe_off", 70), ("contact", 97))
    ]
    content = {"facing": "right", "y_axis": "up", "scale_m_per_unit": 1, "click_sd": 0.002}
    send(
        browser,
        trial,
        "file",
        {"text": json.dumps({**content, "frames": frames, "events": events})},
    )
    put(browser, trial)

    by_frame = {int(row["frame"]): row for row in table}
    found = stored(assessment)
    assert float(found["shank_angle_contact", "right"].value) == pytest.approx(
        float(by_frame[28]["A3_theta_leg_deg"]) - 90, abs=0.15
    )
    assert float(found["knee_flexion_contact", "right"].value) == pytest.approx(
        float(by_frame[28]["A4_knee_deg"]), abs=0.15
    )
    peak = max(float(row["A4_knee_deg"]) for at, row in by_frame.items() if 28 <= at <= 70)
    assert float(found["knee_flexion_stance_peak", "right"].value) == pytest.approx(peak, abs=0.15)
    drive = max(float(row["A3_theta_thigh_deg"]) for at, row in by_frame.items() if 70 < at < 97)
    assert float(found["knee_drive", "right"].value) == pytest.approx(drive - 90, abs=0.15)
    # walking: 0.601 s lies beyond what running allows, so it is refused and not stored
    assert ("contact_time", "right") not in found


@pytest.mark.parametrize("step", [1, 3, 7])
def test_what_is_stored_is_what_the_domain_computes(browser, assessment, trial, step):
    contacts = [0, 176, 352]
    events = [
        {"kind": kind, "side": side, "frame": at + (88 if side == "right" else 0) + off}
        for side in ("left", "right")
        for at in contacts
        for kind, off in (("contact", 0), ("toe_off", 60 + step))
    ]
    content = posed(range(88, 150, step), events=events, standing_foot_deg=4)
    send(browser, trial, "file", {"text": json.dumps(content)})
    put(browser, trial)

    placement = newest(trial)
    features = tables_of(assessment.edition_id).features
    expected = {
        (one.feature, one.side.value): one.observation("t1", features[one.feature].decimals)
        for one in trial_features(placed_trial(placement.content, trial))
    }
    found = stored(assessment)
    assert len(expected) >= 14
    assert {key: (row.value, row.sd) for key, row in found.items()} == {
        key: (one.value, one.sd) for key, one in expected.items()
    }


def test_value_given_by_hand_stays_until_it_is_chosen(browser, assessment, trial):
    observe(assessment, "contact_time", "left", value=Decimal(231), method="sensor")
    send(browser, trial, "events", EVENTS)

    page = put(browser, trial)
    assert "1 given by hand kept" in page.content.decode()
    assert stored(assessment)["contact_time", "left"].value == 231

    put(browser, trial, **{"o.contact_time.left.over": "take"})
    row = stored(assessment)["contact_time", "left"]
    assert (row.value, row.method) == (250, "video_2d")


def test_not_seen_is_an_answer_by_hand(browser, assessment, trial):
    observe(assessment, "contact_time", "left", not_seen=True)
    send(browser, trial, "events", EVENTS)
    put(browser, trial)

    assert stored(assessment)["contact_time", "left"].not_seen


def test_grade_stays_beside_a_computed_value(browser, assessment, trial):
    observe(assessment, "hip_hinge_angle", grade=2, method="by_eye")
    content = posed([90], events=[])
    send(browser, trial, "file", {"text": json.dumps(content)})
    send(browser, trial, "frame", frame_data(trial, 90, moment="midstance"), seen=1)
    put(browser, trial)

    row = stored(assessment)["hip_hinge_angle", "none"]
    assert (row.grade, row.method, row.steps) == (2, "video_2d", 1)
    assert row.value is not None


def frame_data(trial, number, **more):
    """What the form of one stored frame sends."""
    frame = next(
        one for one in json.loads(newest(trial).content)["frames"] if one["frame"] == number
    )
    points = {
        f"{name}.{axis}": str(place)
        for name, at in frame["points"].items()
        for axis, place in zip("xy", at, strict=True)
    }
    return {"frame": number, "side": frame.get("side", ""), **points, **more}


def test_computed_value_is_computed_anew_without_asking(browser, assessment, trial):
    send(browser, trial, "events", EVENTS)
    put(browser, trial)
    send(browser, trial, "events", EVENTS | {"left_toe_offs": "62, 238, 414"}, seen=1)
    put(browser, trial)

    row = stored(assessment)["contact_time", "left"]
    assert (row.value, row.version) == (258, 2)


def test_answer_that_somebody_changed_meanwhile_is_not_written_over(browser, assessment, trial):
    send(browser, trial, "events", EVENTS)
    put(browser, trial)
    page = browser.get(address(trial))
    seen = {f"{one.key}.seen": one.seen for one in page.context["preview"].offers}
    send(browser, trial, "events", EVENTS | {"left_toe_offs": "62, 238, 414"}, seen=1)
    Observation.objects.filter(feature="contact_time", side="left").update(value=244)

    page = send(browser, trial, "put", seen, seen=2)

    assert page.status_code == 422
    assert "saved “244”" in page.content.decode()
    assert stored(assessment)["contact_time", "left"].value == 244


def test_value_beyond_its_limits_is_refused_with_the_reason(browser, assessment, trial):
    content = posed([88, 118, 148], events=[], standing_foot_deg=0)
    for frame in content["frames"]:
        x, y = frame["points"]["acromion"]
        frame["points"]["acromion"] = [x + 300, y + 120]
    send(browser, trial, "file", {"text": json.dumps(content)})
    send(browser, trial, "frame", frame_data(trial, 118, moment="midstance"), seen=1)

    page = put(browser, trial)

    assert page.status_code == 422
    assert "lies outside what is possible" in page.content.decode()
    assert ("trunk_lean", "none") not in stored(assessment)


def test_steps_of_the_trial_are_set_or_asked_for(browser, trial):
    send(browser, trial, "events", EVENTS)
    put(browser, trial)
    trial.refresh_from_db()
    assert trial.steps_averaged == 10  # given by hand

    put(browser, trial, **{"steps.over": "take"})
    trial.refresh_from_db()
    assert trial.steps_averaged == 2

    trial.steps_averaged = None
    trial.save()
    put(browser, trial)
    trial.refresh_from_db()
    assert trial.steps_averaged == 2


def test_frame_is_added_changed_and_removed(browser, trial):
    data = {
        "frame": "30",
        "side": "right",
        "moment": "contact",
        "heel.x": "412,5",
        "heel.y": "871",
    }
    send(browser, trial, "frame", data)
    first = newest(trial)
    send(browser, trial, "frame", {**data, "heel.x": "413"}, seen=1)
    second = newest(trial)
    send(browser, trial, "frame", {**data, "remove": "yes"}, seen=2)

    assert json.loads(first.content)["frames"] == [
        {"frame": 30, "side": "right", "points": {"heel": [412.5, 871.0]}}
    ]
    assert first.moments == [[30, "right", "contact"]]
    assert json.loads(second.content)["frames"][0]["points"]["heel"] == [413.0, 871.0]
    assert (json.loads(newest(trial).content)["frames"], newest(trial).moments) == ([], [])
    assert [one.version for one in Placement.objects.order_by("version")] == [1, 2, 3]


def test_landmarks_that_came_with_a_file_stay(browser, trial):
    points = {"left_asis": [1, 2], "left_psis": [3, 4]}
    content = {"frames": [{"frame": 5, "side": "left", "points": points}]}
    send(browser, trial, "file", {"text": json.dumps(content)}, view="back")
    data = {"frame": "5", "side": "left", "left_psis.x": "9", "left_psis.y": "4"}
    send(browser, trial, "frame", data, view="back", seen=1)

    (frame,) = json.loads(newest(trial, "back").content)["frames"]
    assert frame["points"] == {"left_asis": [1, 2], "left_psis": [9.0, 4.0]}


def test_camera_gives_scale_and_keeps_it(browser, trial):
    camera = {"y_axis": "down", "segment_table": "de_leva", "facing": "left", "plumb_deg": "0.5"}
    send(
        browser, trial, "camera", {**camera, "known_px": "400", "known_cm": "100", "click_sd": "2"}
    )
    first = json.loads(newest(trial).content)
    send(browser, trial, "camera", {**camera, "leg_length_m": "0,91"}, seen=1)

    second = json.loads(newest(trial).content)
    assert first["scale_m_per_unit"] == 0.0025  # 100 cm are 400 pixels
    assert (first["click_sd"], first["facing"], first["plumb_deg"]) == (2.0, "left", 0.5)
    assert (second["scale_m_per_unit"], second["leg_length_m"]) == (0.0025, 0.91)
    assert "click_sd" not in second


def test_mass_and_height_come_from_the_record(browser, assessment, trial):
    assessment.history = make_history(
        assessment.client, assessment.clinician, mass_kg=Decimal(62), height_m=Decimal("1.81")
    )
    assessment.save()
    page = send(browser, trial, "events", EVENTS)

    content = json.loads(newest(trial).content)
    assert (content["mass_kg"], content["height_m"]) == (62.0, 1.81)
    assert (content["frame_rate_hz"], content["speed_m_s"]) == (240.0, 3.2)
    model = {one.label: one for one in page.context["preview"].model}
    assert model["Leg stiffness, by the model"].words.endswith("kN/m")
    assert "0.53" in model["Leg stiffness, by the model"].said


def test_missed_and_doubled_events_are_named(browser, trial):
    page = send(
        browser,
        trial,
        "events",
        {
            "left_contacts": "0, 176, 178, 352, 528",
            "left_toe_offs": "60, 236, 412, 588",
            "right_contacts": "88, 264, 440, 616",
            "right_toe_offs": "148, 500, 676",
        },
    )

    faults = page.context["preview"].faults
    assert any(one.startswith("Doubled contact of the left foot") for one in faults)
    assert any(one.startswith("Missed toe-off of the right foot") for one in faults)


def test_what_is_missing_has_its_reason(browser, trial):
    page = send(browser, trial, "file", {"text": json.dumps(posed([100]))})

    missing = {one.label: one.said for one in page.context["preview"].missing}
    names = {one.pk: one.name for one in Feature.objects.all()}
    assert missing[names["trunk_lean"]] == "frames: none shows midstance"
    assert missing[f"{names['knee_drive']}, left"] == "frames: none shows swing of the left"
    assert (
        missing[f"{names['foot_inclination']}, right"]
        == "foot angle in quiet standing: is not given"
    )
    assert missing[names["cadence"]] == "events: fewer than two contacts"


@pytest.mark.parametrize(
    ("part", "data", "field", "words"),
    [
        ("events", {"left_contacts": "28, x2"}, "left_contacts", "“x2” is no frame number"),
        ("events", {"left_contacts": "28, -2"}, "left_contacts", "“-2” is no frame number"),
        ("events", {"left_contacts": "9" * 12}, "left_contacts", "is no frame number"),
        (
            "events",
            {"left_contacts": " ".join(map(str, range(401)))},
            "left_contacts",
            "400 events at most",
        ),
        (
            "events",
            {"left_contacts": "0, 176", "right_contacts": "440, 88"},
            "right_contacts",
            "out of order",
        ),
        ("camera", USUAL | {"known_px": "4"}, "known_cm", "in pixels and in cm"),
        ("camera", USUAL | {"plumb_deg": "60"}, "plumb_deg", "45"),
        ("camera", USUAL | {"leg_length_m": "0"}, "leg_length_m", "above 0"),
        ("camera", USUAL | {"click_sd": "1e400"}, "click_sd", "1000"),
        ("camera", {"segment_table": "de_leva"}, "y_axis", "Choose one"),
        ("frame", {"heel.x": "1", "heel.y": "1"}, "frame", "Fill this in"),
        ("frame", {"frame": "3", "heel.x": "1"}, "heel.y", "Give both x and y"),
        ("frame", {"frame": "3", "heel.x": "1", "heel.y": "abc"}, "heel.y", "Write a number"),
        ("frame", {"frame": "3", "heel.x": "1", "heel.y": "1e10"}, "heel.y", "100000"),
        ("file", {}, "file", "Choose a file"),
        ("file", {"text": "{"}, "text", "this is no valid JSON"),
        ("file", {"text": "[]"}, "text", "not a JSON object"),
        ("file", {"text": '{"view": "back"}'}, "text", "this page is for the view from the side"),
        ("file", {"text": '{"frames": [{"points": {}}]}'}, "text", "/frames/0: frame is missing"),
        ("file", {"text": '{"frame_rate_hz": 120}'}, "text", "/frame_rate_hz: frames a"),
        (
            "file",
            {"text": json.dumps({"events": [{"kind": "contact", "side": "left"}]})},
            "text",
            "/events/0: frame or time_s is missing",
        ),
        ("file", {"text": "x" * 1_000_001}, "text", "1000 kB at most"),
    ],
)  # fmt: skip
def test_bad_input_is_refused_beside_its_field(browser, trial, part, data, field, words):
    page = send(browser, trial, part, data)

    assert page.status_code == 422
    assert any(words in one for one in errors(page)[field]), errors(page)
    assert not Placement.objects.exists()
    for name, text in data.items():  # nothing that was typed is lost
        if name in page.context["forms"][part].fields and len(text) < 100:
            assert page.context["forms"][part][name].value() == text


def test_file_is_read_and_its_encoding_checked(browser, trial):
    good = SimpleUploadedFile("m.json", json.dumps(posed([1])).encode())
    send(browser, trial, "file", {"file": good})
    assert newest(trial).version == 1

    bad = SimpleUploadedFile("m.json", b"\xff{}")
    page = send(browser, trial, "file", {"file": bad}, seen=1)
    assert "not UTF-8" in errors(page)["file"][0]
    both = SimpleUploadedFile("m.json", b"{}")
    page = send(browser, trial, "file", {"file": both, "text": "{}"}, seen=1)
    assert "not both" in errors(page)["text"][0]


def test_older_version_is_not_saved_over(browser, trial):
    send(browser, trial, "events", EVENTS)

    page = send(browser, trial, "events", EVENTS | {"left_contacts": "0, 176"})

    assert "meanwhile" in errors(page)["__all__"][0]
    assert newest(trial).version == 1


def test_same_content_sent_twice_counts_once(browser, trial):
    first = send(browser, trial, "events", EVENTS)
    again = send(browser, trial, "events", EVENTS)

    assert (first.status_code, again.status_code) == (200, 200)
    assert Placement.objects.count() == 1


def test_stored_frame_comes_back_to_be_changed(browser, trial):
    data = {
        "frame": "30",
        "side": "right",
        "moment": "contact",
        "heel.x": "412,5",
        "heel.y": "871",
    }
    send(browser, trial, "frame", data)

    form = browser.get(address(trial), {"frame": 30, "side": "right"}).context["forms"]["frame"]
    assert (form["heel.x"].value(), form["moment"].value()) == (412.5, "contact")
    other = browser.get(address(trial), {"frame": 30, "side": "left"}).context["forms"]["frame"]
    assert (other["heel.x"].value(), other["frame"].value()) == (None, None)


def test_impossible_rate_is_refused(browser, trial):
    slow = {"left_contacts": "0, 400, 800", "right_contacts": "200, 600, 1000"}
    page = send(browser, trial, "events", slow)  # 72 steps a minute

    assert page.status_code == 422
    said = [one for found in errors(page).values() for one in found]
    assert len(said) == 1
    assert "impossible" in said[0], said
    assert not Placement.objects.exists()


def test_too_many_frames_are_refused(browser, trial):
    frames = [{"frame": number, "points": {}} for number in range(1001)]
    page = send(browser, trial, "file", {"text": json.dumps({"frames": frames})})

    assert "/frames: 1000 at most" in errors(page)["text"]


def test_value_that_the_page_has_not_shown_is_left_alone(browser, assessment, trial):
    send(browser, trial, "events", EVENTS)
    send(browser, trial, "put", {"o.cadence.none.seen": "0;;;;"}, seen=1)

    assert set(stored(assessment)) == {("cadence", "none")}


def test_unknown_part_changes_nothing(browser, trial):
    assert send(browser, trial, "other", {}).status_code == 422
    assert send(browser, trial, "put", {}).status_code == 200
    assert not Placement.objects.exists()


def test_values_of_an_older_version_are_not_put(browser, assessment, trial):
    send(browser, trial, "events", EVENTS)
    send(browser, trial, "events", EVENTS, seen=1)

    page = send(browser, trial, "put", {"o.cadence.none.seen": "0;;;;"}, seen=1)

    assert "saved meanwhile" in page.content.decode()
    assert stored(assessment) == {}


def test_trial_that_changed_must_be_saved_again(browser, assessment, trial):
    send(browser, trial, "events", EVENTS)
    trial.refresh_from_db()
    trial.frame_rate_hz = Decimal(120)
    trial.save()

    page = browser.get(address(trial))
    assert page.context["preview"].errors[0].pointer == "/frame_rate_hz"
    page = send(browser, trial, "put", {"o.cadence.none.seen": "0;;;;"}, seen=1)
    assert "make the two agree" in page.content.decode()
    assert stored(assessment) == {}

    page = send(browser, trial, "events", EVENTS | {"left_contacts": "0, 80"}, seen=1)
    assert "frame_rate_hz" not in str(errors(page))


def test_signed_assessment_takes_nothing_more(browser, assessment, trial):
    send(browser, trial, "events", EVENTS)
    put(browser, trial)
    sign_assessment(
        assessment=Assessment.objects.get(pk=assessment.pk), findings=[], by=assessment.clinician
    )

    page = browser.get(address(trial))
    assert b"Put these values" not in page.content
    assert shown(page)["o.contact_time.left"] == "250.0 ± 1.0 ms"
    page = send(browser, trial, "events", EVENTS, seen=1)
    assert "signed" in errors(page)["__all__"][0]
    page = send(browser, trial, "put", {"o.cadence.none.seen": "0;;;;"}, seen=1)
    assert "signed" in page.content.decode()


def test_placement_is_in_the_seal(browser, assessment, trial):
    before = assessment_seal(assessment)
    send(browser, trial, "events", EVENTS)

    assert assessment_seal(assessment) != before


def test_saving_and_putting_are_in_the_trail(browser, trial):
    browser.get(address(trial))
    send(browser, trial, "events", EVENTS)
    put(browser, trial)

    lines = [
        (one.action, one.object_kind, one.detail) for one in TrailEntry.objects.order_by("pk")
    ]
    assert ("view", "trial", {}) in lines
    saved = {"view": "side", "placement": 1, "frames": 0, "events": 12}
    assert ("change", "trial", saved) in lines
    assert any("o.contact_time.left" in detail.get("answers", {}) for _, _, detail in lines)


def test_colleague_of_another_site_finds_nothing(client, trial):
    client.force_login(StaffFactory(home_site=SiteFactory(code="HB", name="Harbour")))

    assert client.get(address(trial)).status_code == 404
    assert client.post(address(trial), {"part": "events"}).status_code == 404


@pytest.mark.parametrize("count", [1, 40])
def test_page_asks_the_same_number_of_questions(browser, trial, count, django_assert_num_queries):
    send(browser, trial, "file", {"text": json.dumps(posed(range(count), events=[]))})

    with django_assert_num_queries(15):
        page = browser.get(address(trial))

    assert len(page.context["frames"]) == count


def changed(trial):
    Placement.objects.update(content="{}")


def removed(trial):
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM assessments_placement")


def out_of_order(trial):
    again(trial, version=5)


def elsewhere(trial):
    again(trial, site=SiteFactory(code="QY", name="Quayside"))


def after_signing(trial):
    sign_assessment(assessment=trial.assessment, findings=[], by=trial.assessment.clinician)
    again(trial)


def again(trial, **fields):
    row = newest(trial)
    row.pk, row.version = None, row.version + 1
    for name, value in fields.items():
        setattr(row, name, value)
    row.save(force_insert=True)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (changed, "fixed"),
        (removed, "never deleted"),
        (out_of_order, "does not follow"),
        (elsewhere, "differs"),
        (after_signing, "signed"),
    ],
)
def test_database_refuses(browser, trial, wrong, words, deleting_refused):
    send(browser, trial, "events", EVENTS)
    trial.refresh_from_db()

    with pytest.raises(IntegrityError, match=words), transaction.atomic():
        wrong(trial)


def test_error_stands_beside_the_value_now_and_next_time(browser, assessment, trial, edition):
    send(browser, trial, "events", EVENTS)
    put(browser, trial)
    words = "± 1.0 ms, from frames, mean of 3 steps"
    page = browser.get(reverse("assessment-open", args=[assessment.pk])).content.decode()
    assert page.count(words) == 3  # contact of both feet, flight of the left
    assert page.count("± 1.2 ms, from frames, mean of 2 steps") == 1  # flight, right

    later = make_assessment(
        edition=edition,
        client=assessment.client,
        by=assessment.clinician,
        on=assessment.assessed_on + timedelta(days=1),
    )
    page = browser.get(reverse("assessment-open", args=[later.pk])).content.decode()
    assert page.count(f"250 ms {words}") == 2


def test_error_stands_in_the_signed_version(browser, assessment, trial):
    send(browser, trial, "events", EVENTS)
    put(browser, trial)
    sign_assessment(
        assessment=Assessment.objects.get(pk=assessment.pk), findings=[], by=assessment.clinician
    )

    words = "250 ms ± 1.0 ms, from frames, mean of 3 steps"
    version = browser.get(reverse("addendum-version", args=[assessment.pk, 1])).content.decode()
    assert version.count(words) == 2
    page = browser.get(reverse("assessment-open", args=[assessment.pk])).content.decode()
    assert page.count("± 1.0 ms, from frames, mean of 3 steps") == 3
