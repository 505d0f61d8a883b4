"""`propose --letter --handout`: papers of the nine vignettes, read back from their PDF.

Expected content: tests/vignettes/cases/*.expected.json (made by hand from EVALUATION.md) and the
sentences of findings.csv, notes.csv and screening.csv.
"""

import csv
import json
import re
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command

from tests.clinic.documents.papers import flat, pages

CASES = Path(__file__).parents[1] / "vignettes" / "cases"
FILES = sorted(path for path in CASES.glob("*.json") if not path.name.endswith(".expected.json"))
STOPPED = CASES / "03-cardiac-red-flag.json"


def run(path, *options):
    """Exit code, stdout and stderr of the command."""
    out, err = StringIO(), StringIO()
    try:
        call_command("propose", str(path), *options, stdout=out, stderr=err, no_color=True)
    except SystemExit as stop:
        return stop.code, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


def papers(path, folder):
    """Text of letter and handout."""
    letter, handout = folder / "letter.pdf", folder / "handout.pdf"
    code, _, err = run(path, "--letter", str(letter), "--handout", str(handout))
    assert (code, err) == (0, "")
    return [" ".join(pages(paper.read_bytes())) for paper in (letter, handout)]


def expected(path):
    return json.loads(path.with_suffix(".expected.json").read_text(encoding="utf-8"))


@pytest.fixture
def table(reference_texts):
    def read(name):
        return {row["code"]: row for row in csv.DictReader(StringIO(reference_texts[name]))}

    return read


def bare(text):
    """Letters only: line ends of a narrow cell fall anywhere."""
    return re.sub(r"\W+", "", text)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_papers_of_a_vignette_say_what_was_proposed(path, tmp_path, table):
    letter, handout = papers(path, tmp_path)
    proposal = expected(path)

    for finding in proposal["findings"]:
        row = table("findings.csv")[finding["code"]]
        assert bare(row["name"]) in bare(letter)
        heads = {
            row[name].split("{")[0].split(":")[0]
            for name in ("letter_sentence", "letter_sentence_graded")
        }
        assert any(bare(head) in bare(letter) for head in heads)
    for item in proposal["programme"]:
        name = table("exercises.csv")[item["exercise"]]["name"]
        assert bare(name) in bare(letter)
        if item["stage"] == "now":
            assert bare(name) in bare(handout)
    for text in (letter, handout):
        assert "Draft, not signed" in text
        assert "10 March 2027" in text
        assert "Name not given" in text


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_hold_and_note_stands_on_its_papers(path, tmp_path, table, reference_texts):
    letter, handout = (bare(text) for text in papers(path, tmp_path))
    proposal = expected(path)
    rows = list(csv.DictReader(StringIO(reference_texts["notes.csv"])))

    sentences = [
        row
        for row in rows
        for kind, codes in (
            ("note", {one["code"] for one in proposal["notes"]}),
            ("referral", {one["code"] for one in proposal["referral_notes"]}),
        )
        if row["kind"] == kind and row["code"] in codes
    ]
    sentences += [
        row
        for code, row in table("screening.csv").items()
        if code in {one["code"] for one in proposal["holds"]}
    ]
    for row in sentences:
        assert bare(row["letter_sentence"]) in letter
        if row["handout_sentence"]:
            assert bare(row["handout_sentence"]) in handout


def test_papers_of_a_stop_are_a_referral_and_only_the_flags_sentences(tmp_path, table):
    letter, handout = papers(STOPPED, tmp_path)

    flags = table("screening.csv")
    assert "Referral letter" in letter
    assert "Question:" in letter
    assert flat(flags["s01"]["handout_sentence"]) in handout
    for words in ("Do this", "Think of", "Tick each day", "Why these exercises"):
        assert words not in handout


def test_heel_ahead_stands_in_centimetres_on_the_letter(tmp_path):
    # EVALUATION.md, 4: 1.277 foot lengths at 1.7 m are 33 cm against 25.8 cm
    letter, _ = papers(CASES / "06-arm-reach-with-overstride.json", tmp_path)

    assert "by 33 cm (error not published), flagged above 25.8 cm" in letter


def test_differences_are_printed_without_sign(tmp_path):
    # norms and criteria of heel raises: 11 fewer than left, limit 6
    letter, _ = papers(CASES / "07-ten-minutes-a-day.json", tmp_path)

    assert "11 repetitions (± 6.5 repetitions) less than on the other side" in letter
    assert "flagged above 6 repetitions" in letter


def test_papers_are_the_same_bytes_twice_and_the_proposal_stays_the_same(tmp_path):
    first, second = tmp_path / "a.pdf", tmp_path / "b.pdf"

    plain = run(FILES[5])
    with_paper = run(FILES[5], "--letter", str(first))
    run(FILES[5], "--letter", str(second))

    assert with_paper == plain
    assert first.read_bytes() == second.read_bytes()


def test_paper_that_cannot_be_written_leaves_nothing_printed(tmp_path):
    target = tmp_path / "missing" / "letter.pdf"

    code, out, err = run(FILES[0], "--letter", str(target))

    assert (code, out) == (2, "")
    assert err.startswith("No paper: ")
    assert str(target) in err


def test_paper_with_characters_without_a_shape_is_refused_by_name(tmp_path):
    data = json.loads(FILES[0].read_text(encoding="utf-8"))
    data["screening"]["answers"]["s10"] = {
        "answer": "yes_lifted",
        "lifted_on": "2027-03-01",
        "lifted_by": "A. Birch",
        "reason": "fine \N{GRINNING FACE}",
    }
    path, letter = tmp_path / "case.json", tmp_path / "letter.pdf"
    path.write_text(json.dumps(data), encoding="utf-8")

    code, out, err = run(path, "--letter", str(letter))

    assert (code, out, letter.exists()) == (2, "", False)
    assert "U+1F600" in err


def test_lifted_flag_stands_on_the_letter_with_who_and_why(tmp_path, table):
    data = json.loads(FILES[0].read_text(encoding="utf-8"))
    data["screening"]["answers"]["s10"] = {
        "answer": "yes_lifted",
        "lifted_on": "2027-03-01",
        "lifted_by": "A. Birch",
        "reason": "Swelling gone",
    }
    path, letter = tmp_path / "case.json", tmp_path / "letter.pdf"
    path.write_text(json.dumps(data), encoding="utf-8")
    run(path, "--letter", str(letter))

    text = " ".join(pages(letter.read_bytes()))
    assert "Acute joint swelling. A flag of the safety screening was lifted" in text
    assert "A. Birch, 1 March 2027: Swelling gone" in text
