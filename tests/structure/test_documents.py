"""What the two documents promise is there and works as written."""

import re
import shlex
from datetime import time
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command, get_commands
from django.urls import Resolver404, resolve
from django.utils import timezone

from clinic.domain.paper import STARTING_EDITION_LINE
from clinic.domain.vocabulary import Role
from clinic.models import AppointmentKind, Site, Staff
from clinic.services.free_times import Wish, offers
from clinic.services.hours import set_weeks
from clinic.services.staff import invite_person

ROOT = Path(__file__).parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md")
PLACES = ("clinic", "assessments", "exercises", "tests", "fixtures", ".ci")
ENDINGS = (".md", ".toml", ".py", ".csv", ".json", ".html")
NOT_IN_THE_TREE = {"FILE.json", "manage.py", ".venv"}
SETTINGS = (ROOT / "clinic/web/settings.py").read_text(encoding="utf-8")


def text_of(name):
    return (ROOT / name).read_text(encoding="utf-8")


def quoted_words(text):
    return [word for quoted in re.findall(r"`([^`\n]+)`", text) for word in quoted.split()]


def is_path(word):
    return word.split("/")[0] in PLACES or word.endswith(ENDINGS)


def is_there(word):
    """A file, a folder, or a dotted name of a package or module."""
    dotted = word.replace(".", "/")
    return any((ROOT / path).exists() for path in (word, dotted, f"{dotted}.py"))


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_path_exists(name):
    text = text_of(name)
    drawn = re.findall(r"(?<![\w/`])[a-z.]+/[\w/.]+\w", text)  # in the map, without backticks
    paths = {word for word in [*quoted_words(text), *drawn] if is_path(word)} - NOT_IN_THE_TREE

    assert len(paths) > 2
    assert sorted(path for path in paths if not is_there(path)) == []


@pytest.mark.parametrize("path", ["clinic/lost.py", "lost.md", "clinic.lost"])
def test_a_lost_path_would_be_seen(path):
    assert not is_there(path)


def opens(address):
    """Whether an address leads to a view; a word of it is no argument unless it says <pk>."""
    try:
        found = resolve(address.replace("<pk>", "1"))
    except Resolver404:
        return False
    return len(found.kwargs) == address.count("<pk>")


@pytest.mark.parametrize("address", ["/lost/", "/library/lost/", "/assessments/<pk>/lost/"])
def test_a_lost_address_would_be_seen(address):
    assert not opens(address)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_address_opens_something(name):
    addresses = [word for word in quoted_words(text_of(name)) if word.startswith("/")]

    lost = [address for address in addresses if not opens(address)]
    assert addresses
    assert lost == []


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_command_exists(name):
    commands = set(re.findall(r"manage\.py ([\w-]+)", text_of(name)))

    assert {"demo", "load_tables"} <= commands
    assert commands - set(get_commands()) == set()


def test_every_command_of_the_deployment_guide_exists():
    commands = set(re.findall(r"manage\.py (\w+)", text_of("clinic/DEPLOYMENT.md")))

    assert {"serve", "open_clinic"} <= commands
    assert commands - set(get_commands()) == set()


@pytest.mark.parametrize("name", ["README.md", "clinic/DEPLOYMENT.md"])
def test_every_variable_of_a_guide_is_read(name):
    variables = set(re.findall(r"\bCLINIC_[A-Z_]+|\bDATABASE_URL\b", text_of(name)))

    assert "CLINIC_DATA" in variables
    assert {one for one in variables if f'"{one.removesuffix("_FILE")}"' not in SETTINGS} == set()


@pytest.mark.parametrize("name", DOCUMENTS)
def test_no_path_of_one_machine(name):
    assert re.findall(r"(?<![\w.>])/(?:home|root|tmp|usr|opt|var)\b\S*", text_of(name)) == []


def test_readme_has_the_two_commands_and_the_cautions():
    text = text_of("README.md")

    assert "python -m pip install uv && uv run manage.py demo\n" in text
    assert "uv run pytest\n" in text
    for words in (
        "not a diagnosis",
        "Local law, professional standards and the licensed clinician's judgement come first",
        "may be a medical device",
        "finds nothing by itself in pictures",
        "usual cautions",
        "`fixtures/policy.csv`",
        f'"{STARTING_EDITION_LINE}"',
    ):
        assert words in text


def test_first_start_of_the_readme_makes_a_clinic_that_can_book(db, client):
    (lines,) = re.findall(
        r"```\nuv run manage.py (open_clinic.*?)```", text_of("README.md"), re.DOTALL
    )
    call_command(*shlex.split(lines.replace("\\\n", "")), stdout=StringIO())
    manager, site = Staff.objects.get(username="manager"), Site.objects.get()
    hired = {"home_site": site, "sites": [site], "by": manager, "first_name": "Ida"}

    invite_person(username="desk", last_name="A", roles=[Role.RECEPTION], **hired)
    clinician, _ = invite_person(
        username="hand", last_name="B", roles=[Role.CLINICIAN], profession="Coach", **hired
    )
    week = {day: [(time(9), time(17))] for day in range(5)}
    set_weeks(site=site, clinician=clinician, week=week, by=manager)

    client.force_login(Staff.objects.get(username="desk"))
    assert client.get("/diary/").status_code == 200
    kind = AppointmentKind.objects.get(code="first")
    assert offers(Wish(kind=kind, first_day=timezone.localdate(), clinician=clinician)).same
