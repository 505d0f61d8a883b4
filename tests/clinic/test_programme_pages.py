"""The programme page: taking over, deciding, issuing, printing."""

import json
from datetime import date

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from clinic.domain.paper import date_words
from clinic.models import Paper, Reassessment, RecordLink, TrailEntry
from exercises.editions import edition_of
from exercises.forms.programmes import LIMITS
from exercises.models import Programme, ProgrammeItem
from tests.clinic.documents.papers import pages
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.consult import make_assessment, make_screening
from tests.factories.intake import record_from_file
from tests.factories.people import HoldFactory, RecordLinkFactory
from tests.vignettes.test_vignettes import CASES

CASE = "06-arm-reach-with-overstride"
DAY = date(2027, 3, 10)  # assessed_on of the vignettes

ACTS = [f"5b8a9f0e-51f6-4c1e-8a55-0a6d0f6a7a0{number}" for number in range(3)]


@pytest.fixture(autouse=True)
def day_of_the_vignettes(time_machine):
    time_machine.move_to("2027-03-10 12:00 +0000", tick=False)


@pytest.fixture
def clinician(db, client, time_machine):
    staff = StaffFactory()
    client.force_login(staff)
    return staff


def record(edition, by, name=CASE, **changes):
    data = json.loads((CASES / f"{name}.json").read_text()) | changes
    return record_from_file(data, edition=edition, by=by)


def take(client, assessment):
    client.post(reverse("programme-take", args=[assessment.pk]))
    return Programme.objects.get(assessment=assessment)


def page(assessment):
    return reverse("programme-open", args=[assessment.pk])


def press(client, item, act, **typed):
    item.refresh_from_db()
    address = reverse("programme-item", args=[item.pk])
    return client.post(address, {"act": act, "was.version": item.version} | typed)


def agree(client, programme, **typed):
    programme.refresh_from_db()
    return client.post(
        reverse("programme-agreement", args=[programme.pk]),
        {"was.agreement": programme.version, "review_on": "2027-04-21", "agreed": "yes"} | typed,
    )


def accept(client, programme):
    """Press "Accept all that is proposed" on the page as it stands now."""
    shown = client.get(page(programme.assessment)).context
    client.post(reverse("programme-accept", args=[programme.pk]), {"stamp": shown["stamp"]})


def ready(client, assessment):
    programme = take(client, assessment)
    accept(client, programme)
    agree(client, programme)
    return programme


def issue(client, programme):
    """Press the button of the page as it stands now."""
    shown = client.get(page(programme.assessment)).context
    return client.post(reverse("programme-issue", args=[programme.pk]), {"stamp": shown["stamp"]})


def test_programme_is_the_expected_proposal(client, clinician, edition):
    assessment = record(edition, clinician)
    wanted = json.loads((CASES / f"{CASE}.expected.json").read_text())

    programme = take(client, assessment)

    found = [(i.exercise_id, i.stage, i.priority, i.side) for i in programme.items.all()]
    assert found == [
        (one["exercise"], one["stage"], one["priority"], one["side"])
        for one in wanted["programme"]
    ]
    assert programme.proposal == wanted
    assert float(programme.minutes_a_day) == wanted["minutes_per_day"]
    assert (programme.review_on - DAY).days == wanted["review_in_days"]
    assert programme.cadence_first_target == wanted["cadence_plan"]["first_target"]


@pytest.mark.parametrize("name", ["04-eight-weeks-postnatal", "07-ten-minutes-a-day"])
def test_withheld_and_later_are_shown_with_why(client, clinician, edition, name):
    wanted = json.loads((CASES / f"{name}.expected.json").read_text())
    assessment = record(edition, clinician, name)
    take(client, assessment)

    shown = client.get(page(assessment)).content.decode()

    library = edition_of(edition.pk).exercises
    for one in [*wanted["withheld"], *wanted["programme"]]:
        assert library[one["exercise"]].name in shown


def test_accept_all_decides_what_waits(client, clinician, edition):
    programme = take(client, record(edition, clinician))
    first = programme.items.first()
    press(client, first, "decline", reason="Dislikes it")

    accept(client, programme)

    decisions = list(programme.items.values_list("decision", flat=True))
    assert decisions == ["declined"] + ["accepted"] * (len(decisions) - 1)
    assert first.__class__.objects.get(pk=first.pk).decided_by == clinician


