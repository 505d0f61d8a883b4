"""Two vignettes typed into the pages, with the clock on their day: the same proposals.

Source: NN-name.md in cases/ explains each expected proposal.
"""

import json
from datetime import date

import pytest
from django.urls import reverse

from assessments.models import Assessment, Episode
from clinic.models import Client
from exercises.models import Programme
from tests.factories import StaffFactory
from tests.factories.consult import answer
from tests.factories.intake import months_before
from tests.vignettes.test_vignettes import CASES

TYPED = ("06-arm-reach-with-overstride", "07-ten-minutes-a-day")
TRIAL = (
    "surface",
    "speed_m_s",
    "incline_percent",
    "frame_rate_hz",
    "steps_averaged",
    "shoes",
)


def post(browser, name, *args, **typed):
    response = browser.post(reverse(name, args=args), typed)
    assert response.status_code == 302, (name, response.status_code, errors_of(response))
    return response


def errors_of(response):
    form = (response.context or {}).get("form")
    return form.errors if form is not None else ""


def register(browser, facts, day):
    born = date(day.year - facts["age_years"], 1, 2)
    post(
        browser,
        "client-new",
        family_name="Harrow",
        given_names="Tamsin",
        birth_date=born.isoformat(),
        sex_for_norms=facts["sex"],
        preferred_channel="letter",
        document_format="standard",
        allergies_known="none_known",
        medicines_known="none_known",
    )
    return Client.objects.get()


def tell_history(browser, runner, data, day):
    facts = {code: data["client"][code] for code in ("height_m", "mass_kg")} | data["history"]
    months = facts.pop("previous_injury_months", None)
    if months is not None:
        facts["injured_on"] = months_before(day, months).isoformat()
    post(browser, "history-open", runner.pk, **facts)


def open_assessment(browser, runner, data):
    (trial,) = data["trials"]
    settings = {f"trial-{name}": trial[name] for name in TRIAL if name in trial}
    post(
        browser,
        "assessment-open-new",
        runner.pk,
        kind=data["kind"],
        assessed_on=data["assessed_on"],
        episode=Episode.objects.get().pk,
        **settings,
    )
    return Assessment.objects.get()


def give_answers(browser, assessment, data):
    typed = {}
    for one in data["observations"]:
        found = {name: one[name] for name in ("grade", "method") if name in one}
        value = one.get("value")
        if value is not None:
            found["choice" if isinstance(value, str) else "value"] = value
        typed |= answer(one["feature"], one["side"], seen="0;;;;", **found)
    for one in data["tests"]:
        word = "choice" if isinstance(one["value"], str) else "value"
        typed |= answer(one["test"], one["side"], kind="t", seen="0;;;;", **{word: one["value"]})
    for one in data["scores"]:
        word = "choice" if isinstance(one["value"], str) else "value"
        typed |= answer(one["score"], kind="s", seen="0;;;;", **{word: one["value"]})
    post(browser, "assessment-answers", assessment.pk, **typed)


@pytest.mark.parametrize("name", TYPED)
def test_typed_vignette_gives_the_expected_proposal(client, edition, time_machine, name):
    data = json.loads((CASES / f"{name}.json").read_text(encoding="utf-8"))
    day = date.fromisoformat(data["assessed_on"])
    time_machine.move_to(f"{day} 12:00 +0000", tick=False)
    client.force_login(StaffFactory())

    runner = register(client, data["client"], day)
    goals = {"goals-TOTAL_FORMS": "0", "goals-INITIAL_FORMS": "0"}
    told = data["episode"] | goals | {"reason": "Runs with an ache", "opened_on": str(day)}
    post(client, "episode-new", runner.pk, **told)
    tell_history(client, runner, data, day)
    post(client, "screening-open", runner.pk, save="yes", **data["screening"]["answers"])
    assessment = open_assessment(client, runner, data)
    give_answers(client, assessment, data)
    post(client, "programme-take", assessment.pk)

    expected = json.loads((CASES / f"{name}.expected.json").read_text(encoding="utf-8"))
    assert Programme.objects.get().proposal == expected
