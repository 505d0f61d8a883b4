"""The site is killed with signal 9 while it saves; and what the count would say of a loss."""

import json
import os
import subprocess
import sys
from uuid import UUID

import pytest
from django.conf import settings
from django.urls import reverse

from assessments.models import Assessment, Observation
from tests.durability import inspecting
from tests.durability.places import postgres_programs
from tests.durability.writing import Answer
from tests.factories import StaffFactory
from tests.factories.consult import make_assessment, observe

CYCLES = 25
ACT = "9f1c7e52-0f0e-4c8b-9d7c-6f4c2a7b1e10"
KEY = "o.cadence.none"


def of_the_machine():
    """The environment without what names the database of these tests."""
    ours = ("DATABASE_URL", "CLINIC_", "DJANGO_")
    return {name: text for name, text in os.environ.items() if not name.startswith(ours)}


def test_killed_server_keeps_what_it_acknowledged(tmp_path):
    """In a process of its own, with a database of its own."""
    on_postgres = "postgres" in settings.DATABASES["default"]["ENGINE"] and postgres_programs()
    words = ["--cycles", str(CYCLES)]
    if on_postgres:
        words += ["--engine", "postgres", "--database-kills", "3"]
    file = tmp_path / "figures.json"

    done = subprocess.run(
        [sys.executable, "-m", "tests.durability", *words, "--json", str(file)],
        capture_output=True,
        text=True,
        cwd=settings.BASE_DIR,
        env=of_the_machine(),
        check=False,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(file.read_text())
    assert found["acknowledged"] >= CYCLES, done.stdout
    # some kills met a request on its way, or nothing was tried
    assert found["cut_in_flight"] > 0, done.stdout
    assert (found["missing"], found["half_written"], found["integrity"]) == ([], [], [])


@pytest.fixture
def draft(edition):
    return make_assessment(edition=edition, by=StaffFactory())


@pytest.fixture
def answered(client, draft):
    """One answer as the kill test sends it, acknowledged."""
    client.force_login(draft.clinician)
    answer = Answer(ACT, KEY, "171", "")
    saved = client.post(
        reverse("assessment-answers", args=[draft.pk]),
        answer.fields,
        headers={"X-Act": ACT, "HX-Request": "true"},
    )
    assert (saved.status_code, b"saved at" in saved.content) == (200, True)
    return answer


def test_count_is_clean_after_one_answer(draft, answered):
    assert inspecting.missing([answered], draft) == []
    assert inspecting.half_written(draft) == []
    assert inspecting.kept_before_the_cut([(answered, 2**40)]) == 1
    assert inspecting.kept_before_the_cut([(answered, 0)]) == 0


def test_count_misses_an_answer_that_went_back(draft, answered):
    Observation.objects.filter(assessment=draft).update(value=165)

    assert inspecting.missing([answered], draft) == [answered]
    assert inspecting.half_written(draft) == [f"{KEY}: holds 165, the last line says 171"]


def test_count_misses_an_answer_whose_line_was_never_written(draft, answered):
    unknown = Answer(str(UUID(int=1)), KEY, "171", "")

    assert inspecting.missing([unknown], draft) == [unknown]


def test_count_names_an_answer_without_its_line(draft, answered):
    """As if the answer were stored in one transaction and its line in another."""
    Observation.objects.filter(assessment=draft).update(version=2)
    observe(draft, "trunk_lean", value=8, method="by_eye")

    assert sorted(inspecting.half_written(draft)) == [
        f"{KEY}: saved 2 times, 1 lines say so",
        "o.trunk_lean.none: saved 1 times, 0 lines say so",
    ]


def test_count_names_a_line_without_its_answer(client, draft, answered):
    other = Assessment.objects.get(pk=make_assessment(edition=draft.edition).pk)
    Observation.objects.filter(assessment=draft).update(assessment=other, trial=other.trials.get())

    assert inspecting.half_written(draft) == [
        f"{KEY}: 1 lines and no answer",
        "1 rows of another assessment",
    ]


@pytest.mark.engine("sqlite")  # PostgreSQL's own check runs on the cluster of the kill test
def test_integrity_finds_nothing_in_a_whole_database(db):
    assert inspecting.integrity() == []
