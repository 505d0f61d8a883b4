"""Clients from a file: the plan of each row, all or none, once, and the line that it leaves."""

from datetime import date
from hashlib import sha256

import pytest
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command
from django.utils import timezone

from clinic.domain.client_rows import DayOrder, Reading, guessed, readings
from clinic.domain.people import read_search
from clinic.domain.tables_from_files import read_table
from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Client, TrailEntry
from clinic.services import imports
from clinic.services.imports import (
    RowEnd,
    RowState,
    import_clients,
    plan,
    report,
    stamp_of,
)
from clinic.services.people import StaleError, clients_found, register_client
from clinic.telephones import KEPT_AS_TYPED, international, is_region, region_of
from tests.factories import ClientFactory, SiteFactory, StaffFactory

FILE = """Surname,First name,DOB,Phone,Email
Fenwick,Orla,1990-04-12,01632 960100,orla@example.org
大谷,翔,1994-07-05,+81 3-1234-5678,
Łukasiewicz,,1988-01-02,,
"""


@pytest.fixture
def manager(db):
    return StaffFactory(role=Role.MANAGER)


def rows_of(text, region="GB"):
    table = read_table(text.encode())
    return readings(
        table,
        guessed(table.headings),
        order=DayOrder.UNKNOWN,
        today=timezone.localdate(),
        telephone=lambda typed: international(typed, region),
    )


def brought(text, by, **options):
    rows = rows_of(text)
    wanted = {
        "anyway": frozenset(),
        "leave_out": False,
        "seen": stamp_of(plan(rows, by)),
        "checksum": sha256(text.encode()).hexdigest(),
    }
    return import_clients(readings=rows, by=by, **wanted | options)


# The plan


def test_rows_are_ready_doubles_twins_or_faulty(manager):
    ClientFactory(
        site=manager.home_site, number="ML00042", family_name="Fennwick", birth_date="1990-04-12"
    )
    text = FILE + "Lukasiewicz,Jan,1988-01-02,,\nMarlow,Ines,soon,,\n"

    planned = plan(rows_of(text), manager)

    assert [(one.line, one.state, one.like) for one in planned] == [
        (2, RowState.DOUBLE, ("ML00042",)),
        (3, RowState.READY, ()),
        (4, RowState.READY, ()),
        (5, RowState.TWIN, ("4",)),
        (6, RowState.FAULTY, ()),
    ]
    assert [one.words for one in planned[::3]] == [
        "May be ML00042 of the record.",
        "May be the same person as in line 4.",
    ]
    assert planned[4].words.startswith("Date of birth: “soon” is no date")


def test_same_telephone_is_a_double_however_it_is_written(manager):
    ClientFactory(
        site=manager.home_site, number="ML00043", telephone="(01632) 960-100", search_text="x"
    )

    assert plan(rows_of(FILE), manager)[0].like == ("ML00043",)


def test_clients_of_other_sites_are_no_doubles(manager):
    elsewhere = SiteFactory(code="QY", name="Quay")
    ClientFactory(site=elsewhere, family_name="Fenwick", birth_date=date(1990, 4, 12))

    assert plan(rows_of(FILE), manager)[0].state is RowState.READY


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Surname,DOB,Email\nFenwick,1990-04-12,none\n", "Email: Write an address"),
        (f"Surname,DOB\n{'x' * 81},1990-04-12\n", "Family name: Write at most 80"),
    ],
)
def test_what_the_model_refuses_is_said_by_field(manager, text, words):
    (planned,) = plan(rows_of(text), manager)

    assert planned.state is RowState.FAULTY
    assert planned.words.startswith(words)


def test_row_without_a_birth_and_without_a_fault_is_our_own_mistake(manager):
    row = Reading(7, {"family_name": "Fenwick", "birth_date": None}, {}, {})

    with pytest.raises(ValueError, match="line 7 has no date of birth"):
        imports._person("", row)


# The import


def test_clients_are_registered_as_at_the_desk(manager):
    done = brought(FILE, manager)

    assert [(row.end, row.number) for row in done] == [
        (RowEnd.IMPORTED, "ML00001"),
        (RowEnd.IMPORTED, "ML00002"),
        (RowEnd.IMPORTED, "ML00003"),
    ]
    orla, shohei, luk = Client.objects.order_by("number")
    assert (orla.full_name, orla.birth_date, orla.email) == (
        "Orla Fenwick",
        date(1990, 4, 12),
        "orla@example.org",
    )
    assert (shohei.family_name, shohei.given_names) == ("大谷", "翔")
    assert (luk.family_name, luk.given_names) == ("Łukasiewicz", "")
    assert {one.registered_on for one in (orla, shohei, luk)} == {timezone.localdate()}
    assert {one.allergies_known for one in (orla, shohei, luk)} == {"not_asked"}


