"""What stands around every page: strips, messages, error summary, error pages."""

import json
import re
from datetime import date

import pytest
import time_machine
from django import forms
from django.contrib.auth.models import AnonymousUser
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.template import Context, engines
from django.template.loader import render_to_string
from django.test import RequestFactory
from django.urls import include, path

from clinic.access import allowed
from clinic.domain.vocabulary import Role
from clinic.templatetags import shell
from clinic.web.logs import OneObject
from clinic.web.urls import handler404, handler500  # noqa: F401 this tree answers as the site does
from clinic.widgets import DateField
from tests.factories import ClientFactory, StaffFactory
from tests.factories.people import AlertFactory, HoldFactory


@allowed(*Role)
def place(request):
    return HttpResponse()


@allowed(Role.CLINICIAN)
def clinical_place(request):
    return HttpResponse()


@allowed(*Role)
def failing(request):
    raise RuntimeError("the cupboard is empty")


urlpatterns = [
    path("", place, name="today"),
    path("clients/", place, name="client-list"),
    path("clients/<int:pk>/", place, name="client-open"),
    path("clients/<int:pk>/screening/", clinical_place, name="screening-open"),
    path("library/", clinical_place, name="library"),
    path("failing/", failing, name="failing"),
    path("accounts/", include("allauth.urls")),
]

pytestmark = [pytest.mark.urls(__name__), pytest.mark.django_db]


def draw(template, staff, where="/", **context):
    request = RequestFactory().get(where)
    request.user = staff
    source = "{% load shell %}" + template
    return engines["django"].from_string(source).render(context, request)


def words(page):
    """The text of a page, as one line."""
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


class PairForm(forms.Form):
    name = forms.CharField(label="Name")
    side = forms.ChoiceField(label="Side", choices=[("l", "left")], widget=forms.RadioSelect)

    def clean(self):
        raise forms.ValidationError("Choose another pair.")


# the strip of places


def test_places_are_those_that_exist_and_open_for_the_person():
    page = draw(
        "{% places as found %}{% for it in found %}{{ it.word }} {% endfor %}", StaffFactory()
    )

    assert words(page) == "Today Clients Library"


def test_place_of_another_role_is_not_offered():
    reception = StaffFactory(role=Role.RECEPTION)

    page = draw("{% places as found %}{% for it in found %}{{ it.word }} {% endfor %}", reception)

    assert words(page) == "Today Clients"


@pytest.mark.parametrize(
    ("where", "current"),
    [("/", "page,,"), ("/clients/", ",page,"), ("/clients/7/", ",true,"), ("/failing/", ",,")],
)
def test_place_of_the_page_is_marked(where, current):
    template = (
        "{% places as found %}{{ found.0.current }},{{ found.1.current }},{{ found.2.current }}"
    )

    assert draw(template, StaffFactory(), where) == current


def test_page_about_a_client_belongs_to_clients():
    page = draw(
        "{% places as found %}{{ found.1.current }}",
        StaffFactory(),
        "/failing/",
        client=ClientFactory(),
    )

    assert page == "true"


def test_strip_names_site_and_person():
    page = words(draw('{% include "base.html" %}', StaffFactory(last_name="Marlow")))

    assert "Larkfield Running Clinic, Mill Lane Today Clients Library Ines Marlow Sign out" in page


def test_strip_before_sign_in_offers_no_place():
    page = words(draw('{% include "base.html" %}', AnonymousUser()))

    assert "Gait Clinic Records" in page
    assert "Clients" not in page


def test_edition_line_shows_only_when_set():
    staff = StaffFactory()

    shown = draw('{% include "base.html" %}', staff, edition_line="Edition 1 is not confirmed.")

    assert "Edition 1 is not confirmed." in words(shown)
    assert "edition-line" not in draw('{% include "base.html" %}', staff)


# the strip of the client


@pytest.fixture
def runner():
    return ClientFactory(
        given_names="Orla", family_name="Fenwick", number="ML00007", birth_date=date(1990, 4, 12)
    )


def strip(staff, runner):
    return draw("{% client_strip %}", staff, client=runner)