def test_accept_all_does_not_reach_past_what_the_page_showed(client, clinician, edition):
    programme = take(client, record(edition, clinician))
    stamp = client.get(page(programme.assessment)).context["stamp"]
    press(client, programme.items.first(), "decline", reason="Dislikes it")

    address = reverse("programme-accept", args=[programme.pk])
    shown = client.post(address, {"stamp": stamp}, follow=True).content.decode()

    assert "changed after you opened the page" in shown
    assert not programme.items.filter(decision="accepted").exists()


def test_changed_dose_needs_a_reason_and_counts_again(client, clinician, edition):
    programme = take(client, record(edition, clinician))
    item = programme.items.get(exercise_id="arm_drive_back_drill")
    before = programme.minutes_a_day
    dose = {"sets": "6", "hold_s": "30", "rest_s": "30", "sessions_per_week": "7"}
    dose |= {"weeks": "2", "pain_ceiling": "2"}

    refused = press(client, item, "accept", **dose)
    assert refused.status_code == 422
    assert "Say why the dose is changed" in refused.content.decode()

    press(client, item, "accept", reason="Learns it fast", **dose)

    item.refresh_from_db()
    programme.refresh_from_db()
    assert (item.decision, item.sets, item.reason) == ("adjusted", 6, "Learns it fast")
    # EVALUATION.md 14: 3 x 30 + 2 x 30 = 150 s become 6 x 30 + 5 x 30 = 330 s a day: + 3 minutes
    assert programme.minutes_a_day - before == 3


@pytest.mark.parametrize(("value", "words"), [("0", "Between 1 and 20"), ("many", "whole number")])
def test_wrong_dose_is_refused_beside_the_number_and_stays(
    client, clinician, edition, value, words
):
    item = take(client, record(edition, clinician)).items.get(exercise_id="arm_drive_back_drill")
    dose = {"sets": value, "hold_s": "30", "rest_s": "30", "sessions_per_week": "7"}
    dose |= {"weeks": "2", "pain_ceiling": "2", "reason": "Because"}

    response = press(client, item, "accept", **dose)

    shown = response.content.decode()
    assert response.status_code == 422
    field = f"sets-{item.pk}"
    assert f'aria-describedby="{field}_error"' in shown
    said = shown.split(f'id="{field}_error">')[1].split("</span>")[0]
    assert words in said
    assert f'value="{value}"' in shown
    assert 'value="Because"' in shown


def test_decline_needs_a_reason(client, clinician, edition):
    item = take(client, record(edition, clinician)).items.first()

    response = press(client, item, "decline")

    assert response.status_code == 422
    assert "Say why the exercise is declined" in response.content.decode()


def test_line_that_somebody_changed_is_not_overwritten(client, clinician, edition):
    item = take(client, record(edition, clinician)).items.first()
    press(client, item, "accept")

    response = client.post(
        reverse("programme-item", args=[item.pk]),
        {"act": "decline", "was.version": 1, "reason": "From another window"},
    )

    assert response.status_code == 409
    item.refresh_from_db()
    assert item.decision == "accepted"


DRILL = {"sets": "6", "hold_s": "30", "rest_s": "30", "sessions_per_week": "7"}
DRILL |= {"weeks": "2", "pain_ceiling": "2"}


def drill(client, clinician, edition):
    programme = take(client, record(edition, clinician))
    return programme.items.get(exercise_id="arm_drive_back_drill")


def type_in(client, item, act, version=None, **typed):
    """What the script of the page sends of the fields of one line."""
    shown = client.get(page(item.programme.assessment)).context["stamp"]
    item.refresh_from_db()
    memory = {"was.version": version or item.version, "was.stamp": shown}
    answer = client.post(
        reverse("programme-item", args=[item.pk]),
        memory | DRILL | typed,
        headers={"X-Act": ACTS[act]},
    )
    item.refresh_from_db()
    return answer


def test_typed_fields_of_a_line_are_kept_and_decide_nothing(client, clinician, edition):
    item = drill(client, clinician, edition)

    answer = type_in(client, item, 0, reason="Learns it fast")

    shown = answer.content.decode()
    assert answer.status_code == 200
    assert (item.decision, item.sets, item.reason) == ("proposed", 6, "Learns it fast")
    assert "saved at" in shown
    assert f'name="was.version" value="{item.version}"' in shown
    current = client.get(page(item.programme.assessment)).context["stamp"]
    assert shown.count(f'value="{current}"') == item.programme.items.count() + 3