def test_imported_client_has_what_registration_gives(manager):
    fields = {
        "family_name": "Fenwick",
        "given_names": "Orla",
        "birth_date": date(1990, 4, 12),
        "telephone": "+44 1632 960100",
        "email": "orla@example.org",
    }
    by_hand = register_client(by=manager, **fields)
    Client.objects.filter(pk=by_hand.pk).update(birth_date=date(1950, 1, 1), telephone="")
    brought(FILE, manager)
    imported = Client.objects.get(given_names="Orla", birth_date=date(1990, 4, 12))

    apart = {"id", "number", "search_text", "birth_date", "telephone"}
    for field in Client._meta.concrete_fields:
        if field.name not in apart:
            assert getattr(imported, field.attname) == getattr(by_hand, field.attname), field.name
    assert imported.telephone == fields["telephone"]


def test_next_registration_goes_on_after_the_import(manager):
    ClientFactory(site=manager.home_site, number="ML00002", birth_date=date(1950, 1, 1))

    done = brought(FILE, manager)
    manager.home_site.refresh_from_db()
    following = register_client(
        by=manager, family_name="Next", given_names="One", birth_date=date(1980, 1, 1)
    )

    assert [row.number for row in done] == ["ML00001", "ML00003", "ML00004"]
    assert following.number == "ML00005"


@pytest.mark.parametrize("typed", ["orla", "fenwick", "大谷", "lukasiewicz", "01632 960100"])
def test_imported_client_is_found_by_a_search(manager, typed):
    brought(FILE, manager)

    sought = read_search(typed, ["%d.%m.%Y"], timezone.localdate())

    assert clients_found(sought=sought, staff=manager, now=timezone.now()).count() == 1


def test_import_leaves_its_line_and_one_of_each_client(manager):
    brought(FILE + "Marlow,Ines,soon,,\n", manager, leave_out=True)

    head, *others = TrailEntry.objects.order_by("pk")
    assert (head.action, head.object_kind, head.actor) == (TrailAction.IMPORT, "file", manager)
    assert head.detail == {
        "sha256": sha256((FILE + "Marlow,Ines,soon,,\n").encode()).hexdigest(),
        "rows": 4,
        "imported": 3,
        "skipped": 0,
        "left_out": 1,
    }
    assert [(line.action, line.client.number) for line in others] == [
        (TrailAction.CREATE, f"ML0000{number}") for number in (1, 2, 3)
    ]


def test_possible_doubles_are_skipped_unless_they_are_other_people(manager):
    text = FILE + "Fenwick,Owen,1990-04-12,,\nFennwick,Olga,1990-04-12,,\n"

    done = brought(text, manager, anyway=frozenset({5}))

    assert [row.end for row in done] == [RowEnd.IMPORTED] * 4 + [RowEnd.SKIPPED]
    assert set(Client.objects.values_list("given_names", flat=True)) == {"Orla", "翔", "", "Owen"}


def test_faulty_row_stops_all_unless_it_is_left_out(manager):
    text = FILE + "Marlow,Ines,soon,,\n"

    with pytest.raises(ValidationError, match="Nothing was imported"):
        brought(text, manager)
    assert not Client.objects.exists()
    assert not TrailEntry.objects.exists()

    done = brought(text, manager, leave_out=True)
    assert [row.end for row in done][-1] is RowEnd.LEFT_OUT
    assert Client.objects.count() == 3


def test_same_file_is_imported_once(manager):
    brought(FILE, manager)

    with pytest.raises(ValidationError, match="nothing is imported twice"):
        brought(FILE, StaffFactory(role=Role.MANAGER, home_site=manager.home_site))
    assert Client.objects.count() == 3


def test_changed_file_imports_only_what_is_new(manager):
    brought(FILE, manager)

    done = brought(FILE + "Marlow,Ines,1970-01-01,,\n", manager)

    assert [row.end for row in done] == [RowEnd.SKIPPED] * 3 + [RowEnd.IMPORTED]
    assert Client.objects.count() == 4


def test_record_that_changed_meanwhile_is_looked_at_again(manager):
    seen = stamp_of(plan(rows_of(FILE), manager))
    ClientFactory(site=manager.home_site, family_name="Fenwick", birth_date=date(1990, 4, 12))

    with pytest.raises(StaleError):
        brought(FILE, manager, seen=seen)
    assert Client.objects.count() == 1


def test_file_without_a_row_to_import_changes_nothing(manager):
    brought(FILE, manager)

    with pytest.raises(ValidationError, match="No row would be imported"):
        brought(FILE.replace(",orla@example.org", ","), manager)


def test_account_without_a_site_imports_nothing(manager):
    manager.home_site = None
    rows = rows_of(FILE)

    with pytest.raises(ValidationError, match="no site"):
        import_clients(
            readings=rows, checksum="", anyway=frozenset(), leave_out=False, seen="", by=manager
        )


