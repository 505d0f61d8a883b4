"""The handout as a PDF: one exercise a block, figures on the left, days to tick at the end."""

from collections.abc import Mapping

from reportlab.graphics import renderPDF
from reportlab.lib.colors import black
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether

from clinic.documents.blocks import (
    FOR_CLIENTS,
    P,
    Rule,
    SideBySide,
    Sizes,
    Stack,
    listed,
    paragraph,
    table,
)
from clinic.documents.fonts import BODY, refuse_unprintable
from clinic.documents.page import WIDTH, build, frame_height, sections_story, sizes_for
from clinic.domain.paper import Grid
from exercises.documents.figures import figure_drawing
from exercises.domain.figure_shapes import Drawing
from exercises.domain.handout import Handout, HandoutExercise

PAIR_WIDTH, PAIR_WIDTH_LARGE = 64 * mm, 104 * mm
BETWEEN = 6 * mm


class Pair(Flowable):  # type: ignore[misc]  # reportlab is untyped
    """The figure pair with its captions in the size of the text, and the words for it."""

    def __init__(self, drawing: Drawing, alt: str, width: float, size: float) -> None:
        super().__init__()
        self.pair, self.alt, self.size = figure_drawing(drawing, width), alt, size
        self.captions = [frame.caption for frame in drawing.frames]
        self.width, self.height = width, self.pair.height + size * 1.5
        self.spaceAfter = size * 0.5

    def draw(self) -> None:
        canvas = self.canv
        x, y = canvas.absolutePosition(0, 0)
        box = [round(edge, 2) for edge in (x, y, x + self.width, y + self.height)]
        with canvas.marked("Figure", alt=self.alt, bbox=box):
            renderPDF.draw(self.pair, canvas, 0, self.size * 1.5)
        # the two frames are 15 parts wide each, with 1 part between them
        for caption, middle in zip(self.captions, (7.5, 23.5), strict=True):
            with canvas.marked("Caption"):
                canvas.setFont(BODY, self.size)
                canvas.drawCentredString(self.width * middle / 31, self.size * 0.4, caption)


def render_handout(handout: Handout, drawings: Mapping[str, Drawing] | None = None) -> bytes:
    """The handout as PDF/A-2b, the same bytes for the same value and drawings.

    drawings: the figure pair of each exercise that has a `figure_alt`, by its code.
    Raises Unprintable, naming the characters that the font lacks, and ValueError for a lost pair.
    """
    refuse_unprintable(handout.strings())
    given = drawings or {}
    lost = [e.code for e in handout.exercises if e.figure_alt and e.code not in given]
    if lost:
        raise ValueError(f"no figure pair for {', '.join(lost)}")
    sizes = sizes_for(handout.head, FOR_CLIENTS)
    draft = handout.head.draft
    tallest = frame_height(handout.head, sizes, draft=draft)
    story: list[Flowable] = [
        paragraph(handout.title, sizes.body, "title"),
        paragraph(f"For {handout.head.person.called}", sizes.body, "strong"),
        *sections_story(handout.opening, sizes),
    ]
    for number, exercise in enumerate(handout.exercises, 1):
        drawn = given[exercise.code] if exercise.figure_alt else None
        story.append(KeepTogether(_exercise(number, exercise, drawn, sizes, tallest)))
    story += sections_story(handout.closing, sizes)
    story += _ticks(handout, sizes)
    return build(story, handout.head, sizes, title=handout.title, draft=draft)


def _exercise(
    number: int, exercise: HandoutExercise, drawn: Drawing | None, sizes: Sizes, tallest: float
) -> list[Flowable]:
    size = sizes.body
    return [
        Rule(before=size * 0.3, weight=1),
        paragraph(f"{number}. {exercise.name}", size, "heading"),
        paragraph(exercise.purpose, size),
        paragraph(exercise.dose, size, "strong"),
        *_told(exercise, drawn, sizes, tallest),
    ]


def _told(
    exercise: HandoutExercise, drawn: Drawing | None, sizes: Sizes, tallest: float
) -> list[Flowable]:
    """Figures and cues left of the movement; under each other in large print or if too tall."""
    size = sizes.body
    movement: list[Flowable] = [
        paragraph(exercise.start_position, size, "body", "Start"),
        paragraph("Do this", size, "subheading"),
        *listed(exercise.steps, sizes, numbered=True),
    ]
    cues = [paragraph("Think of", size, "subheading"), *listed(exercise.cues, sizes)]
    notes = [paragraph(note.text, size, "note", note.label) for note in exercise.notes]
    width = PAIR_WIDTH_LARGE if sizes.large else PAIR_WIDTH
    figures = [Pair(drawn, exercise.figure_alt, width, size)] if drawn else []
    if figures and not sizes.large:
        block = _columns([*figures, *cues], movement, notes)
        if block.wrap(WIDTH, tallest)[1] < tallest * 0.8:
            return [block]
    return [KeepTogether([*figures, movement[0]]), *movement[1:], KeepTogether(cues), *notes]


def _columns(left: list[Flowable], right: list[Flowable], notes: list[P]) -> SideBySide:
    """Two columns of about the same height: the first notes on the right, the last on the left."""
    right_width = WIDTH - PAIR_WIDTH - BETWEEN
    on_left = Stack(left).wrap(PAIR_WIDTH, A4[1])[1]
    on_right = Stack(right).wrap(right_width, A4[1])[1]
    narrow = [note.wrap(PAIR_WIDTH, A4[1])[1] + note.getSpaceBefore() for note in notes]
    wide = [note.wrap(right_width, A4[1])[1] + note.getSpaceBefore() for note in notes]
    at = min(
        range(len(notes) + 1),
        key=lambda n: max(on_left + sum(narrow[n:]), on_right + sum(wide[:n])),
    )
    return SideBySide(
        Stack([*left, *notes[at:]]),
        Stack([*right, *notes[:at]]),
        PAIR_WIDTH,
        BETWEEN,
        right_first=True,
    )


def _ticks(handout: Handout, sizes: Sizes) -> list[Flowable]:
    grids = handout.tick_grids(7 if sizes.large else 14)
    if not grids:
        return []
    heading = [
        paragraph("Tick each day you did it", sizes.body, "heading"),
        paragraph("Day 1 was on: ....................................", sizes.body),
    ]
    first, *others = (_tick_grid(grid, sizes) for grid in grids)
    return [KeepTogether([*heading, *first]), *(KeepTogether(grid) for grid in others)]


def _tick_grid(grid: Grid, sizes: Sizes) -> list[Flowable]:
    head = [paragraph(name, sizes.body, "tight_strong") for name in grid.columns]
    rows = [[paragraph(row[0], sizes.body, "tight"), *[""] * (len(row) - 1)] for row in grid.rows]
    share = WIDTH / sum(grid.shares)
    commands = [
        ("GRID", (0, 0), (-1, -1), 0.75, black),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2),
        ("TOPPADDING", (0, 0), (-1, -1), 3),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
    ]
    widths = [share * each for each in grid.shares]
    ticks = table([head, *rows], widths, commands, head_rows=1, row_heads=True)
    caption = paragraph(grid.caption, sizes.body, "subheading")
    ticks.spaceAfter = sizes.gap
    return [caption, ticks]
