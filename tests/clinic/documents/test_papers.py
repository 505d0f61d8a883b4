"""What must hold for every paper: archive form, tags, fonts, identity, bytes."""

import subprocess
from dataclasses import replace
from datetime import date
from io import BytesIO

import pytest
from pikepdf import pdfa
from pypdf import PdfReader

from clinic.documents.letter import render_letter
from clinic.documents.slip import render_slip
from clinic.documents.tagged import TaggedCanvas
from clinic.domain.letter import Letter
from clinic.domain.paper import DRAFT_LINE, Signature, Unprintable
from tests.clinic.documents.papers import (
    BARE,
    BARE_REFERRAL,
    FULL,
    LONG,
    REFERRAL,
    SLIP,
    font_sizes,
    large,
    letters_only,
    pages,
)

PAPERS = {
    "bare": BARE,
    "bare referral": BARE_REFERRAL,
    "full": FULL,
    "referral": REFERRAL,
    "long": LONG,
    "large": large(FULL),
    "slip": SLIP,
    "large slip": large(SLIP),
}


def render(paper) -> bytes:
    return render_letter(paper) if isinstance(paper, Letter) else render_slip(paper)


@pytest.fixture(scope="module")
def printed():
    return {name: render(paper) for name, paper in PAPERS.items()}


@pytest.mark.parametrize("name", PAPERS)
def test_paper_is_archive_form(printed, name, tmp_path):
    path = tmp_path / "paper.pdf"
    path.write_bytes(printed[name])

    assert pdfa.validate_written(path, "2b").findings == []


@pytest.mark.parametrize("name", PAPERS)
def test_paper_is_sound_for_qpdf(printed, name, tmp_path):
    path = tmp_path / "paper.pdf"
    path.write_bytes(printed[name])

    checked = subprocess.run(["qpdf", "--check", str(path)], capture_output=True, check=False)

    assert (checked.returncode, checked.stderr) == (0, b"")


@pytest.mark.parametrize("name", PAPERS)
def test_paper_repeats_to_the_byte(printed, name):
    assert render(PAPERS[name]) == printed[name]


@pytest.mark.parametrize("name", PAPERS)
def test_every_page_names_person_date_and_number_of_pages(printed, name):
    person, texts = PAPERS[name].head.person, pages(printed[name])
    born = {"000123": "3 May 1989", "7": "9 January 2001"}[person.record_number]

    for number, text in enumerate(texts, 1):
        identity = f"{person.full_name}, born {born}, record {person.record_number}"
        assert letters_only(identity) in letters_only(text)
        assert "12 March 2027" in text
        assert f"Page {number} of {len(texts)}" in text


def test_long_letter_has_four_pages_or_more(printed):
    assert len(pages(printed["long"])) >= 4


def test_draft_line_stands_on_every_page_until_signed(printed):
    draft = replace(LONG, head=replace(LONG.head, author=Signature("Ines Muster")))

    assert all(DRAFT_LINE in text for text in pages(render_letter(draft)))
    assert not any(DRAFT_LINE in text for text in pages(printed["long"]))


def test_edition_line_stands_on_every_page_when_given(printed):
    line = "Starting edition, not yet confirmed by the clinic"
    confirmed = replace(LONG, head=replace(LONG.head, edition_line=""))

    assert all(line in text for text in pages(printed["long"]))
    assert not any(line in text for text in pages(render_letter(confirmed)))


@pytest.mark.parametrize("name", PAPERS)
def test_only_embedded_fonts(printed, name):
    reader = PdfReader(BytesIO(printed[name]))
    fonts = [
        font.get_object()
        for page in reader.pages
        for font in page["/Resources"]["/Font"].get_object().values()
    ]

    assert fonts
    assert all("SourceSansPro" in font["/BaseFont"] for font in fonts)
    assert all("/FontFile2" in font["/FontDescriptor"] for font in fonts)


@pytest.mark.parametrize("name", PAPERS)
def test_no_page_is_larger_than_a4(printed, name):
    # ISO 216: A4 is 210 x 297 mm, 595.28 x 841.89 points
    boxes = {tuple(round(float(e), 1) for e in p.mediabox) for p in _pages(printed[name])}

    assert boxes == {(0, 0, 595.3, 841.9)}


def test_file_says_language_title_and_date_of_the_paper(printed):
    reader = PdfReader(BytesIO(printed["full"]))

    assert reader.trailer["/Root"]["/Lang"] == "en-GB"
    assert reader.metadata.title == "Progress letter, Márta Example-Őrsi, 12 March 2027"
    assert reader.metadata.creation_date.date() == date(2027, 3, 12)
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/DisplayDocTitle"]


def _pages(pdf):
    return PdfReader(BytesIO(pdf)).pages