def test_accepting_all_takes_a_typed_dose_as_adjusted(client, clinician, edition):
    item = drill(client, clinician, edition)
    type_in(client, item, 0, reason="Learns it fast")

    accept(client, item.programme)

    item.refresh_from_db()
    assert (item.decision, item.sets) == ("adjusted", 6)
    others = item.programme.items.exclude(pk=item.pk)
    assert set(others.values_list("decision", flat=True)) == {"accepted"}


def test_accepting_all_asks_why_a_dose_was_typed(client, clinician, edition):
    item = drill(client, clinician, edition)
    type_in(client, item, 0)

    accept(client, item.programme)

    item.refresh_from_db()
    assert (item.decision, item.sets) == ("proposed", 6)


def test_typed_dose_of_a_waiting_line_outlives_a_new_proposal(client, clinician, edition):
    item = drill(client, clinician, edition)
    type_in(client, item, 0, reason="Learns it fast")

    take(client, item.programme.assessment)

    item.refresh_from_db()
    assert (item.decision, item.sets, item.reason) == ("proposed", 6, "Learns it fast")


def test_typed_dose_of_a_taken_line_needs_a_reason(client, clinician, edition):
    item = drill(client, clinician, edition)
    press(client, item, "accept")

    refused = type_in(client, item, 0)
    assert refused.status_code == 422
    assert "Say why the dose is changed" in refused.content.decode()
    assert 'value="6"' in refused.content.decode()
    assert (item.decision, item.sets) == ("accepted", 3)

    assert type_in(client, item, 1, reason="Learns it fast").status_code == 200
    assert (item.decision, item.sets) == ("adjusted", 6)


def test_wrong_typed_dose_is_refused_beside_its_number(client, clinician, edition):
    item = drill(client, clinician, edition)

    answer = type_in(client, item, 0, sets="0")

    assert (answer.status_code, item.sets) == (422, 3)
    assert "Between 1 and 20" in answer.content.decode()


def test_same_act_of_a_line_sent_again_changes_nothing(client, clinician, edition):
    item = drill(client, clinician, edition)
    first = item.version
    type_in(client, item, 0)
    type_in(client, item, 1, sets="5")

    again = type_in(client, item, 0, version=first)

    assert (again.status_code, item.sets, item.version) == (200, 5, first + 2)
    assert 'value="5"' in again.content.decode()


@pytest.mark.parametrize(("choice", "sets"), [("keep", 6), ("take", 5)])
def test_line_that_was_overtaken_asks_which_stands(client, clinician, edition, choice, sets):
    item = drill(client, clinician, edition)
    first = item.version
    type_in(client, item, 0, sets="5")

    late = type_in(client, item, 1, version=first)

    shown = late.content.decode()
    assert (late.status_code, item.sets) == (409, 5)
    assert ("it now says proposed, 5 " in shown, 'value="6"' in shown) == (True, True)
    assert shown.count("Keep mine") == shown.count("Take what is saved") == 1
    assert type_in(client, item, 2, **{f"line.{choice}": "yes"}).status_code == 200
    assert item.sets == sets


def test_two_people_on_different_lines_are_merged_and_must_look_before_issuing(
    client, clinician, edition
):
    item = drill(client, clinician, edition)
    seen = client.get(page(item.programme.assessment)).context["stamp"]
    type_in(client, item, 0)
    other = item.programme.items.exclude(pk=item.pk).first()
    client.force_login(StaffFactory(home_site=clinician.home_site))

    answer = client.post(
        reverse("programme-item", args=[other.pk]),
        {"was.version": other.version, "was.stamp": seen, "reason": "Mine"}
        | {name: getattr(other, name) for name in LIMITS if getattr(other, name) is not None}
        | ({"per_side": "on"} if other.per_side else {}),
        headers={"X-Act": ACTS[1]},
    )

    item.refresh_from_db()
    other.refresh_from_db()
    assert (answer.status_code, item.sets, other.reason) == (200, 6, "Mine")
    # the page has not shown the first line as it is now, so it cannot accept it unseen
    assert 'name="stamp"' not in answer.content.decode()


