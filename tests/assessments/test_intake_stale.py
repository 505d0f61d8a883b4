"""Two people in one history or one round: nothing typed or stored is lost without a word."""

import re
from datetime import date, timedelta
from html import unescape

import pytest
from django.urls import reverse

from assessments.models import RunningHistory, ScreeningAnswer
from clinic.models import Hold, TrailEntry
from tests.factories import ClientFactory, StaffFactory
from tests.factories.consult import make_history

HTMX = {"HTTP_HX_REQUEST": "true"}
ACT = {"HTTP_X_ACT": "5b8a9f0e-51f6-4c1e-8a55-0a6d0f6a7a01"}
OTHER_ACT = {"HTTP_X_ACT": "5b8a9f0e-51f6-4c1e-8a55-0a6d0f6a7a02"}
TODAY = date(2026, 3, 12)


@pytest.fixture(autouse=True)
def midday(time_machine):
    time_machine.move_to("2026-03-12 12:00 +0000", tick=False)


@pytest.fixture
def clinician(db, client):
    staff = StaffFactory()
    client.force_login(staff)
    return staff


def screening(runner):
    return reverse("screening-open", args=[runner.pk])


def history(runner):
    return reverse("history-open", args=[runner.pk])


def hidden(response):
    """Hidden fields of a page, as a browser sends them back."""
    shown = response.content.decode()
    found = re.findall(r'<input type="hidden" name="([^"]+)"(?: value="([^"]*)")?', shown)
    return {name: value for name, value in found if name != "csrfmiddlewaretoken"}


def stored(flag):
    return ScreeningAnswer.objects.get(flag_id=flag).answer


def test_late_answers_of_a_whole_page_leave_a_yes_standing(client, clinician, edition):
    runner = ClientFactory()
    page = hidden(client.get(screening(runner)))
    client.post(screening(runner), {"s01": "yes", "was.s01": "not_asked"}, **HTMX)

    client.post(screening(runner), page | {"s01": "not_asked", "s02": "no", "done": "yes"})

    assert stored("s01") == "yes"
    assert stored("s02") == "no"
    assert Hold.objects.open().get().code == "s01"


def test_late_all_others_no_leaves_a_yes_standing(client, clinician, edition):
    runner = ClientFactory()
    page = hidden(client.get(screening(runner)))
    client.post(screening(runner), {"s01": "yes", "was.s01": "not_asked"}, **HTMX)

    client.post(screening(runner), page | {"s01": "not_asked", "others": "no"})

    assert stored("s01") == "yes"
    assert ScreeningAnswer.objects.filter(answer="no").count() == 33
    assert Hold.objects.open().get().code == "s01"


def test_late_single_answer_is_told_and_not_saved(client, clinician, edition):
    runner = ClientFactory()
    client.post(screening(runner), {"s01": "yes", "was.s01": "not_asked"}, **HTMX)

    late = client.post(screening(runner), {"s01": "no", "was.s01": "not_asked"}, **HTMX)

    assert stored("s01") == "yes"
    assert late.status_code == 409
    shown = late.content.decode()
    assert "answered “yes” meanwhile, and that is saved; you gave “no”" in shown
    assert hidden(late) == {"was.s01": "yes"}
    assert (shown.count("Keep mine"), shown.count("Take what is saved")) == (1, 1)

    client.post(screening(runner), {"s01": "no"} | hidden(late), **HTMX)
    assert stored("s01") == "no"


def test_late_page_without_a_script_names_the_question(client, clinician, edition):
    runner = ClientFactory()
    page = hidden(client.get(screening(runner)))
    client.post(screening(runner), {"s12": "yes", "was.s12": "not_asked"}, **HTMX)

    late = client.post(screening(runner), page | {"s12": "no", "done": "yes"})

    assert (late.status_code, stored("s12")) == (409, "yes")
    shown = unescape(late.content.decode())
    # screening.csv, s12
    (row,) = [part for part in shown.split("<fieldset") if "Do you feel ill today" in part]
    assert "answered “yes” meanwhile, and that is saved; you gave “no”" in row
    assert shown.count("Keep mine") == 1


def late_no(client, runner):
    client.post(screening(runner), {"s01": "yes", "was.s01": "not_asked"}, **ACT)
    return client.post(screening(runner), {"s01": "no", "was.s01": "not_asked"}, **OTHER_ACT)


def test_taking_what_is_saved_leaves_the_stored_answer(client, clinician, edition):
    runner = ClientFactory()
    typed = {"s01": "no"} | hidden(late_no(client, runner))

    taken = client.post(screening(runner), typed | {"s01.take": "yes"}, **OTHER_ACT)

    assert (taken.status_code, stored("s01")) == (200, "yes")
    assert "Keep mine" not in taken.content.decode()