def test_report_names_every_row(manager):
    text = FILE + "Marlow,Ines,soon,,\nShort,Phone,1980-01-01,12,\n"
    planned = report(plan(rows_of(text), manager))

    done = report(brought(text, manager, leave_out=True))

    assert [row[3] for row in planned[1:]] == [
        *["would be imported"] * 3,
        "cannot be imported",
        "would be imported",
    ]
    assert done[0] == imports.REPORT
    assert done[1][:5] == ("2", "Orla Fenwick", "1990-04-12", "imported", "ML00001")
    assert done[4][3] == "left out"
    assert done[5][6] == f"telephone: {KEPT_AS_TYPED}"


# Telephones


@pytest.mark.parametrize(
    ("typed", "region", "stored"),
    [
        # Ofcom keeps 01632 960000 to 960999 and 07700 900000 to 900999 for drama
        ("01632 960100", "GB", "+44 1632 960100"),
        ("+44 (0)1632 960100", "GB", "+44 1632 960100"),
        ("0044 1632 960100", "GB", "+44 1632 960100"),
        ("07700900123", "GB", "+44 7700 900123"),
        # 555-0100 to 555-0199 are kept for fiction in the North American plan
        ("(202) 555-0143", "US", "+1 202-555-0143"),
        ("+1 202 555 0143", "GB", "+1 202-555-0143"),
    ],
)
def test_telephone_is_stored_with_its_country(typed, region, stored):
    assert international(typed, region) == (stored, "")


@pytest.mark.parametrize("typed", ["12", "none", "call the wife", "01632 960100 / 960101"])
def test_what_is_no_number_is_kept_as_typed(typed):
    assert international(typed, "GB") == (typed, KEPT_AS_TYPED)


def test_country_is_that_of_the_site():
    assert region_of(SiteFactory.build(holiday_region="DE-BY")) == "DE"
    assert region_of(SiteFactory.build(time_zone="Europe/Dublin")) == "IE"
    assert region_of(SiteFactory.build(time_zone="UTC")) == "GB"
    assert is_region("GB")
    assert not is_region("UK")


# The command


@pytest.fixture
def file(tmp_path):
    found = tmp_path / "clients.csv"
    found.write_text(FILE, encoding="utf-8")
    return found


def run(file, manager, **options):
    call_command("import_clients", str(file), by=manager.username, **options)


def test_dry_run_writes_nothing(file, manager, capsys, tmp_path):
    out = tmp_path / "report.csv"

    run(file, manager, dry_run=True, report=out)

    assert not Client.objects.exists()
    assert not TrailEntry.objects.exists()
    said = capsys.readouterr().out
    assert "3 rows, UTF-8, parted by comma, 0 without text" in said
    assert "'ready': 3" in said
    assert out.read_text(encoding="utf-8").splitlines()[1].startswith('"2","Orla Fenwick"')


def test_command_imports(file, manager, capsys, tmp_path):
    out = tmp_path / "report.csv"

    run(file, manager, report=out)

    assert Client.objects.count() == 3
    assert "3 clients were imported" in capsys.readouterr().out
    assert "ML00003" in out.read_text(encoding="utf-8")


def test_columns_are_said_by_hand(file, manager):
    run(file, manager, map=["Email=", "Phone=next_of_kin"])

    orla = Client.objects.get(given_names="Orla")
    assert (orla.email, orla.telephone, orla.next_of_kin) == ("", "", "01632 960100")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"by": "nobody"}, "nobody who is a manager"),
        ({"country": "UK"}, "two letters"),
        ({"map": ["Beard=email"]}, "No column is headed 'Beard'"),
        ({"map": ["Email=beard"]}, "'beard' is none of"),
        ({"map": ["Surname="]}, "No column is the family name"),
        ({"separator": "tab"}, "No column is the family name"),
        ({"encoding": "utf-16"}, "cannot be read as UTF-16"),
    ],
)
def test_command_says_what_is_wrong(file, manager, options, words):
    with pytest.raises(CommandError, match=words):
        call_command("import_clients", str(file), **{"by": manager.username} | options)

    assert not Client.objects.exists()


def test_command_imports_a_file_once(file, manager):
    run(file, manager)

    with pytest.raises(CommandError, match="nothing is imported twice"):
        run(file, manager)


def test_command_needs_a_file(manager, tmp_path):
    with pytest.raises(CommandError, match="No such file"):
        run(tmp_path / "none.csv", manager)


def test_command_tells_of_doubles_and_takes_them_when_told(file, manager, capsys):
    ClientFactory(
        site=manager.home_site, number="ML00042", family_name="Fenwick", birth_date="1990-04-12"
    )
    run(file, manager, dry_run=True)
    assert "line 2, Orla Fenwick: may be a double of the record" in capsys.readouterr().out

    run(file, manager, anyway=[2])

    assert Client.objects.filter(family_name="Fenwick").count() == 2
