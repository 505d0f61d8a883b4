"""The page of progress and what the record says of it."""

import re
from datetime import date
from decimal import Decimal
from xml.etree import ElementTree

import pytest
from django.urls import reverse

from assessments.domain.vocabulary import AddendumKind
from assessments.services.addenda import write_addendum
from assessments.services.assessments import sign_assessment
from clinic.models import TrailEntry
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.consult import make_assessment, observe

pytestmark = pytest.mark.django_db
DAYS = [date(2026, 1, 12), date(2026, 3, 9), date(2026, 5, 4)]


@pytest.fixture
def clinician():
    return StaffFactory()


@pytest.fixture
def runner(clinician):
    return ClientFactory(site=clinician.home_site)


@pytest.fixture
def visit(edition, runner, clinician):
    def make(number, sign=True, **values):
        made = make_assessment(edition=edition, client=runner, by=clinician, on=DAYS[number])
        trial = made.trials.get()
        for name, (value, sd) in values.items():
            feature, _, side = name.partition("__")
            observe(
                made,
                feature,
                side or "none",
                trial=trial,
                value=Decimal(value),
                method="video_2d",
                sd=sd,
            )
        if sign:
            sign_assessment(assessment=made, findings=[], by=clinician)
        return made

    return make


def page(client, who, runner):
    client.force_login(who)
    return client.get(reverse("progress-open", args=[runner.pk]))


def text(response):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", response.content.decode()))


def test_a_measure_is_charted_with_its_error_and_verdict(client, runner, clinician, visit):
    visit(0, cadence=("156", Decimal("0.83")), trunk_lean=("5", None))
    visit(1, cadence=("164", Decimal("0.9")))

    shown = page(client, clinician, runner)

    (chart,) = shown.context["charts"]
    assert chart.name == "Cadence"
    assert [(row.how, row.cells) for row in chart.rows] == [
        ("measured on film, 3.2 m/s", ["156.0 ± 0.8"]),
        ("measured on film, 3.2 m/s", ["164.0 ± 0.9"]),
    ]
    words = text(shown)
    assert (
        "since the first visit +8 steps/min, better "
        "(detectable difference 3 steps/min, published for this measure)"
    ) in words
    assert [one.words for one in shown.context["singles"]] == ["5 deg"]
    assert TrailEntry.objects.filter(client=runner, action="view").count() == 1


def test_the_chart_is_plain_svg_that_says_what_it_shows(client, runner, clinician, visit):
    visit(0, hip_adduction__left=("15", None), hip_adduction__right=("11", None))
    visit(1, hip_adduction__left=("11", None), hip_adduction__right=("10", None))

    content = page(client, clinician, runner).content.decode()

    (svg,) = re.findall(r"<svg.*?</svg>", content, re.DOTALL)
    root = ElementTree.fromstring(svg)  # noqa: S314  # our own page
    assert "style" not in svg
    marks = [it.get("class") for it in root.iter("circle")]
    assert sorted(marks) == ["chart-mark", "chart-mark", "chart-mark open", "chart-mark open"]
    assert root.find("title").text == "Hip adduction in stance"
    assert root.find("desc").text == (
        "left: 15 on 12 Jan 2026, 11 on 9 Mar 2026; "
        "right: 11 on 12 Jan 2026, 10 on 9 Mar 2026; in deg"
    )


def test_drafts_and_other_clients_take_no_part(client, runner, clinician, visit, edition):
    visit(0, cadence=("156", None))
    visit(1, sign=False, cadence=("170", None))

    shown = page(client, clinician, runner)

    assert (len(shown.context["visits"]), shown.context["charts"]) == (1, [])


def test_nothing_signed_says_so(client, runner, clinician):
    assert "No assessment is signed yet." in text(page(client, clinician, runner))


def test_a_correction_counts(client, runner, clinician, visit):
    first = visit(0, cadence=("156", None))
    visit(1, cadence=("164", None))
    write_addendum(
        assessment=first,
        by=clinician,
        kind=AddendumKind.CORRECTION,
        reason="Misread",
        text="Counted again.",
        acted_on=DAYS[0],
        changes=[
            {
                "key": "o.cadence.none",
                "trial": 1,
                "was": {"value": "156"},
                "now": {"value": "160"},
            }
        ],
    )

    shown = page(client, clinician, runner)

    assert shown.context["charts"][0].rows[0].cells == ["160"]


def test_reception_and_other_sites_do_not_see_it(client, runner, visit):
    visit(0)
    desk = StaffFactory(home_site=runner.site, role="reception")
    other = StaffFactory(home_site=SiteFactory(code="QY", name="Quay"))

    assert page(client, desk, runner).status_code == 403
    assert page(client, other, runner).status_code == 404


def test_the_record_says_what_really_changed(client, runner, clinician, visit):
    visit(0, cadence=("156", None), hip_adduction__left=("15", None))
    visit(1, cadence=("164", None), hip_adduction__left=("14", None))
    client.force_login(clinician)

    words = text(client.get(reverse("client-open", args=[runner.pk])))

    assert "Beyond measurement error since 12 Jan 2026: Cadence +8 steps/min, better" in words
    assert "Hip adduction in stance, left" not in words


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_do_not_grow(client, runner, clinician, edition, rows, django_assert_num_queries):
    for _ in range(rows):
        made = make_assessment(edition=edition, client=runner, by=clinician, on=DAYS[0])
        observe(made, "cadence", value=Decimal(160), method="video_2d")
        sign_assessment(assessment=made, findings=[], by=clinician)
    page(client, clinician, runner)

    with django_assert_num_queries(21):
        shown = page(client, clinician, runner)

    assert len(shown.context["visits"]) == rows