def agree_by_script(client, programme, act, version, **typed):
    answer = client.post(
        reverse("programme-agreement", args=[programme.pk]),
        {"was.agreement": version, "review_on": "2027-04-21", "was.stamp": "x"} | typed,
        headers={"X-Act": ACTS[act]},
    )
    programme.refresh_from_db()
    return answer


def test_agreement_is_saved_as_given_refused_and_overtaken(client, clinician, edition):
    programme = take(client, record(edition, clinician))
    first = programme.version

    wrong = agree_by_script(client, programme, 0, first, review_on="soon")
    assert (wrong.status_code, programme.agreed) == (422, "")
    saved = agree_by_script(client, programme, 0, first, agreed="yes")
    assert (saved.status_code, programme.agreed) == (200, "yes")
    assert "saved at" in saved.content.decode()
    again = agree_by_script(client, programme, 0, first, agreed="yes")
    assert (again.status_code, programme.version) == (200, first + 1)
    late = agree_by_script(client, programme, 1, first, agreed="no")
    assert (late.status_code, programme.agreed) == (409, "yes")
    assert "agreed: yes" in late.content.decode()
    assert late.content.decode().count("Keep mine") == 1
    agree_by_script(client, programme, 2, programme.version, agreed="no", **{"line.keep": "yes"})
    assert programme.agreed == "no"


def test_lines_move_up_and_down_and_between_now_and_later(client, clinician, edition):
    programme = take(client, record(edition, clinician))
    first, second = programme.items.all()[:2]

    press(client, second, "up")
    assert list(programme.items.all()[:2]) == [second, first]
    press(client, second, "down")
    assert list(programme.items.all()[:2]) == [first, second]
    for stage in ("later", "later", "now"):
        press(client, second, stage)
        second.refresh_from_db()
        assert second.stage == stage


def test_exercise_is_shown_and_tried_and_taken_back(client, clinician, edition):
    item = take(client, record(edition, clinician)).items.first()

    for act, shown in (("shown", True), ("shown", True), ("not_shown", False)):
        press(client, item, act)
        item.refresh_from_db()
        assert item.shown_and_tried is shown


def test_exercise_is_added_from_the_library(client, clinician, edition):
    programme = take(client, record(edition, clinician))

    client.post(reverse("programme-add", args=[programme.pk]), {"exercise": "clam"})

    item = programme.items.get(exercise_id="clam")
    assert (item.decision, item.stage, item.sets) == (
        "added",
        "now",
        edition_of(edition.pk).exercises["clam"].dose.sets,
    )


@pytest.mark.parametrize(
    ("code", "words"),
    [("clamp", "Choose an exercise"), ("a_march", "in the programme already")],
)
def test_wrong_addition_is_refused(client, clinician, edition, code, words):
    programme = take(client, record(edition, clinician))

    response = client.post(reverse("programme-add", args=[programme.pk]), {"exercise": code})

    assert response.status_code == 422
    assert words in response.content.decode()


def test_withheld_exercise_cannot_be_added(client, clinician, edition):
    # 8 weeks after birth R08 withholds all impact (Goom 2019, rules.csv)
    programme = take(client, record(edition, clinician, "04-eight-weeks-postnatal"))

    response = client.post(reverse("programme-add", args=[programme.pk]), {"exercise": "strides"})

    assert response.status_code == 422
    assert "Strides is withheld" in response.content.decode()
    assert not programme.items.filter(exercise_id="strides").exists()


def test_stop_all_yields_no_programme(client, clinician, edition):
    assessment = record(edition, clinician, "03-cardiac-red-flag")

    client.post(reverse("programme-take", args=[assessment.pk]))
    shown = client.get(page(assessment)).content.decode()

    assert not Programme.objects.exists()
    assert "A hold stops everything" in shown
    assert reverse("referral-new", args=[assessment.pk]) in shown


