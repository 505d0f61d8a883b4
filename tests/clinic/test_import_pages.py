"""The pages of an import: file, columns, rows, report; nothing typed is lost, nothing is open."""

import csv
import io
import re
from datetime import date, timedelta
from pathlib import Path

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from clinic import kept_files
from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Client, TrailEntry
from tests.factories import ClientFactory, StaffFactory

FILE = """Surname,First name,DOB,Phone,Notes
Fenwick,Orla,03/04/1990,01632 960100,likes hills
大谷,翔,1994-07-05,12,
Marlow,Ines,soon,,
"""
COLUMNS, CHECK = reverse("client-import-columns"), reverse("client-import-check")
START, REPORT = reverse("client-import"), reverse("client-import-report")


@pytest.fixture(autouse=True)
def own_folder(settings, tmp_path):
    settings.DATA_DIR = tmp_path


@pytest.fixture
def manager(db):
    return StaffFactory(role=Role.MANAGER)


@pytest.fixture
def desk(client, manager):
    client.force_login(manager)
    return client


def bring(desk, text=FILE, **fields):
    data = text if isinstance(text, bytes) else text.encode()
    return desk.post(START, {"file": SimpleUploadedFile("clients.csv", data), **fields})


def columns(desk, **fields):
    form = desk.get(COLUMNS).context["form"]
    values = {name: form[name].value() or "" for name in form.fields}
    return desk.post(COLUMNS, values | {"order": "day_first"} | fields)


def press(desk, **fields):
    return desk.post(CHECK, {"seen": desk.get(CHECK).context["seen"], **fields})


def sealed(settings):
    return list((Path(settings.DATA_DIR) / "waiting").iterdir())


def test_file_goes_through_its_steps(desk):
    assert bring(desk).url == COLUMNS
    assert columns(desk).url == CHECK
    page = desk.get(CHECK)
    assert (page.context["ready"], page.context["faulty_count"]) == (2, 1)

    answer = press(desk, leave_out="yes")

    assert answer.url == START
    orla = Client.objects.get(given_names="Orla")
    assert (orla.birth_date, orla.telephone) == (date(1990, 4, 3), "+44 1632 960100")
    assert Client.objects.count() == 2
    assert desk.get(START).context["done"] == {"imported": 2, "skipped": 0, "left_out": 1}


def test_columns_are_guessed_and_shown_with_their_first_texts(desk):
    bring(desk)

    page = desk.get(COLUMNS)

    shown = [(field.value(), samples) for samples, field in page.context["columns"]]
    assert shown == [
        ("family_name", ["Fenwick", "大谷", "Marlow"]),
        ("given_names", ["Orla", "翔", "Ines"]),
        ("birth_date", ["03/04/1990", "1994-07-05", "soon"]),
        ("telephone", ["01632 960100", "12"]),
        ("", ["likes hills"]),
    ]
    assert page.context["form"]["region"].value() == "GB"


def test_columns_that_cannot_be_are_refused_with_all_that_was_chosen(desk):
    bring(desk)

    page = columns(desk, **{"column-0": "email", "region": "de"})

    assert page.status_code == 200
    form = page.context["form"]
    assert form.non_field_errors() == ["No column is the family name: every client needs one."]
    assert (form["column-0"].value(), form["region"].value()) == ("email", "de")


def test_country_that_is_none_is_refused(desk):
    bring(desk)

    assert set(columns(desk, region="UK").context["form"].errors) == {"region"}


def test_other_separator_reads_the_file_anew(desk):
    bring(desk, "Surname;DOB, x;y\nFenwick;1990-04-12, z;y\n")
    assert desk.get(COLUMNS).context["table"].separator == ";"

    assert columns(desk, separator=",").url == COLUMNS

    page = desk.get(COLUMNS)
    assert page.context["table"].headings == ("Surname;DOB", "x;y")
    assert page.context["form"]["separator"].value() == ","


def test_separator_that_cannot_be_is_refused_and_the_file_stays(desk):
    bring(desk, 'Surname,DOB\n"a,b",1990-04-12\n')

    columns(desk, separator=";")

    page = desk.get(COLUMNS)
    assert "cannot be read" in page.content.decode() or page.context["table"].separator == ";"
    assert columns(desk, separator="|").status_code == 200


