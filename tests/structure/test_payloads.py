"""Every field of every form of every page takes whatever is typed: no trace, literal, stored raw.

Each field gets a share of the payloads and fields of one kind get all of them together;
PAYLOADS=all in the environment sends all of them to each field.
"""

import os
from io import BytesIO
from itertools import count
from urllib.parse import urlencode

import pytest
from django.core.cache import cache
from django.test import Client as Browser
from django.urls import reverse
from pypdf import PdfReader

from clinic.domain.vocabulary import Role
from clinic.models import Client
from exercises.models import Programme
from tests.factories import StaffFactory
from tests.structure.doors import World, our_doors
from tests.structure.forms import forms_of
from tests.structure.payloads import ALL, TEXTS, Outcome, try_out

# pages of many fields that one reader takes: each field gets one payload
ALIKE = {"assessment-answers", "screening-open", "history-open", "trial-measure"}
ACCOUNTS = [
    "account_login",
    "account_change_password",
    "account_reset_password",
    "mfa_activate_totp",
]
# 10 MB in one field
LARGE = 10_000_000


class Site:
    """The world of the doors, a signed-in tab for each role, and all forms by kind."""

    def __init__(self, edition):
        self.staff = {role: StaffFactory(role=role) for role in Role}
        self.world = World(self.staff[Role.CLINICIAN], edition)
        self.tabs = {role: Browser(raise_request_exception=False) for role in Role}
        for role, tab in self.tabs.items():
            tab.force_login(self.staff[role])
        self.nobody = Browser(raise_request_exception=False)

    def pages(self):
        """(tab, address) of each page that can be looked at."""
        for door in our_doors():
            for role in sorted(getattr(door.view, "roles", [])):
                yield self.tabs[role], door.address(self.world)
        programme = Programme.objects.get(pk=self.world["programmes", "pk"])
        for name in ("programme-open", "assessment-open"):
            where = reverse(name, args=[programme.assessment_id])
            yield self.tabs[Role.CLINICIAN], where
        for name in ACCOUNTS:
            yield self.nobody, reverse(name)
            yield self.tabs[Role.CLINICIAN], reverse(name)

    def forms(self):
        found = {}
        for tab, address in self.pages():
            answer = tab.get(address)
            is_page = answer.headers.get("Content-Type", "").startswith("text/html")
            if answer.status_code == 200 and is_page:
                for form in forms_of(answer.content.decode(), address):
                    found.setdefault(form.kind, (tab, form))
        return list(found.values())


def share(form):
    """How many payloads each field of this form gets."""
    if os.environ.get("PAYLOADS") == "all":
        return len(ALL)
    return 1 if form.kind[0] in ALIKE else 2


@pytest.fixture
def site(db, edition):
    yield Site(edition)
    cache.clear()


def test_every_field_takes_every_payload(site):
    forms, turn, outcome = site.forms(), count(), Outcome()
    fields = sum(len(form.fields) for _, form in forms)
    for tab, form in forms:
        for name in form.fields:
            for _ in range(share(form)):
                try_out(tab, form, name, ALL[next(turn) % len(ALL)], outcome)

    # the name of a kind of appointment is no word of a client
    found = [it for it in outcome.faults if not (it[3] == "in the trail" and "/kinds/" in it[0])]
    assert found == []
    assert (len(forms) >= 200, fields >= 1000) == (True, True)
    assert (outcome.tried >= 1500, outcome.stored >= 20, outcome.shown >= 200) == (
        True,
        True,
        True,
    )


def test_field_of_ten_megabytes_is_refused_with_a_page(site):
    tried = set()
    for tab, form in site.forms():
        if form.method == "get" or form.kind[0] in tried:
            continue
        tried.add(form.kind[0])
        name = next(iter(form.fields))
        body = urlencode(form.fields | {name: ""}) + "x" * LARGE
        answer = tab.post(form.to, body, content_type="application/x-www-form-urlencoded")

        assert (answer.status_code, form.to) == (413, form.to)
        assert b"is too large" in answer.content
        assert len(answer.content) < 20_000

    assert len(tried) >= 40


def test_field_of_ten_megabytes_in_parts_is_refused(site):
    answer = site.tabs[Role.RECEPTION].post(reverse("client-new"), {"given_names": "x" * LARGE})

    assert answer.status_code == 413


def test_too_many_fields_are_refused(site):
    fields = {f"f{number}": "x" for number in range(1001)}

    answer = site.tabs[Role.RECEPTION].post(reverse("client-new"), fields)

    assert answer.status_code == 400


PRINTED = ["script", "attribute", "image", "template", "sql", "paper", "entity", "path"]


def printed(answer):
    """The text of a PDF without its spaces: lines are broken where they end."""
    assert answer["Content-Type"] == "application/pdf"
    pages = PdfReader(BytesIO(b"".join(answer))).pages
    return "".join("".join(page.extract_text() for page in pages).split())


def without_spaces(text):
    return "".join(text.split())


@pytest.mark.parametrize("name", PRINTED)
def test_paper_prints_what_was_typed(site, name):
    """Letter and slip: mark-up stays text, no file and no address is read."""
    runner, tab = site.world.runner, site.tabs[Role.CLINICIAN]
    Client.objects.filter(pk=runner.pk).update(given_names=TEXTS[name][:80])
    where = reverse("paper-open", args=[site.world["papers", "pk"]])
    forms = forms_of(tab.get(where).content.decode(), where)
    (whole,) = [it for it in forms if {"problems", "next_contact"} <= set(it.fields)]
    answer = whole.send(tab, problems=TEXTS[name], next_contact=TEXTS[name])
    assert answer.status_code == 302

    letter = printed(tab.get(reverse("paper-pdf", args=[site.world["papers", "pk"]])))
    slip = printed(tab.get(reverse("slip-print", args=[site.world["appointments", "pk"]])))

    assert letter.count(without_spaces(TEXTS[name])) == 2
    assert without_spaces(TEXTS[name][:80]) in slip
