"""A paper from its blocks: frame, what stands on every page, and the file itself."""

from collections.abc import Sequence
from io import BytesIO
from typing import Any

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    PageTemplate,
)

from clinic.documents.blocks import (
    GREY,
    HAIR,
    LARGE_PRINT,
    P,
    Sizes,
    Stack,
    listed,
    paragraph,
    style,
    table,
)
from clinic.documents.fonts import BODY
from clinic.documents.tagged import TaggedCanvas
from clinic.domain.paper import (
    DRAFT_LINE,
    Facts,
    Grid,
    Items,
    PaperHead,
    Part,
    Section,
    Text,
    date_words,
    joined,
)

LEFT, RIGHT, EDGE = 20 * mm, 18 * mm, 9 * mm
WIDTH = A4[0] - LEFT - RIGHT
CELL = 3.5  # points of blank around a cell


def sizes_for(head: PaperHead, standard: Sizes) -> Sizes:
    """Large print if the client needs it, else the standard of this kind of paper."""
    return LARGE_PRINT if head.large else standard


class Furniture:
    """What stands on every page: who it is about, date, clinic, page x of y, draft, edition."""

    def __init__(self, head: PaperHead, sizes: Sizes, *, draft: bool) -> None:
        size = sizes.furniture
        clinic = head.letterhead
        self.size = size
        # room for three digits on both sides, so that the lines break alike on every page
        self.number_width = stringWidth("Page 999 of 999", BODY, size) + size
        beside = WIDTH - self.number_width
        edition = head.edition_line
        self.above = Stack(
            [
                *([paragraph(DRAFT_LINE, size, "tight_strong")] if draft else []),
                *([paragraph(_sentence(edition), size, "tight")] if edition else []),
            ]
        )
        telephone = f"telephone {clinic.telephone}" if clinic.telephone else ""
        self.below = Stack(
            [
                paragraph(head.person.identity, size, "tight_strong"),
                paragraph(joined(date_words(head.dated), clinic.name, telephone), size, "tight"),
            ]
        )
        self.above_height: float = self.above.wrap(WIDTH, A4[1])[1]
        self.below_height: float = self.below.wrap(beside, A4[1])[1]
        self.beside = beside

    @property
    def top(self) -> float:
        """The height of the page's upper edge with the lines in it."""
        top: float = EDGE + (self.above_height + self.size * 0.8 if self.above_height else 4 * mm)
        return top

    @property
    def bottom(self) -> float:
        """The height of the page's lower edge with the lines in it."""
        bottom: float = EDGE + self.below_height + self.size
        return bottom

    def draw(self, canvas: TaggedCanvas, page: int, pages: int) -> None:
        """Draw the lines on the page that the canvas has open."""
        with canvas.artifact("Pagination"):
            for part in (*self.above.parts, *self.below.parts):
                part.inside = True
            self.above.wrap(WIDTH, A4[1])
            self.above.drawOn(canvas, LEFT, A4[1] - EDGE - self.above_height)
            self.below.wrap(self.beside, A4[1])
            self.below.drawOn(canvas, LEFT, EDGE)
            canvas.setFont(BODY, self.size)
            first_line = EDGE + self.below_height - style("tight", self.size).leading * 0.8
            canvas.drawRightString(A4[0] - RIGHT, first_line, f"Page {page} of {pages}")
            canvas.setStrokeColor(GREY)
            canvas.setLineWidth(HAIR)
            line = EDGE + self.below_height + self.size * 0.35
            canvas.line(LEFT, line, A4[0] - RIGHT, line)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def build(
    story: Sequence[Flowable], head: PaperHead, sizes: Sizes, *, title: str, draft: bool
) -> bytes:
    """The file: the same bytes for the same paper."""
    furniture = Furniture(head, sizes, draft=draft)

    def draw(canvas: TaggedCanvas, page: int, pages: int) -> None:
        furniture.draw(canvas, page, pages)

    attributes = {"dated": head.dated, "language": head.language, "furniture": draw}
    canvas_class = type("PaperCanvas", (TaggedCanvas,), attributes)
    target = BytesIO()
    about = joined(title, head.person.full_name, date_words(head.dated))
    document = BaseDocTemplate(
        target,
        pagesize=A4,
        title=about,
        author=head.author.name or head.letterhead.clinic,
        subject=title,
        creator=head.letterhead.clinic,
        lang=head.language,
        displayDocTitle=True,
        invariant=1,
        initialFontName=BODY,
        pageCompression=1,
    )
    height = A4[1] - furniture.top - furniture.bottom
    frame = Frame(LEFT, furniture.bottom, WIDTH, height, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate("page", [frame]))
    document.build(list(story), canvasmaker=canvas_class)
    return target.getvalue()