@pytest.mark.parametrize(("choice", "stands"), [("keep", "no"), ("take", "yes")])
def test_choice_without_a_script_stays_on_the_page(client, clinician, edition, choice, stands):
    runner = ClientFactory()
    page = hidden(client.get(screening(runner)))
    client.post(screening(runner), {"s01": "yes", "was.s01": "not_asked"}, **ACT)
    typed = {"s01": "no", "s02": "no"}
    late = client.post(screening(runner), page | typed | {"done": "yes"})

    chosen = client.post(screening(runner), hidden(late) | typed | {f"s01.{choice}": "yes"})

    assert chosen.url == screening(runner)
    assert (stored("s01"), stored("s02")) == (stands, "no")


def test_same_act_sent_again_changes_nothing(client, clinician, edition):
    runner = ClientFactory()
    typed = {"s01": "yes", "was.s01": "not_asked"}
    client.post(screening(runner), typed, **ACT)
    client.post(screening(runner), {"s01": "no", "was.s01": "yes"}, **OTHER_ACT)
    lines = TrailEntry.objects.count()

    again = client.post(screening(runner), typed, **ACT)

    assert again.status_code == 200
    assert hidden(again) == {"was.s01": "no"}
    assert (stored("s01"), TrailEntry.objects.count()) == ("no", lines)


def test_different_questions_of_two_pages_need_no_choice(client, clinician, edition):
    runner = ClientFactory()
    colleague = StaffFactory(home_site=clinician.home_site)
    client.post(screening(runner), {"s01": "yes", "was.s01": "not_asked"}, **ACT)
    client.force_login(colleague)

    answer = client.post(screening(runner), {"s02": "no", "was.s02": "not_asked"}, **OTHER_ACT)

    assert answer.status_code == 200
    assert "saved at 12:00:00" in answer.content.decode()
    assert (stored("s01"), stored("s02")) == ("yes", "no")


@pytest.mark.parametrize("typed", [{}, {"s01": "no", "s02": "no"}])
def test_part_of_a_page_is_one_answer(client, clinician, edition, typed):
    response = client.post(screening(ClientFactory()), typed, **HTMX)

    assert response.status_code == 400
    assert ScreeningAnswer.objects.count() == 0


def test_hold_of_last_week_stands_while_today_has_only_begun(
    client, clinician, edition, time_machine
):
    runner = ClientFactory()
    client.post(screening(runner), {"s01": "yes"}, **HTMX)
    time_machine.move_to(TODAY + timedelta(days=7), tick=False)

    client.post(screening(runner), {"s10": "no"}, **HTMX)

    assert Hold.objects.open().get().code == "s01"


def test_second_history_of_a_day_is_not_saved_over_the_first(client, clinician, edition):
    runner = ClientFactory()
    make_history(runner, clinician, date(2026, 3, 1), runs_per_week=3)
    page = hidden(client.get(history(runner)))
    client.post(history(runner), page | {"runs_per_week": "4"})

    late = client.post(history(runner), page | {"runs_per_week": "5"})

    assert late.status_code == 409
    assert RunningHistory.objects.latest("pk").answers.get().value == 4


def test_first_history_of_all_is_not_saved_over(client, clinician, edition):
    runner = ClientFactory()
    page = hidden(client.get(history(runner)))
    client.post(history(runner), page | {"runs_per_week": "4"})

    late = client.post(history(runner), page | {"runs_per_week": "5"})

    assert late.status_code == 409
    assert RunningHistory.objects.get().answers.get().value == 4


def test_late_history_shows_both_and_can_be_saved_then(client, clinician, edition):
    runner = ClientFactory()
    page = hidden(client.get(history(runner)))
    first = {"runs_per_week": "4", "shoe_drop_mm": "0", "surfaces": ["road", "trail"]}
    client.post(history(runner), page | first | {"injured_on": "2026-01-05", "orthoses": "yes"})
    mine = {"runs_per_week": "5", "surfaces": ["road"], "orthoses": "yes"}

    late = client.post(history(runner), page | mine)

    shown = late.content.decode()
    told = set(re.findall(r"Stored now: ([^<]+)\.<", shown))
    assert told == {"4", "road, trail", "05 Jan 2026", "0"}  # orthoses agree
    assert 'value="5"' in shown

    client.post(history(runner), hidden(late) | mine)
    answers = RunningHistory.objects.get().answers
    assert answers.get(fact_id="runs_per_week").value == 5
    assert answers.get(fact_id="surfaces").items == ["road"]