def test_changed_answers_are_said_and_taken_over_again(client, clinician, edition):
    assessment = record(edition, clinician)
    programme = take(client, assessment)
    kept = programme.items.get(exercise_id="relaxed_grip")
    press(client, kept, "accept")
    assessment.observations.filter(feature_id="forward_hand_reach").update(grade=0)

    assert "answers have changed" in client.get(page(assessment)).content.decode()
    take(client, assessment)

    decisions = dict(programme.items.values_list("exercise_id", "decision"))
    assert decisions["relaxed_grip"] == "accepted"
    assert decisions["arm_drive_back_drill"] == "withdrawn"
    assert decisions["metronome_run_5"] == "proposed"
    assert "answers have changed" not in client.get(page(assessment)).content.decode()


def test_what_is_missing_keeps_it_from_being_issued(client, clinician, edition):
    programme = take(client, record(edition, clinician))

    response = issue(client, programme)

    shown = response.content.decode()
    assert response.status_code == 422
    assert "Decide every proposed exercise" in shown
    assert "agreed with the client" in shown
    programme.refresh_from_db()
    assert not programme.is_issued
    assert not Paper.objects.exists()


def test_old_screening_keeps_it_a_draft(client, clinician, edition):
    assessment = record(edition, clinician)
    assessment.screening.screened_on = date(2027, 1, 4)
    assessment.screening.save()
    programme = ready(client, assessment)

    response = issue(client, programme)

    assert response.status_code == 422
    assert "screen the client first" in response.content.decode()


def test_colleague_cannot_issue(client, clinician, edition):
    programme = ready(client, record(edition, clinician))
    client.force_login(StaffFactory())

    response = issue(client, programme)

    assert response.status_code == 422
    assert "the clinician in charge" in response.content.decode()


def test_tick_with_name_and_date_is_asked_for(client, clinician, edition):
    # R13: over 65 hopping and falling forward into a run need the clinician's own tick (rules.csv)
    programme = ready(client, record(edition, clinician))
    item = programme.items.filter(stage="now").first()
    ProgrammeItem.objects.filter(pk=item.pk).update(tick_needed=True)

    refused = issue(client, programme)
    assert "needs your own tick" in refused.content.decode()
    press(client, item, "tick")

    item.refresh_from_db()
    assert (item.ticked_by, item.ticked_on) == (clinician, DAY)
    assert issue(client, programme).status_code == 302


def test_hold_of_a_joined_record_keeps_it_from_being_issued(client, clinician, edition):
    assessment = record(edition, clinician)
    programme = ready(client, assessment)
    other = ClientFactory(site=assessment.site)
    HoldFactory(client=other, code="s01", sentence="No running until a doctor has looked.")
    make_screening(other, clinician, yes=["s01"], flags=["s01"])
    # what a score held back is judged by the newer score of this record
    HoldFactory(client=other, code="wait", sentence="Pain above the limit.")
    link = RecordLinkFactory(kept=assessment.client, joined=other)

    issue(client, programme)
    shown = client.get(page(assessment)).content.decode()

    programme.refresh_from_db()
    assert programme.issued_at is None
    assert f"A hold is open in {other.number}" in shown
    assert "No running until a doctor has looked." in shown
    assert "in the screening there" in shown
    assert f'href="{reverse("screening-open", args=[other.pk])}"' in shown
    RecordLink.objects.filter(pk=link.pk).update(
        parted_at=timezone.now(), parted_by=clinician, part_reason="Two brothers."
    )
    issue(client, programme)
    programme.refresh_from_db()
    assert programme.issued_at


def test_issue_fixes_the_programme_and_keeps_its_handout(client, clinician, edition):
    assessment = record(edition, clinician)
    programme = ready(client, assessment)

    issue(client, programme)

    programme.refresh_from_db()
    assert programme.issued_by == clinician
    due = Reassessment.objects.get()
    assert (due.due_on, due.clinician, due.state) == (date(2027, 4, 21), clinician, "open")
    paper = Paper.objects.get(kind="handout")
    printed = client.get(reverse("handout-print", args=[programme.pk]))
    assert printed.content == bytes(paper.pdf)
    actions = set(TrailEntry.objects.values_list("action", "object_kind"))
    assert {("sign", "programme"), ("sign", "paper"), ("print", "paper")} <= actions
    with pytest.raises(IntegrityError, match="issued"), transaction.atomic():
        ProgrammeItem.objects.filter(programme=programme).update(sets=9)
    with pytest.raises(IntegrityError, match="fixed"), transaction.atomic():
        Programme.objects.filter(pk=programme.pk).update(agreed="no")