def frame_height(head: PaperHead, sizes: Sizes, *, draft: bool) -> float:
    """The height that one page has for text, in points."""
    furniture = Furniture(head, sizes, draft=draft)
    height: float = A4[1] - furniture.top - furniture.bottom
    return height


def section_content(section: Section, sizes: Sizes, width: float) -> list[Flowable]:
    """The heading and the parts of a section, free to break between any two."""
    parts = (block for part in section.parts for block in part_blocks(part, sizes, width))
    return [paragraph(section.heading, sizes.body, "heading"), *parts]


def section_blocks(section: Section, sizes: Sizes) -> list[Flowable]:
    """The section over the width of the page; a boxed one stands in a frame."""
    if section.boxed:
        pad = sizes.body * 0.6
        content = section_content(section, sizes, WIDTH - 2 * pad)
        return [KeepTogether([Stack(content, pad, 1.5)])]
    content = section_content(section, sizes, WIDTH)
    if not any(isinstance(part, Grid) for part in section.parts):
        return [KeepTogether(content)]
    # kept with the next block, a heading would take a table of two pages to a new page; so the
    # heading asks for room for itself, the head of the table and a row
    content[0].keepWithNext = False
    return [CondPageBreak(sizes.body * 9), *content]


def part_blocks(part: Part, sizes: Sizes, width: float) -> list[Flowable]:
    """The blocks of one part of a section."""
    if isinstance(part, Text):
        return [paragraph(part.text, sizes.body, "labelled" if part.label else "body", part.label)]
    if isinstance(part, Items):
        label = [paragraph(f"{part.label}:", sizes.body, "subheading")] if part.label else []
        items = listed(part.items, sizes, numbered=part.numbered)
        items[-1].spaceAfter = sizes.gap
        return [*label, *items]
    if isinstance(part, Facts):
        return _facts(part, sizes, width)
    return _grid_large(part, sizes) if sizes.large else _grid(part, sizes, width)


def _facts(part: Facts, sizes: Sizes, width: float) -> list[Flowable]:
    size = sizes.body
    first = min(
        max(stringWidth(name, "Body-Bold", size) for name, _words in part.pairs) + size,
        width * 0.45,
    )
    rows = [
        (paragraph(name, size, "tight_strong"), paragraph(words, size, "tight"))
        for name, words in part.pairs
    ]
    commands = [
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), CELL),
        ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
    ]
    facts = table(rows, (first, width - first), commands, row_heads=True)
    facts.spaceAfter = sizes.gap
    return [facts]


def _grid(part: Grid, sizes: Sizes, width: float) -> list[Flowable]:
    size = sizes.body if sizes.body >= 12 else sizes.body - 0.5
    head = [
        paragraph(name, size, "number_strong" if column in part.numeric else "tight_strong")
        for column, name in enumerate(part.columns)
    ]
    rows: list[list[P]] = [head]
    for cells in part.rows:
        rows.append(  # noqa: PERF401  # the nested form is harder to read
            [
                paragraph(cell, size, "number" if column in part.numeric else "tight")
                for column, cell in enumerate(cells)
            ]
        )
    share = width / sum(part.shares)
    commands = [
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2 * CELL),
        ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), CELL),
        ("LINEBELOW", (0, 0), (-1, 0), 1, GREY),
        ("LINEBELOW", (0, 1), (-1, -1), HAIR, GREY),
    ]
    widths = [share * each for each in part.shares]
    grid = table(rows, widths, commands, head_rows=1)
    grid.spaceAfter = sizes.gap * 1.5
    return [grid]


def _grid_large(part: Grid, sizes: Sizes) -> list[Flowable]:
    """Each row as a list under its first cell: columns of 18 pt would break every word."""
    blocks: list[Flowable] = []
    for cells in part.rows:
        blocks.append(paragraph(cells[0], sizes.body, "subheading", part.columns[0]))
        named = zip(part.columns[1:], cells[1:], strict=True)
        lines = [f"{name}: {words}".replace("\n", " ") for name, words in named]
        blocks += listed(lines, sizes)
        blocks[-1].spaceAfter = sizes.gap
    return blocks


def sections_story(sections: Sequence[Section], sizes: Sizes) -> list[Any]:
    """The blocks of all sections in order."""
    return [block for section in sections for block in section_blocks(section, sizes)]
