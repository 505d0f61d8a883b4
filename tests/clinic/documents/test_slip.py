"""The slip read back: when, where, with whom, and no word about health."""

from django.template.loader import render_to_string

from clinic.documents.slip import render_slip
from tests.clinic.documents.papers import SLIP, large, letters_only, pages, printed_words


def test_slip_says_when_where_and_with_whom():
    (text,) = pages(render_slip(SLIP))

    assert "Tuesday 6 April 2027 14:30 to 15:15 (45 minutes)" in text
    assert "With Ines Muster" in text
    assert "Room 2" in text
    assert "Telephone 01632 960 123" in text
    assert "What to bring • Shoes" in text


def test_every_word_is_in_the_large_print_slip():
    whole = letters_only(" ".join(pages(render_slip(large(SLIP)))))

    assert [words for words in printed_words(SLIP.sections) if words not in whole] == []


def test_slip_has_no_draft_line_and_no_copies():
    (text,) = pages(render_slip(SLIP))

    assert "Draft" not in text
    assert "Dr A. Sample" not in text


def test_html_twin_says_the_same():
    page = letters_only(render_to_string("clinic/paper_slip.html", {"paper": SLIP}))

    assert [words for words in printed_words(SLIP.sections) if words not in page] == []
    assert "Tuesday6April2027" in page
