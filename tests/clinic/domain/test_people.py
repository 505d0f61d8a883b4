"""Names, telephones and dates as the search reads them."""

from datetime import date

import pytest

from clinic.domain.people import (
    digits,
    filled_in,
    normalised,
    read_search,
    same_telephone,
    search_text,
    similar,
)

FORMATS = ["%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%d.%m.%y"]
TODAY = date(2027, 3, 12)


# Unicode Standard Annex 15, table 4: NFKD of U+00C5, U+FB01, U+0041 U+030A; case folding of
# U+00DF and of final sigma: CaseFolding.txt (F 00DF; C 03C2)
@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("\u00c5", "a"),
        ("A\u030a", "a"),
        ("\ufb01n", "fin"),
        ("Stra\u00dfe", "strasse"),
        (
            "\u03a3\u03af\u03c3\u03c5\u03c6\u03bf\u03c2",
            "\u03c3\u03b9\u03c3\u03c5\u03c6\u03bf\u03c3",
        ),
        ("S\u00f8ren  \u0141uk", "soren luk"),
        ("\u674e\u96f7", "\u674e\u96f7"),
    ],
)
def test_normalised_drops_accents_and_case(text, plain):
    assert normalised(text) == plain


def test_normalised_does_nothing_the_second_time():
    once = normalised("Zoë Brontë-Þórsdóttir İ")

    assert normalised(once) == once


@pytest.mark.parametrize(
    "written", ["01632 960 100", "(01632) 960-100", "1632.960100", "0 1632 960100"]
)
def test_digits_read_a_national_number(written):
    assert digits(written) == "1632960100"


def test_digits_of_an_international_number_hold_the_national_ones():
    assert digits("+44 (0)1632 960100") == "441632960100"


@pytest.mark.parametrize(
    ("typed", "words", "born"),
    [
        ("", (), None),
        ("  Zoë ", ("zoe",), None),
        ("Zoë Fen", ("zoe", "fen"), None),
        ("ML00012", ("ml00012",), None),
        ("00012", ("00012",), None),
        ("01632 960 100", ("1632960100",), None),
        ("fen 01632960100", ("fen", "1632960100"), None),
        ("12.4.1990", (), date(1990, 4, 12)),
        ("1990-04-12", (), date(1990, 4, 12)),
        ("fen 12/4/1990", ("fen",), date(1990, 4, 12)),
        ("12.4.27", (), date(1927, 4, 12)),
        ("29.2.28", (), date(1928, 2, 29)),
        ("12.4.90", (), date(1990, 4, 12)),
        ("12.3.27", (), TODAY),
        ("31.2.1990", ("3121990",), None),
    ],
)
def test_search_is_read(typed, words, born):
    sought = read_search(typed, FORMATS, TODAY)

    assert (sought.words, sought.born) == (words, born)
    assert sought.is_empty == (not words and born is None)


@pytest.mark.parametrize(
    ("typed", "fields"),
    [
        ("Sukarn", {"family_name": "Sukarn"}),
        ("Zoë Anne Fen", {"family_name": "Fen", "given_names": "Zoë Anne"}),
        (
            "Zoë Fen 12.4.1990",
            {"family_name": "Fen", "given_names": "Zoë", "birth_date": "1990-04-12"},
        ),
        ("12.4.1990", {"birth_date": "1990-04-12"}),
        ("01632 960 100", {"telephone": "01632 960 100"}),
        ("", {}),
    ],
)
def test_a_new_client_is_filled_in_from_the_search(typed, fields):
    assert filled_in(read_search(typed, FORMATS, TODAY)) == fields


def test_search_text_holds_every_name_number_and_telephone():
    text = search_text(["Zoë", "Fen", ""], "ML00012", "+44 (0)1632 960100")

    assert text == "zoe fen ml00012 441632960100"


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [
        ("Fenwick", "Fenwick", True),
        ("Fenwick", "FÉNWICK", True),
        ("Fenwick", "Fennwick", True),  # 14 of 15 letters match: ratio 2 x 7 / 15 = 0.93
        ("Fenwick", "Marlow-Fenwick", True),
        ("Fenwick", "Marlow", False),
        ("Li", "Lo", False),  # ratio 2 x 1 / 4 = 0.5
    ],
)
def test_similar_names_are_told(one, other, alike):
    assert similar(one, other) is alike
    assert similar(other, one) is alike


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("01632 960100", "+44 1632 960100", True),
        ("01632 960100", "960100", True),
        ("01632 960100", "01632 960101", False),
        ("0100", "01632 960100", False),
        ("", "", False),
    ],
)
def test_same_telephone_is_told(one, other, same):
    assert same_telephone(one, other) is same
