"""The letter read back from its PDF and from its HTML twin, compared with the value."""

from dataclasses import replace

import pytest
from django.template.loader import render_to_string
from django.utils.html import escape, strip_tags

from clinic.documents.letter import render_letter
from clinic.domain.letter import MANDATORY_HEADINGS
from clinic.domain.paper import words_of
from tests.clinic.documents.papers import (
    BARE,
    BARE_REFERRAL,
    FULL,
    LONG,
    REFERRAL,
    large,
    letters_only,
    pages,
    printed_words,
)

LETTERS = {
    "bare": BARE,
    "bare referral": BARE_REFERRAL,
    "full": FULL,
    "referral": REFERRAL,
    "long": LONG,
}


@pytest.mark.parametrize("name", LETTERS)
def test_every_word_of_the_value_is_in_the_file(name):
    letter = LETTERS[name]
    whole = letters_only(" ".join(pages(render_letter(letter))))

    assert [words for words in printed_words(letter.sections) if words not in whole] == []


def test_every_word_is_in_the_large_print_file():
    whole = letters_only(" ".join(pages(render_letter(large(FULL)))))

    assert [words for words in printed_words(FULL.sections) if words not in whole] == []


@pytest.mark.parametrize("letter", [BARE, BARE_REFERRAL], ids=["progress", "referral"])
def test_bare_letter_has_the_six_mandatory_headings_filled(letter):
    # PRSB outpatient letter, ITK3 specification: client, practice, attendance, summary,
    # allergies, author
    sections = {section.heading: section for section in letter.sections}
    whole = " ".join(pages(render_letter(letter)))

    assert set(MANDATORY_HEADINGS) <= set(sections)
    assert "Summary not given" in whole
    assert "Allergies: not asked Medicines: not asked Devices: not asked" in whole
    assert "Name Jo Bare" in whole
    assert all(heading in whole for heading in MANDATORY_HEADINGS)


def test_request_stands_first_and_cautions_before_the_plan():
    whole = pages(render_letter(FULL))
    first, rest = whole[0], " ".join(whole)

    assert first.index("What is asked of you") < first.index("Summary") < first.index("Cautions")
    assert rest.index("Cautions") < rest.index("Plan Who What")


def test_address_stands_in_the_window_of_a_dl_envelope():
    # common practice, from memory: visible however the sheet slides, 57 to 82 mm from the top
    places = _places(render_letter(FULL), FULL.to.lines)

    assert set(places) == set(FULL.to.lines)
    assert all(57 <= from_top <= 82 and 20 <= x <= 30 for x, from_top in places.values())


def test_long_address_keeps_to_the_window():
    lines = tuple(f"Line {number} of a long address" for number in range(8))
    letter = replace(FULL, to=replace(FULL.to, address=lines))

    places = _places(render_letter(letter), letter.to.lines)

    assert len(places) == 11
    assert max(from_top for _x, from_top in places.values()) <= 95


def _places(pdf, wanted):
    """Where each wanted line begins on page 1: millimetres from the left and from the top."""
    from io import BytesIO

    from pypdf import PdfReader

    found = {}

    def visit(text, _cm, matrix, *_rest):
        if text.strip() in wanted:
            found.setdefault(text.strip(), _in_mm(_cm, matrix))

    PdfReader(BytesIO(pdf)).pages[0].extract_text(visitor_text=visit)
    return found


def _in_mm(outer, inner):
    x = inner[4] * outer[0] + outer[4]
    y = inner[5] * outer[3] + outer[5]
    return x * 25.4 / 72, 297 - y * 25.4 / 72


@pytest.mark.parametrize("name", LETTERS)
def test_html_twin_holds_every_word(name):
    letter = LETTERS[name]
    page = letters_only(render_to_string("clinic/paper_letter.html", {"paper": letter}))

    words = (letters_only(escape(w)) for s in letter.sections for w in words_of(s))
    assert [w for w in words if w not in page] == []
    assert letters_only(letter.head.person.identity) in page


def test_html_twin_shows_markup_literally():
    page = render_to_string(
        "clinic/paper_letter.html", {"paper": replace(FULL, summary="<b>x</b>")}
    )

    assert "&lt;b&gt;x&lt;/b&gt;" in page
    assert "<b>" not in page


def test_html_twin_is_a_draft_until_signed():
    signed = strip_tags(render_to_string("clinic/paper_letter.html", {"paper": FULL}))
    draft = strip_tags(render_to_string("clinic/paper_letter.html", {"paper": BARE}))

    assert "Draft, not signed" not in signed
    assert draft.count("Draft, not signed") == 2


def test_html_twin_names_rows_and_columns():
    page = render_to_string("clinic/paper_letter.html", {"paper": FULL})

    grids = [part for s in FULL.sections for part in s.parts if part.kind == "grid"]
    assert page.count('scope="col"') == sum(len(grid.columns) for grid in grids)
    assert page.count('scope="row"') == sum(len(grid.rows) for grid in grids)
    assert page.count("<caption>") == len(grids)
