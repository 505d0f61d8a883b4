"""Tables of files that people bring: encodings, separators, lines, and what is refused."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinic.domain.tables_from_files import (
    LARGEST,
    MOST_ROWS,
    UTF_8,
    UTF_16,
    WINDOWS,
    UnreadableError,
    decoded,
    harmless,
    read_table,
    separator_of,
    written_table,
)

TEXT = "Surname,Born\nFenwick,1990-04-12\n"
NAMES = (
    "Surname;Born\nŁukasiewicz;1990-04-12\n大谷;1991-01-02\nנועה;1992-02-03\nO’Brien;1993-01-01\n"
)


@pytest.mark.parametrize(
    ("data", "encoding"),
    [
        (NAMES.encode("utf-8"), UTF_8),
        (NAMES.encode("utf-8-sig"), UTF_8),
        # RFC 2781: UTF-16 with a byte order mark, in either order
        (b"\xff\xfe" + NAMES.encode("utf-16-le"), UTF_16),
        (b"\xfe\xff" + NAMES.encode("utf-16-be"), UTF_16),
    ],
)
def test_encoding_is_found_and_no_letter_changes(data, encoding):
    assert decoded(data) == (NAMES, encoding)


def test_older_encoding_is_asked_for_and_never_guessed():
    data = "Surname\nGrünewald\n".encode("cp1252")

    with pytest.raises(UnreadableError, match="choose Windows-1252"):
        decoded(data)
    assert decoded(data, WINDOWS) == ("Surname\nGrünewald\n", WINDOWS)


@pytest.mark.parametrize(
    ("data", "encoding", "words"),
    [
        (b"", "", "empty"),
        (b"  \n ", "", "empty"),
        (b"a\x81b", WINDOWS, "cannot be read as Windows-1252"),
        (b"a\x00b\x00", "", "choose UTF-16"),
        (b"x" * (LARGEST + 1), "", "more than 5 MB"),
    ],
)
def test_bytes_that_are_no_text_are_refused_with_what_to_do(data, encoding, words):
    with pytest.raises(UnreadableError, match=words):
        decoded(data, encoding)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("address", ["4 Mill Lane", '"4 Mill Lane, Larkfield; flat 2"'])
def test_separator_is_found(separator, address):
    lines = [
        separator.join(["Surname", "First name", "Address", "Born"]),
        separator.join(["Fenwick", "Orla", address, "12.04.1990"]),
        separator.join(["Marlow", "Ines", address, "01.02.1985"]),
    ]

    assert separator_of("\n".join(lines)) == separator


def test_separator_of_one_column_is_a_comma():
    assert separator_of("Surname\nFenwick\nMarlow\n") == ","


def test_commas_in_cells_do_not_win_over_semicolons():
    text = "Surname;Address;Born\nA;1, B, C, D;1990-01-01\nE;2, F, G, H;1990-01-02\n"

    assert separator_of(text) == ";"


def test_rows_know_their_lines_also_after_a_cell_of_two_lines():
    data = (
        b'Surname,Address\r\nFenwick,"4 Mill Lane\r\nLarkfield"\r\n'
        b"\r\n,\r\nMarlow,9 Brook Street\r\n"
    )

    table = read_table(data)

    assert [(row.line, row.cells[0]) for row in table.rows] == [(2, "Fenwick"), (6, "Marlow")]
    assert table.rows[0].cells[1] == "4 Mill Lane\r\nLarkfield"
    assert table.blank == 2


def test_signs_that_end_lines_elsewhere_end_none_here():
    """U+2028 and form feeds stand in text that was copied; RFC 4180 knows CRLF alone."""
    table = read_table("Surname,Born\nFen\u2028wick,1990\x0c\n".encode())

    assert table.rows[0].cells == ("Fen\u2028wick", "1990\x0c")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"Surname,Born\n", "at least one row"),
        (b'Surname,Born\n"Fenwick,1990\nMarlow,1991\n', "Line 2 cannot be read"),
        (b'Surname,Born\n"Fen"wick,1990\n', "Line 2 cannot be read"),
        (b"S\n" + b"x\n" * (MOST_ROWS + 1), "more than 20,000 rows"),
    ],
)
def test_table_of_no_sense_is_refused_with_its_line(data, words):
    with pytest.raises(UnreadableError, match=words):
        read_table(data)


# cells as people type them; no line begins a row of its own
cells = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00\ufeff"))


@given(st.lists(st.tuples(cells, cells), min_size=1, max_size=8))
def test_what_python_writes_is_read_back(rows):
    """RFC 4180 as csv of Python writes it."""
    out = io.StringIO(newline="")
    csv.writer(out).writerows([("Surname", "Note"), *(("x" + one, two) for one, two in rows)])

    table = read_table(out.getvalue().encode(), separator=",")

    assert [row.cells for row in table.rows] == [("x" + one, two) for one, two in rows]


@given(st.lists(st.tuples(cells, cells), min_size=1, max_size=8))
def test_what_we_write_is_read_back_and_computes_nothing(rows):
    """OWASP ASVS 5.0, 1.2.10: no cell begins with a sign that a spreadsheet computes."""
    text = "".join(written_table(rows))

    read = list(csv.reader(io.StringIO(text, newline=""), strict=True))

    assert read == [[harmless(one), harmless(two)] for one, two in rows]
    assert not any(
        cell.startswith(("=", "+", "-", "@", "\t", "\r")) for row in read for cell in row
    )


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r"])
def test_formula_gets_an_apostrophe(sign):
    assert harmless(f"{sign}1+1") == f"'{sign}1+1"
    assert harmless("Fenwick-Smith") == "Fenwick-Smith"