@pytest.mark.parametrize(("today", "age"), [("2026-04-11", 35), ("2026-04-12", 36)])
def test_client_strip_tells_who_it_is(runner, today, age):
    with time_machine.travel(f"{today}T12:00:00Z", tick=False):
        page = words(strip(StaffFactory(), runner))

    assert page == f"Orla Fenwick born 12 Apr 1990, {age} years ML00007"


@pytest.mark.parametrize("role", list(Role))
def test_alerts_stand_for_everybody_those_that_hurt_first(runner, role):
    AlertFactory(client=runner, kind="access", text="Hearing loop")
    AlertFactory(client=runner, kind="allergy", text="Latex")

    page = words(strip(StaffFactory(role=role), runner))

    assert page.endswith("ML00007 allergy: Latex access: Hearing loop")


def test_ended_alert_is_gone(runner):
    AlertFactory(client=runner, text="Latex", ended_on=date(2026, 2, 1))
    AlertFactory(client=runner, text="Nickel", ended_on=date(2026, 4, 1))

    with time_machine.travel("2026-03-12T12:00:00Z", tick=False):
        page = words(strip(StaffFactory(), runner))

    assert "Nickel" in page
    assert "Latex" not in page


def test_holds_stand_in_words_for_clinicians_gravest_first(runner):
    HoldFactory(client=runner, code="s02", scope="no_impact", sentence="No running.")
    HoldFactory(client=runner, code="s11", scope="stop_all", sentence="See a doctor.")
    HoldFactory(
        client=runner,
        code="s12",
        sentence="Over.",
        ended_on=date(2026, 2, 2),
        end="no_longer_true",
    )

    page = strip(StaffFactory(), runner)

    assert words(page).endswith("ML00007 stop all: See a doctor. no impact: No running.")
    assert page.count(f'href="/clients/{runner.pk}/screening/"') == 2


@pytest.mark.parametrize("role", [Role.RECEPTION, Role.MANAGER])
def test_holds_are_not_told_to_others(runner, role):
    HoldFactory(client=runner, sentence="No running.")

    page = strip(StaffFactory(role=role), runner)

    assert words(page).endswith("ML00007 ask the clinician")
    assert "No running." not in page
    assert "screening" not in page


def test_reception_is_not_sent_to_ask_without_a_hold(runner):
    page = strip(StaffFactory(role=Role.RECEPTION), runner)

    assert "ask the clinician" not in page


@pytest.mark.parametrize("role", list(Role))
@pytest.mark.parametrize("rows", [1, 40])
def test_client_strip_asks_three_times(runner, rows, role, django_assert_num_queries):
    for number in range(rows):
        AlertFactory(client=runner, text=f"Alert {number}")
        HoldFactory(client=runner, code=f"s{number}")
    staff = StaffFactory(role=role)
    assert staff.roles  # read by the guard of the page

    with django_assert_num_queries(3):  # alerts, holds, who may open it and where to write
        strip(staff, runner)


def test_page_without_client_has_no_strip():
    assert strip(StaffFactory(), None).strip() == ""


# errors of forms


def test_error_summary_leads_to_each_field():
    form = PairForm({})

    page = draw("{% error_summary form %}", StaffFactory(), form=form)

    assert words(page) == (
        "3 things to mend Choose another pair. Name: Fill this in. Side: Choose one."
    )
    assert re.findall(r'href="#(\w+)"', page) == ["id_name", "id_side_0"]
    assert 'tabindex="-1"' in page
    assert "autofocus" in page


def test_target_of_the_summary_is_on_the_page():
    form = PairForm({})

    page = draw("{% load crispy_forms_filters %}{{ form|crispy }}", StaffFactory(), form=form)

    for target in ("id_name", "id_side_0"):
        assert f'id="{target}"' in page


def test_form_without_errors_has_no_summary():
    assert draw("{% error_summary form %}", StaffFactory(), form=PairForm()).strip() == ""


def test_page_without_form_has_no_summary():
    assert draw("{% error_summary form %}", StaffFactory()).strip() == ""


def test_errors_of_a_formset_are_summed_up():
    formset = forms.formset_factory(PairForm)(
        {"form-TOTAL_FORMS": 2, "form-INITIAL_FORMS": 2, "form-0-name": "a", "form-0-side": "l"}
    )

    page = draw("{% error_summary formset %}", StaffFactory(), formset=formset)

    assert "4 things to mend" in words(page)
    assert "#id_form-1-name" in page