def structure(pdf: bytes) -> list[tuple[str, int]]:
    """Every element of the structure tree with its depth, in reading order."""
    found = []

    def walk(element, depth):
        if "/S" in element:
            found.append((element["/S"], depth))
        kids = element.get("/K", [])
        for kid in kids if isinstance(kids, list) else [kids]:
            if not isinstance(kid, int):
                walk(kid.get_object(), depth + 1)

    walk(PdfReader(BytesIO(pdf)).trailer["/Root"]["/StructTreeRoot"], 0)
    return found


def test_structure_names_headings_lists_and_tables(printed):
    tags = [tag for tag, _depth in structure(printed["full"])]

    assert tags.count("/H1") == 1
    assert tags.count("/H2") == len(FULL.sections)
    assert tags.count("/LI") == tags.count("/Lbl") == tags.count("/LBody") > 0
    assert {"/L", "/Table", "/TR", "/TH", "/TD", "/P"} <= set(tags)
    assert (
        max(depth for _tag, depth in structure(printed["full"])) == 4
    )  # Document 1, L 2, LI 3, LBody 4


def test_every_mark_belongs_to_one_element(printed):
    for page in _pages(printed["long"]):
        stream = page.get_contents().get_data().decode("latin-1")
        assert stream.count("BDC") + stream.count("BMC") == stream.count("EMC")


def test_table_over_two_pages_repeats_its_head(printed):
    texts = [text for text in pages(printed["long"]) if "video, by hand" in text]

    assert len(texts) >= 2
    assert all("Area Finding Side Value ± error Method Date" in text for text in texts)


def test_long_table_begins_on_the_page_of_its_heading(printed):
    before = next(text for text in pages(printed["long"]) if "Problems and diagnoses" in text)

    assert "Findings Area Finding" in before


def test_large_print_is_set_again(printed):
    # UKAAF G003 (2019): large print 16 pt or more, better 18, page numbers as well
    assert min(font_sizes(printed["large slip"])) == 18
    # only the address in the window of the envelope keeps its size
    assert {size for size in font_sizes(printed["large"]) if size < 18} == {11}
    assert len(pages(printed["large"])) > len(pages(printed["full"]))


def test_standard_print_for_clients_is_12_points_or_more(printed):
    # UKAAF G003 (2019): clear print 12 pt or more
    assert min(font_sizes(printed["slip"])) >= 12


@pytest.mark.parametrize(
    "text", ["<b>bold</b>", "a & b &amp; c", '<img src="x.png"/>', "1 < 2 > 0"]
)
def test_markup_is_shown_literally(text):
    texts = pages(render_letter(replace(FULL, summary=text, asked=text)))

    assert texts[0].count(text) == 2


def test_unprintable_characters_are_named():
    with pytest.raises(Unprintable) as caught:
        render_letter(replace(FULL, summary="Ask 你 and 好, then \u200b"))

    assert set(caught.value.characters) == {"你", "好", "\u200b"}
    assert "U+4F60" in str(caught.value)


def test_unprintable_character_in_a_name_is_named():
    head = replace(SLIP.head, person=replace(SLIP.head.person, full_name="李"))

    with pytest.raises(Unprintable, match="U\\+674E"):
        render_slip(replace(SLIP, head=head))


def test_accents_in_two_characters_are_composed():
    decomposed = "Cafe\u0301 and A\u030angstro\u0308m"

    assert "Café and Ångström" in pages(render_letter(replace(FULL, summary=decomposed)))[0]


@pytest.mark.parametrize("sign", list("éßŁőçΩя≥≤×±−–“”’°"))
def test_signs_of_letters_are_printable(sign):
    assert f"sign{sign}here" in pages(render_letter(replace(FULL, summary=f"sign{sign}here")))[0]


@pytest.mark.parametrize("length", [3_000, 12_000])
def test_very_long_texts_run_over_pages_without_loss(length):
    word = "plonk "
    plan = (replace(FULL.plan[0], what=word * (length // 6)),)
    held = (replace(FULL.holds[0], sentence="quench " * (length // 7)),)
    printed = render_letter(replace(FULL, plan=plan, holds=held, summary="x" * length))

    whole = " ".join(pages(printed))
    assert whole.count("plonk") == length // 6
    assert whole.count("quench") == length // 7
    assert letters_only(whole).count("x") >= length


def test_long_items_in_a_box_run_over_pages_without_loss():
    holds = tuple(replace(FULL.holds[0], sentence=f"{word} " * 900) for word in ("zinc", "quartz"))
    printed = render_letter(large(replace(FULL, holds=holds)))

    whole = " ".join(pages(printed))
    assert (whole.count("zinc"), whole.count("quartz")) == (900, 900)
    tags = [tag for tag, _depth in structure(printed)]
    assert tags.count("/LI") == tags.count("/Lbl") <= tags.count("/LBody")


def test_closing_more_than_was_opened_is_refused():
    canvas_class = type("PlainCanvas", (TaggedCanvas,), {"dated": date(2027, 3, 12)})

    with pytest.raises(ValueError, match="closed more"):
        canvas_class(BytesIO()).close()