def test_handout_says_what_the_programme_says(client, clinician, edition):
    assessment = record(edition, clinician)
    programme = ready(client, assessment)
    library = edition_of(edition.pk).exercises

    text = " ".join(pages(client.get(reverse("handout-print", args=[programme.pk])).content))
    shown = client.get(reverse("handout-page", args=[programme.pk])).content.decode()

    runner = assessment.client
    assert text.index("Stop and call us if") < text.index("1. ")
    for words in (runner.full_name, runner.number, date_words(DAY), "Draft"):
        assert words in text
    for item in programme.items.all():
        name = library[item.exercise_id].name
        assert (name in text) == (item.stage == "now"), name
        assert (f". {name}</h3>" in shown) == (item.stage == "now"), name
    assert "Now you take 166 steps a minute" in text
    assert "21 April 2027" in text


def test_advice_is_kept_with_whether_it_was_said_back(client, clinician, edition):
    programme = take(client, record(edition, clinician))

    client.post(
        reverse("programme-advice", args=[programme.pk]),
        {"text": "Run on flat ground for two weeks", "understood": "on"},
    )

    advice = programme.advice.get()
    assert (advice.text, advice.understood) == ("Run on flat ground for two weeks", True)


def other_programmes(assessment, many):
    """Issued and open programmes of the same client, and of others at the site."""
    for number in range(many):
        runner = assessment.client if number % 2 else ClientFactory(site=assessment.site)
        other = make_assessment(
            edition=assessment.edition, client=runner, by=assessment.clinician, on=DAY
        )
        programme = Programme.objects.create(
            site=assessment.site, assessment=other, proposal={}, review_on=date(2027, 4, 21)
        )
        ProgrammeItem.objects.create(
            site=assessment.site,
            programme=programme,
            exercise_id="clam",
            position=1,
            stage="now",
            sets=3,
        )


@pytest.mark.parametrize("others", [1, 40])
def test_queries_do_not_grow(client, clinician, edition, django_assert_num_queries, others):
    assessment = record(edition, clinician)
    programme = take(client, assessment)
    other_programmes(assessment, others)
    handout = reverse("handout-page", args=[programme.pk])
    for address in (page(assessment), handout):
        client.get(address)  # edition and figures are made once a process

    with django_assert_num_queries(21):
        client.get(page(assessment))
    with django_assert_num_queries(22):
        client.get(handout)


def test_library_is_listed_area_by_area_without_what_is_in_the_programme(
    client, clinician, edition
):
    assessment = record(edition, clinician)
    programme = take(client, assessment)

    listed = client.get(page(assessment)).context["library"]

    areas = [area for area, _ in listed]
    # the five areas of exercises.csv in the order of the consult (EXERCISES.md)
    order = ["Upper body", "Trunk", "Hip", "Ground contact", "Foot"]
    assert areas == sorted(areas, key=order.index)
    taken = set(programme.items.values_list("exercise_id", flat=True))
    assert {one.code for _, one in listed} == set(edition_of(edition.pk).exercises) - taken


ADDRESSES = {
    "programme-open": "get",
    "programme-take": "post",
    "programme-accept": "post",
    "programme-add": "post",
    "programme-agreement": "post",
    "programme-advice": "post",
    "programme-issue": "post",
    "programme-item": "post",
    "handout-print": "get",
    "handout-page": "get",
}


def doors(programme):
    """Every address of the programme with the key that it wants."""
    assessment, item = programme.assessment_id, programme.items.first().pk
    keys = {"programme-open": assessment, "programme-take": assessment, "programme-item": item}
    for name, method in ADDRESSES.items():
        yield method, reverse(name, args=[keys.get(name, programme.pk)])


def test_pages_are_for_clinicians_of_the_site(client, clinician, edition):
    programme = ready(client, record(edition, clinician))
    before = list(programme.items.values())

    for staff, status in (
        (StaffFactory(home_site=SiteFactory(code="QY", name="Quayside")), 404),
        (StaffFactory(role="reception"), 403),
    ):
        client.force_login(staff)
        for method, address in doors(programme):
            assert getattr(client, method)(address).status_code == status, address
    client.logout()
    for method, address in doors(programme):
        assert getattr(client, method)(address).url.startswith("/accounts/login/"), address

    assert list(programme.items.values()) == before
    assert not Paper.objects.exists()