def test_general_error_is_said_once():
    drawn = "{% load crispy_forms_filters %}{{ form|crispy }}"

    alone = draw(drawn, StaffFactory(), form=PairForm({}))
    together = draw("{% error_summary form %}" + drawn, StaffFactory(), form=PairForm({}))

    assert alone.count("Choose another pair.") == 1
    assert together.count("Choose another pair.") == 1


def test_title_says_that_there_are_errors():
    page = draw('{% include "base.html" %}', StaffFactory(), form=PairForm({}))

    assert "<title>Error: " in page
    assert "<title>Error: " not in draw(
        '{% include "base.html" %}', StaffFactory(), form=PairForm()
    )


@pytest.mark.parametrize("typed", ["12.3.2027", "12/3/2027", "2027-03-12", "12 Mar 2027"])
def test_day_is_read_as_people_write_it(typed):
    assert DateField().clean(typed) == date(2027, 3, 12)


def test_wrong_day_says_how_to_write_one():
    with pytest.raises(forms.ValidationError, match=r"Write a day such as 12\.3\.2027"):
        DateField().clean("31.2.2027")


# lists


def test_next_rows_keep_the_search():
    rows = Paginator(range(120), 50).get_page(2)
    template = '{% include "clinic/_pages.html" with page=rows %}'

    page = draw(template, StaffFactory(), "/clients/?q=fen%20wick&page=2", rows=rows)

    assert words(page) == "Earlier rows Page 2 of 3 Later rows"
    assert re.findall(r'href="([^"]+)"', page) == [
        "?q=fen+wick&amp;page=1",
        "?q=fen+wick&amp;page=3",
    ]


def test_short_list_has_no_pages():
    rows = Paginator(range(50), 50).get_page(1)

    page = draw('{% include "clinic/_pages.html" with page=rows %}', StaffFactory(), rows=rows)

    assert words(page) == ""


# pages for what went wrong


def reference_of(response):
    return re.search(r"\b[0-9A-F]{4}-[0-9A-F]{4}\b", response.content.decode()).group()


def test_failure_shows_a_reference_and_no_trace(client, caplog):
    client.force_login(StaffFactory())
    client.raise_request_exception = False

    response = client.get("/failing/?name=Fenwick")

    line = next(it for it in caplog.records if it.name == "clinic.web.views.errors")
    assert response.status_code == 500
    assert "cupboard" not in response.content.decode()
    assert reference_of(response) == line.facts["reference"] == response["X-Reference"]
    told = json.loads(OneObject().format(line))
    assert told["error"][0]["kind"] == "builtins.RuntimeError"
    assert told["error"][0]["at"][-1].startswith("tests/clinic/test_shell.py:")
    assert "cupboard" not in str(told)
    assert "Fenwick" not in str(told)


def test_failure_of_the_failure_page_still_answers(client, caplog, settings):
    client.force_login(StaffFactory())
    client.raise_request_exception = False
    templates = settings.TEMPLATES[0]
    settings.TEMPLATES = [{**templates, "APP_DIRS": False}]

    response = client.get("/failing/")

    assert response.status_code == 500
    assert response.content.startswith(b"Something failed on our side. Reference: ")


def test_page_that_is_not_there_has_our_look(client, caplog):
    client.force_login(StaffFactory())

    response = client.get("/nowhere/")

    assert response.status_code == 404
    assert "There is no such page" in response.content.decode()
    lines = [it.facts["reference"] for it in caplog.records]
    assert lines == [reference_of(response)] * 2


@pytest.mark.parametrize("status", ["400", "403", "404", "409", "413", "500", "503", "403_csrf"])
def test_error_page_is_drawn_without_a_request(status):
    page = words(render_to_string(f"{status}.html", {"reference": "12AB-34CD"}))

    assert "12AB-34CD" in page


def test_address_of_a_page_that_is_not_there_is_empty():
    assert shell.address("no-such-name") == ""
    assert shell.address("client-open", 7) == "/clients/7/"


def test_same_page_changes_only_what_it_is_told():
    request = RequestFactory().get("/?q=a&page=3")

    assert shell.same_page(Context({"request": request}), page=4) == "?q=a&page=4"
