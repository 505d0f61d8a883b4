"""Rows of the assessment page as HTML, drawn by their templates once for each kind of state.

A page has more than a hundred cells; drawn anew each time they took 90 of its 100 ms. What a cell
can look like is a short list (which grade is chosen, whether there is a value, and so on), so each
look is drawn once with marks in place of numbers and dates, and the marks are filled in here.
"""

import re
from dataclasses import replace
from datetime import date
from functools import lru_cache
from typing import Any

from django.template.loader import get_template
from django.utils.formats import date_format
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe

from assessments.answer_states import State
from assessments.grid import Cell, Last, Line, Section

# private-use characters, which no number, date or word of the tables holds
OPEN, CLOSE = "\ue000", "\ue001"


def mark(name: str) -> str:
    return f"{OPEN}{name}{CLOSE}"


BLANKS = re.compile(r"[ \n]+")
MARKED_DAY = date(1, 1, 1)
MARKED = {
    name: mark(name) for name in ("value", "seen", "saved", "day", "words", "change", "error")
}


def section_html(section: Section, *, address: str, editable: bool, cautions: list[str]) -> str:
    """All lines of a section.

    address: where an answer is sent; cautions: codes of tests that a hold advises against.
    """
    parts = []
    for line in section.lines:
        cells = [
            _wrapped(cell, cell_html(line, cell, editable=editable), address if editable else "")
            for cell in line.cells
        ]
        frame = _frame(line, caution=line.measure.code in cautions)
        parts.append(frame.replace(mark("cells"), "".join(cells)))
    return mark_safe("".join(parts))  # noqa: S308  # every part was escaped where it was made


def _wrapped(cell: Cell, html: str, address: str) -> str:
    sends = f' data-unit data-to="{address}"' if address else ""
    return f'<div class="cell" id="{cell.dom}"{sends}>{html}</div>'


def cell_html(line: Line, cell: Cell, *, editable: bool) -> SafeString:
    """One cell; one with errors is drawn as it is."""
    if cell.errors:
        return _drawn(line, cell, editable=editable)
    html = _look(_Look(line, _bare(cell), editable=editable))
    last = cell.last
    for name, text in (
        ("value", cell.state.value),
        ("seen", cell.seen),
        ("saved", cell.saved),
        ("error", cell.error),
        ("day", date_format(last.on, "j M Y") if last else ""),
        ("words", last.words if last else ""),
        ("change", last.change if last else ""),
    ):
        html = html.replace(MARKED[name], escape(text))
    return mark_safe(html)  # noqa: S308  # the look comes from a template, the texts are escaped


def _bare(cell: Cell) -> Cell:
    """The cell with marks in place of everything that has no short list."""
    last = cell.last
    return replace(
        cell,
        state=replace(cell.state, value=MARKED["value"]) if cell.state.value else cell.state,
        seen=MARKED["seen"],
        saved=MARKED["saved"] if cell.saved else "",
        error=MARKED["error"] if cell.error else "",
        last=last and Last(MARKED_DAY, MARKED["words"], MARKED["change"] if last.change else ""),
    )


class _Look:
    """One look of a cell as the key of a cache."""

    def __init__(self, line: Line, cell: Cell, *, editable: bool) -> None:
        self.line, self.cell, self.editable = line, cell, editable
        state: State = cell.state
        change = bool(cell.last and cell.last.change)
        self.key = (
            # texts beside a measure are kept for each edition, so this tells editions apart
            id(line.about),
            cell.key,
            state,
            bool(cell.saved),
            bool(cell.error),
            bool(cell.last),
            change,
            editable,
        )

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Look) and self.key == other.key


@lru_cache(maxsize=8192)
def _look(look: _Look) -> str:
    html = _drawn(look.line, look.cell, editable=look.editable)
    return html.replace(date_format(MARKED_DAY, "j M Y"), MARKED["day"])


def _drawn(line: Line, cell: Cell, *, editable: bool) -> SafeString:
    name = "assessments/_row_cell.html" if editable else "assessments/_row_fixed.html"
    return _rendered(name, {"line": line, "cell": cell, "about": line.about})


def _frame(line: Line, *, caution: bool) -> str:
    return _frame_of(_Frame(line, caution=caution))


class _Frame:
    """A line without its answers as the key of a cache."""

    def __init__(self, line: Line, *, caution: bool) -> None:
        self.line, self.caution = line, caution
        self.key = (id(line.about), line.kind, line.measure.code, caution)

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Frame) and self.key == other.key


@lru_cache(maxsize=1024)
def _frame_of(frame: _Frame) -> str:
    return _rendered(
        "assessments/_row.html",
        {"line": frame.line, "caution": frame.caution, "mark": mark("cells")},
    )


def _rendered(name: str, context: dict[str, Any]) -> SafeString:
    """A template without the blanks that stand between its tags."""
    html = get_template(name).render(context)
    return mark_safe(BLANKS.sub(" ", html).replace("> <", "><"))  # noqa: S308  # as the template made it
