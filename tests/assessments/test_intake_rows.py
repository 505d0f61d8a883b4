"""Rows of the screening page: every flag has words, and an emergency is said plainly.

Questions and signs are those of fixtures/screening.csv: s34 and s43 have no question for the
client, and the emergency of s04 and s11 is "always".
"""

import csv
import re
from html import unescape

import pytest
from django.conf import settings
from django.urls import reverse

from tests.factories import ClientFactory, StaffFactory
from tests.factories.consult import make_screening

HTMX = {"HTTP_HX_REQUEST": "true"}


@pytest.fixture
def clinician(db, client):
    staff = StaffFactory()
    client.force_login(staff)
    return staff


def legends(response):
    found = re.findall(r"<legend>(.*?)</legend>", unescape(response.content.decode()), re.DOTALL)
    return [" ".join(text.split()) for text in found]


def test_every_flag_is_named_by_its_question_or_its_sign(client, clinician, edition):
    with (settings.REFERENCE_DIR / "screening.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))

    shown = legends(client.get(reverse("screening-open", args=[ClientFactory().pk])))

    assert shown == [
        row["question"] or f"For you to judge: {row['clinician_sign']}" for row in rows
    ]
    assert sum(text.startswith("For you to judge: ") for text in shown) == 2


@pytest.mark.parametrize(
    ("flag", "words"),
    [
        ("s04", "This is always an emergency."),
        ("s03", "Emergency if breathlessness, chest pain or coughing blood."),
    ],
)
def test_emergency_is_said_plainly(client, clinician, edition, flag, words):
    runner = ClientFactory()

    shown = client.post(reverse("screening-open", args=[runner.pk]), {flag: "yes"}, **HTMX)

    assert words in shown.content.decode()


def test_flag_without_emergency_says_none(client, clinician, edition):
    runner = ClientFactory()
    make_screening(runner, clinician, flags=["s05"])

    shown = client.post(reverse("screening-open", args=[runner.pk]), {"s05": "yes"}, **HTMX)

    assert "mergency" not in shown.content.decode()
