"""The letter as a PDF for a window envelope."""

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from clinic.documents.blocks import (
    FOR_CLIENTS,
    FOR_PROFESSIONALS,
    SideBySide,
    Sizes,
    Stack,
    paragraph,
)
from clinic.documents.fonts import refuse_unprintable
from clinic.documents.page import (
    WIDTH,
    Furniture,
    build,
    section_blocks,
    section_content,
    sizes_for,
)
from clinic.domain.letter import (
    AUTHOR,
    CLIENT,
    CONSENT,
    CONTACT,
    COPIES,
    NEXT,
    PRACTICE,
    Letter,
    Reader,
)
from clinic.domain.paper import Section, date_words, joined

# What shows in the window of a DL envelope, however the sheet slides in it, measured from the
# upper edge of a sheet folded in three: common practice, from memory, no standard at hand.
WINDOW_TOP, WINDOW_BOTTOM, WINDOW_WIDTH = 57 * mm, 82 * mm, 80 * mm
WINDOW_INDENT = 4 * mm  # the sheet slides sideways as well
OPENING_END = 91 * mm  # text begins here; below the window and above the first fold
FOLD = A4[1] / 3
BETWEEN_COLUMNS = 8 * mm
COLUMN = (WIDTH - BETWEEN_COLUMNS) / 2


class Opening(Flowable):  # type: ignore[misc]  # reportlab is untyped
    """Letterhead, address in the window, date and version beside it."""

    def __init__(self, letter: Letter, sizes: Sizes, top: float) -> None:
        super().__init__()
        self.top = top
        self.width = WIDTH
        self.letterhead = _fitting(_letterhead(letter), sizes.body, WIDTH, WINDOW_TOP - top)
        self.address = _fitting(
            _address(letter), min(sizes.body, 12), WINDOW_WIDTH, WINDOW_BOTTOM - WINDOW_TOP
        )
        self.facts = _fitting(
            _facts(letter), sizes.body, WIDTH - WINDOW_WIDTH - 12 * mm, OPENING_END - WINDOW_TOP
        )
        lowest = max(OPENING_END, WINDOW_TOP + max(self.address.height, self.facts.height))
        self.height = lowest - top

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        window = self.height - (WINDOW_TOP - self.top)
        self.letterhead.drawOn(self.canv, 0, self.height - self.letterhead.height)
        self.address.drawOn(self.canv, WINDOW_INDENT, window - self.address.height)
        self.facts.drawOn(self.canv, WINDOW_WIDTH + 12 * mm, window - self.facts.height)
        with self.canv.artifact():
            _x, y = self.canv.absolutePosition(0, 0)
            self.canv.setLineWidth(0.4)
            for fold in (FOLD, 2 * FOLD):
                self.canv.line(-14 * mm, fold - y, -10 * mm, fold - y)


def _fitting(lines: list[tuple[str, str]], size: float, width: float, height: float) -> Stack:
    """The lines in the largest size, down to 8 pt, that keeps to the height."""
    while True:
        stack = Stack([paragraph(text, size, name) for text, name in lines if text])
        if stack.wrap(width, height)[1] <= height or size <= 8:
            return stack
        size -= 1


def _letterhead(letter: Letter) -> list[tuple[str, str]]:
    clinic = letter.head.letterhead
    telephone = f"Telephone {clinic.telephone}" if clinic.telephone else ""
    return [
        (clinic.name, "letterhead"),
        (joined(*clinic.address), "tight"),
        (joined(telephone, clinic.email), "tight"),
    ]


def _address(letter: Letter) -> list[tuple[str, str]]:
    return [(line, "tight") for line in letter.to.lines]


def _facts(letter: Letter) -> list[tuple[str, str]]:
    return [
        (date_words(letter.head.dated), "tight_strong"),
        (f"Record {letter.head.person.record_number}", "tight"),
        (letter.head.version_words, "tight"),
    ]


def render_letter(letter: Letter) -> bytes:
    """The letter as PDF/A-2b, the same bytes for the same value.

    Raises Unprintable, naming the characters that the font lacks.
    """
    refuse_unprintable(letter.strings())
    standard = FOR_CLIENTS if letter.to.reader is Reader.CLIENT else FOR_PROFESSIONALS
    sizes = sizes_for(letter.head, standard)
    draft = letter.head.draft
    top = Furniture(letter.head, sizes, draft=draft).top
    story: list[Flowable] = [
        Opening(letter, sizes, top),
        paragraph(letter.title, sizes.body, "title"),
        paragraph(letter.head.person.identity, sizes.body, "strong"),
        *_sections(letter, sizes),
    ]
    return build(story, letter.head, sizes, title=letter.title, draft=draft)


# Short sections that stand beside each other: left, then right.
_BESIDE = (((CLIENT,), (PRACTICE, CONTACT)), ((NEXT,), (CONSENT,)), ((AUTHOR,), (COPIES,)))


def _sections(letter: Letter, sizes: Sizes) -> list[Flowable]:
    """The sections in order; the short ones about people in two columns, not in large print."""
    waiting = list(letter.sections)
    story: list[Flowable] = []
    while waiting:
        taken, blocks = _two_columns(waiting, sizes)
        story += blocks
        del waiting[:taken]
    return story


def _two_columns(waiting: list[Section], sizes: Sizes) -> tuple[int, list[Flowable]]:
    """How many of the first sections were set, and their blocks."""
    headings = tuple(section.heading for section in waiting)
    for left, right in _BESIDE:
        count = len(left) + len(right)
        if headings[:count] == (*left, *right) and not sizes.large:
            block = SideBySide(
                Stack(_blocks(waiting[: len(left)], sizes)),
                Stack(_blocks(waiting[len(left) : count], sizes)),
                COLUMN,
                BETWEEN_COLUMNS,
            )
            if block.wrap(WIDTH, A4[1])[1] < A4[1] / 3:
                block.spaceBefore = sizes.body * 0.85
                return count, [block]
    return 1, section_blocks(waiting[0], sizes)


def _blocks(sections: list[Section], sizes: Sizes) -> list[Flowable]:
    return [block for each in sections for block in section_content(each, sizes, COLUMN)]
