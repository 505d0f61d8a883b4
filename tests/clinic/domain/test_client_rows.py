"""Rows of a file as clients: columns, dates in several forms, words, and what is refused."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinic.domain.client_rows import (
    FIELDS,
    GUESSES,
    DayOrder,
    guessed,
    mapping_faults,
    read_day,
    readings,
)
from clinic.domain.people import KnownPeople, KnownPerson, same_telephone, similar
from clinic.domain.tables_from_files import read_table

TODAY = date(2027, 3, 15)
DAY_FIRST, MONTH_FIRST, UNKNOWN = DayOrder.DAY_FIRST, DayOrder.MONTH_FIRST, DayOrder.UNKNOWN


def plain(typed):
    return typed, ""


def read(text, columns=None, order=UNKNOWN, telephone=plain):
    table = read_table(text.encode())
    columns = columns or guessed(table.headings)
    return readings(table, columns, order=order, today=TODAY, telephone=telephone)


# Columns


def test_columns_are_guessed_from_their_headings():
    headings = ["Surname", "FIRST NAME", "D.O.B.", "dob", "Mobile", "E-Mail", "Town", "Postcode"]

    assert guessed(headings) == [
        "family_name",
        "given_names",
        "",
        "birth_date",
        "telephone",
        "email",
        "address",
        "address",
    ]


def test_field_is_guessed_once():
    assert guessed(["Phone", "Mobile"]) == ["telephone", ""]


def test_every_guess_is_a_field():
    assert set(GUESSES.values()) == set(FIELDS)


def test_columns_that_cannot_be_are_named():
    assert mapping_faults(["given_names", "telephone", "telephone"]) == [
        "No column is the family name: every client needs one.",
        "No column is the date of birth: every client needs one.",
        "Two columns are the telephone: choose one of them.",
    ]
    assert mapping_faults(["family_name", "birth_date", "address", "address", ""]) == []


# Dates


@pytest.mark.parametrize(
    ("typed", "order", "day"),
    [
        ("1990-04-12", UNKNOWN, date(1990, 4, 12)),  # ISO 8601
        ("1990/4/2", UNKNOWN, date(1990, 4, 2)),
        ("1990-04-12 00:00:00", UNKNOWN, date(1990, 4, 12)),
        ("1990-04-12T00:00:00.000", UNKNOWN, date(1990, 4, 12)),
        ("12.04.1990", UNKNOWN, date(1990, 4, 12)),  # DIN 5008
        ("2. 4. 1990", UNKNOWN, date(1990, 4, 2)),
        ("12 Apr 1990", UNKNOWN, date(1990, 4, 12)),
        ("12 April 1990", UNKNOWN, date(1990, 4, 12)),
        ("12-Apr-1990", UNKNOWN, date(1990, 4, 12)),
        ("Apr 12, 1990", UNKNOWN, date(1990, 4, 12)),
        ("03/04/1990", DAY_FIRST, date(1990, 4, 3)),
        ("03/04/1990", MONTH_FIRST, date(1990, 3, 4)),
        ("03-04-1990", DAY_FIRST, date(1990, 4, 3)),
        ("23/04/1990", UNKNOWN, date(1990, 4, 23)),
        ("04/23/1990", UNKNOWN, date(1990, 4, 23)),
        ("04/04/1990", UNKNOWN, date(1990, 4, 4)),
        ("29/02/2000", DAY_FIRST, date(2000, 2, 29)),
    ],
)
def test_day_is_read_in_the_forms_that_people_write(typed, order, day):
    assert read_day(typed, order) == day


@pytest.mark.parametrize(
    ("typed", "order", "words"),
    [
        ("03/04/2026", UNKNOWN, "can be two days"),
        ("23/04/1990", MONTH_FIRST, "no day of the calendar"),
        ("04/23/1990", DAY_FIRST, "no day of the calendar"),
        ("30.02.1990", UNKNOWN, "no day of the calendar"),
        ("29/02/1990", DAY_FIRST, "no day of the calendar"),
        ("12/04/90", DAY_FIRST, "four digits of the year"),
        ("12.4.90", UNKNOWN, "four digits of the year"),
        ("32975", UNKNOWN, "four digits of the year"),
        ("1990-04-12 13:45", UNKNOWN, "four digits of the year"),
        ("last spring", UNKNOWN, "four digits of the year"),
    ],
)
def test_day_that_is_none_or_could_be_two_is_refused(typed, order, words):
    with pytest.raises(ValueError, match=words):
        read_day(typed, order)


@given(st.dates(date(1900, 1, 1), TODAY), st.sampled_from(["%d/%m/%Y", "%m/%d/%Y"]))
def test_no_date_is_read_as_another_one(day, form):
    """Without an order a stroked date is read right or refused; never the other way round."""
    try:
        found = read_day(day.strftime(form), UNKNOWN)
    except ValueError:
        assert day.day <= 12
        assert day.day != day.month
    else:
        assert found == day


# Rows


def test_row_gives_the_fields_of_a_client():
    (row,) = read(
        "Surname,First name,DOB,Sex,Address 1,Town,Phone,Email,Contact by\n"
        "Fenwick,Orla,12.4.1990,Female,4 Mill Lane,Larkfield,01632 960100,o@example.org,Phone\n"
    )

    assert row.faults == {}
    assert row.line == 2
    assert row.fields == {
        "family_name": "Fenwick",
        "given_names": "Orla",
        "birth_date": date(1990, 4, 12),
        "sex_for_norms": "f",
        "address": "4 Mill Lane\nLarkfield",
        "telephone": "01632 960100",
        "email": "o@example.org",
        "preferred_channel": "telephone",
    }


@pytest.mark.parametrize(
    "name", ["Łukasiewicz-Ōtani", "大谷", "נועה", "Ó Séaghdha", "d’Arc", "ﬁnn"]
)
def test_names_of_all_scripts_are_kept_as_typed(name):
    (row,) = read(f"Surname,DOB\n {name} ,1990-04-12\n")

    assert row.fields["family_name"] == name


def test_formula_is_text():
    (row,) = read('Surname,DOB\n"=HYPERLINK(""x"")",1990-04-12\n')

    assert (row.faults, row.fields["family_name"]) == ({}, '=HYPERLINK("x")')


@pytest.mark.parametrize(
    ("cells", "field", "words"),
    [
        (",1990-04-12,,", "family_name", "needs a family name"),
        ("Fenwick,,,", "birth_date", "needs a date of birth"),
        ("Fenwick,2027-03-16,,", "birth_date", "lies in the future"),
        ("Fenwick,1899-12-31,,", "birth_date", "lies before 1900"),
        ("Fenwick,1990-04-12,perhaps,", "sex_for_norms", "none of: f, m, x"),
        ("Fenwick,1990-04-12,,pigeon", "preferred_channel", "none of: letter, email, telephone"),
        ("Fen\x07wick,1990-04-12,,", "family_name", "no text has"),
        ("Fenwick,1990-04-12,", "row", "3 cells and the heading 4"),
        ("Fenwick,1990-04-12,,,more", "row", "5 cells and the heading 4"),
    ],
)
def test_fault_is_named_by_field(cells, field, words):
    (row,) = read(f"Surname,DOB,Sex,Contact by\n{cells}\n")

    assert words in row.faults[field]


def test_empty_cells_beyond_the_last_heading_are_no_fault():
    (row,) = read("Surname,DOB\nFenwick,1990-04-12,,\n")

    assert row.faults == {}


def test_telephone_is_what_its_reader_says():
    (row,) = read(
        "Surname,DOB,Phone\nFenwick,1990-04-12,12\n", telephone=lambda typed: (typed, "kept")
    )

    assert (row.fields["telephone"], row.notes) == ("12", {"telephone": "kept"})


# Doubles

names = st.sampled_from(["Fenwick", "Fennwick", "Fenwick-Smith", "Marlow", "Łuk", "Luk"])
days = st.sampled_from([date(1990, 4, 12), date(1991, 4, 12)])
telephones = st.sampled_from(
    ["", "960100", "01632 960100", "+44 1632 960100", "+44 (0)1632 960100", "960101", "12"]
)


@given(st.lists(st.tuples(names, days, telephones), max_size=12), names, days, telephones)
def test_many_are_asked_by_the_rule_of_registration(people, name, day, telephone):
    """The rule written out for each pair, as at registration."""
    known = [KnownPerson(str(place), *one) for place, one in enumerate(people)]

    found = {one.key for one in KnownPeople(known).like(name, day, telephone)}

    assert found == {
        one.key
        for one in known
        if (one.birth_date == day and similar(one.family_name, name))
        or same_telephone(one.telephone, telephone)
    }