def test_ambiguous_dates_wait_for_an_answer(desk):
    bring(desk)
    columns(desk, order="unknown")

    faulty = desk.get(CHECK).context["faulty"]

    assert [row.line for row in faulty] == [2, 4]
    assert "say with the columns whether day or month is first" in faulty[0].words


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "The file is empty."),
        (b"Surname,DOB\n", "at least one row"),
        ("Surname\nGrünewald\n".encode("cp1252"), "choose Windows-1252"),
        (b"x" * 5_000_001, "more than 5 MB"),
    ],
)
def test_file_that_is_no_table_is_refused_beside_its_field(desk, settings, data, words):
    page = bring(desk, data)

    assert words in page.context["form"].errors["file"][0]
    assert not (Path(settings.DATA_DIR) / "waiting").exists()


def test_file_is_needed(desk):
    assert set(desk.post(START, {}).context["form"].errors) == {"file"}


def test_older_encoding_can_be_chosen(desk):
    bring(desk, "Surname,DOB\nGrünewald,1990-04-12\n".encode("cp1252"), encoding="cp1252")
    columns(desk)
    press(desk)

    assert Client.objects.get().family_name == "Grünewald"


# Doubles


def test_double_is_skipped_unless_it_is_another_person(desk, manager):
    ClientFactory(
        site=manager.home_site, number="ML00042", family_name="Fenwick", birth_date="1990-04-03"
    )
    bring(desk)
    columns(desk)
    page = desk.get(CHECK)
    assert [row.words for row in page.context["doubtful"]] == ["May be ML00042 of the record."]

    press(desk, leave_out="yes", anyway=["2"])

    assert Client.objects.filter(family_name="Fenwick").count() == 2


def test_faulty_rows_stop_all_and_the_choices_stay(desk, manager):
    ClientFactory(site=manager.home_site, family_name="Fenwick", birth_date="1990-04-03")
    bring(desk)
    columns(desk)

    page = press(desk, anyway=["2"])

    assert page.status_code == 422
    assert "say that they are left out" in page.context["refusal"]
    assert re.search(r'value="2"\s+checked', page.content.decode())
    assert Client.objects.count() == 1


def test_record_that_changed_meanwhile_is_shown_again(desk, manager):
    bring(desk)
    columns(desk)
    seen = desk.get(CHECK).context["seen"]
    ClientFactory(site=manager.home_site, family_name="Fenwick", birth_date="1990-04-03")

    page = desk.post(CHECK, {"seen": seen, "leave_out": "yes"})

    assert page.status_code == 422
    assert "has changed since" in page.context["refusal"]
    assert len(page.context["doubtful"]) == 1
    assert Client.objects.count() == 1


def test_same_file_is_named_and_imported_once(desk):
    for _ in range(2):
        bring(desk)
        columns(desk)
        page = desk.get(CHECK)
        press(desk, leave_out="yes")

    assert page.context["before"].action == TrailAction.IMPORT
    assert "Imported already" in page.content.decode()
    assert Client.objects.count() == 2


def test_two_presses_import_once(desk):
    bring(desk)
    columns(desk)
    act = "1f7d3d3c-6a0e-4b5e-9a53-0c2f6b7e41d8"

    first = press(desk, leave_out="yes", act=act)
    second = desk.post(CHECK, {"leave_out": "yes", "act": act})

    assert (first.url, second.url) == (START, START)
    assert Client.objects.count() == 2
    assert TrailEntry.objects.filter(action=TrailAction.IMPORT).count() == 1


# The file that waits


def test_waiting_file_is_sealed_and_of_this_account_only(desk, manager, settings):
    bring(desk)

    (path,) = sealed(settings)
    assert path.stat().st_mode & 0o077 == 0
    assert b"Fenwick" not in path.read_bytes()
    assert kept_files.kept(path.name, manager) == FILE.encode()
    assert kept_files.kept(path.name, StaffFactory(role=Role.MANAGER)) is None


