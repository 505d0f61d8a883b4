"""Figure pairs on paper: same bytes each time, vectors only, words in the given font."""

import csv
import json
from io import BytesIO
from pathlib import Path

import pytest
from pypdf import PdfReader
from reportlab.graphics import renderPDF
from reportlab.pdfgen.canvas import Canvas

from exercises.documents.figures import figure_drawing
from exercises.domain.figures import drawing
from exercises.domain.reading_poses import read_poses

ROOT = Path(__file__).resolve().parents[3]
PAIRS = read_poses(json.loads((ROOT / "fixtures/poses.json").read_text()))
WIDTH = 263.6


def paper(code, font=None):
    figure = figure_drawing(drawing(PAIRS[code], code), WIDTH, font)
    target = BytesIO()
    canvas = Canvas(target, pagesize=(figure.width, figure.height), invariant=1)
    renderPDF.draw(figure, canvas, 0, 0)
    canvas.save()
    return target.getvalue()


def test_every_exercise_prints_the_same_bytes_twice():
    with (ROOT / "fixtures/exercises.csv").open(newline="") as file:
        codes = [row["code"] for row in csv.DictReader(file)]

    assert len(codes) == 50
    for code in codes:
        assert paper(code, "Helvetica") == paper(code, "Helvetica")


@pytest.mark.parametrize("font", [None, "Helvetica"])
def test_pair_has_the_asked_width_and_one_scale(font):
    source = drawing(PAIRS["strides"], "Strides")
    figure = figure_drawing(source, WIDTH, font)

    frame = WIDTH * 15 / 31  # two frames and a gap of a fifteenth of one
    assert figure.width == pytest.approx(WIDTH)
    caption = 14.4 if font else 0.0
    assert figure.height == pytest.approx(frame * source.box.height / source.box.width + caption)


def test_captions_are_printed_only_with_a_font():
    with_words = PdfReader(BytesIO(paper("wider_line_run", "Helvetica"))).pages[0]
    without = PdfReader(BytesIO(paper("wider_line_run"))).pages[0]

    assert with_words.extract_text().splitlines()[:2] == ["not like this", "like this"]
    assert without.extract_text() == ""


def test_frames_are_clipped_vectors():
    page = PdfReader(BytesIO(paper("short_foot"))).pages[0]
    content = page.get_contents().get_data().split()

    assert content.count(b"W*") == 2
    assert list(page.images) == []