@pytest.mark.parametrize("name", ["", "../../etc/passwd", "0" * 32, "z" * 32])
def test_name_that_we_never_gave_opens_nothing(manager, name):
    assert kept_files.kept(name, manager) is None
    kept_files.drop(name)


def test_file_waits_for_an_hour(manager, settings):
    now = timezone.now()
    name = kept_files.keep(b"Surname", manager)
    kept_files.drop(kept_files.keep(b"while the first is new", manager))

    with time_machine.travel(now + timedelta(minutes=59), tick=False):
        assert kept_files.kept(name, manager) == b"Surname"
    with time_machine.travel(now + timedelta(minutes=61), tick=False):
        assert kept_files.kept(name, manager) is None
        kept_files.keep(b"another", manager)
        assert len(sealed(settings)) == 1  # the old one is gone


def test_file_is_dropped_when_it_was_imported_or_is_not_wanted(desk, manager, settings):
    bring(desk)
    assert desk.post(COLUMNS, {"drop": "yes"}).url == START
    assert sealed(settings) == []

    bring(desk)
    columns(desk)
    press(desk, leave_out="yes")

    (report,) = sealed(settings)
    assert kept_files.kept(report.name, manager).startswith(b"[[")


@pytest.mark.parametrize("address", [COLUMNS, CHECK, REPORT])
def test_step_without_a_file_leads_back(desk, address):
    page = desk.get(address, follow=True)

    assert page.redirect_chain[-1][0] == START
    assert "No file is waiting" in page.content.decode()


def test_check_before_the_columns_leads_back(desk):
    bring(desk)

    assert desk.get(CHECK).url == START


# The report


def rows_of(response):
    text = response.content.decode("utf-8-sig")
    return list(csv.reader(io.StringIO(text, newline="")))


def test_report_of_the_plan_and_of_the_import(desk):
    bring(desk, FILE.replace("Fenwick", "=Fenwick"))
    columns(desk)
    before = rows_of(desk.get(REPORT))

    press(desk, leave_out="yes")
    response = desk.get(REPORT)

    assert [row[3] for row in before[1:]] == ["would be imported"] * 2 + ["cannot be imported"]
    assert response["Content-Type"].startswith("text/csv")
    after = rows_of(response)
    assert [row[3] for row in after[1:]] == ["imported", "imported", "left out"]
    assert after[1][4] == "ML00001"


def test_formula_in_a_name_is_text_everywhere(desk):
    bring(desk, 'Surname,DOB\n"=1+1",1990-04-12\n')
    columns(desk)
    press(desk)

    assert Client.objects.get().family_name == "=1+1"
    assert rows_of(desk.get(REPORT))[1][1] == "'=1+1"


# Lists


def many(count):
    rows = [f"Person{number},1990-04-12,soon" for number in range(count)]
    return "Surname,DOB,Sex\n" + "\n".join(rows) + "\n"


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_of_the_rows_do_not_grow(desk, rows, django_assert_num_queries):
    bring(desk, many(rows))
    columns(desk)

    with django_assert_num_queries(6):
        page = desk.get(CHECK)

    assert page.context["faulty_count"] == rows


def test_only_the_first_rows_of_a_kind_are_shown(desk):
    bring(desk, many(201))
    columns(desk)

    page = desk.get(CHECK)

    assert (len(page.context["faulty"]), page.context["faulty_count"]) == (200, 201)
    assert "The first 200 are shown" in page.content.decode()


def test_file_within_the_limit_is_never_written_down_as_it_came(desk, monkeypatch):
    """Django spools larger uploads to the disk: what is taken here stays in memory."""
    seen = []
    keep = kept_files.keep

    def kept(data, owner):
        seen.append(len(data))
        return keep(data, owner)

    monkeypatch.setattr(kept_files, "keep", kept)
    made = []
    monkeypatch.setattr(
        "django.core.files.uploadhandler.TemporaryUploadedFile",
        lambda *_: made.append("a file on the disk"),
    )

    bring(desk, "Surname,Notes\n" + f"Fenwick,{'x' * 400}\n" * 10_000)

    assert seen[0] > 4_000_000
    assert made == []
