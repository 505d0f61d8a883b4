"""Pure reading of the reference tables: CSV text in, rows with line numbers and problems out."""

import csv
import io
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from typing import TypeVar

Word = TypeVar("Word", bound=StrEnum)


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One reason why a table is refused; line 0 means the file as a whole."""

    file: str
    line: int
    text: str

    def __str__(self) -> str:
        return (
            f"{self.file}:{self.line}: {self.text}" if self.line else f"{self.file}: {self.text}"
        )


class BadTables(Exception):  # noqa: N818  # says what is the matter, as Http404 does
    """The tables do not load whole; `problems` holds every reason, in order of file and line."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(map(str, self.problems)))


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table; `line` counts as an editor does, the header is line 1."""

    file: str
    line: int
    cells: Mapping[str, str]

    def __getitem__(self, column: str) -> str:
        return self.cells[column]


def names(text: str) -> tuple[str, ...]:
    """The words of a text, as a list of columns or codes is written in code."""
    return tuple(text.split())


@dataclass(slots=True)
class Reader:
    """Reads cells into values and keeps every problem, so that a table is refused whole.

    After a problem each method returns a stand-in of the promised type: the caller goes on to
    find the other problems and raises at the end with `finish`.
    """

    texts: Mapping[str, str]
    problems: list[Problem] = field(default_factory=list)

    def refuse(self, row: Row, text: str) -> None:
        self.refuse_line(row.file, row.line, text)

    def refuse_line(self, file: str, line: int, text: str) -> None:
        self.problems.append(Problem(file, line, text))

    def refuse_file(self, file: str, text: str) -> None:
        self.refuse_line(file, 0, text)

    def finish(self) -> None:
        """Raise BadTables if anything was refused."""
        if self.problems:
            raise BadTables(self.problems)

    def rows(self, file: str, columns: Sequence[str]) -> list[Row]:
        """Rows of a table that has at least these columns; empty if it cannot be read."""
        if file not in self.texts:
            self.refuse_file(file, "the file is missing")
            return []
        records = csv.reader(io.StringIO(self.texts[file].removeprefix("\ufeff")), strict=True)
        try:
            header = next(records, [])
            if not self._header_fits(file, header, columns):
                return []
            return [
                row
                for cells in records
                if (row := self._row(file, records.line_num, header, cells))
            ]
        except csv.Error as error:
            self.refuse_line(file, records.line_num, f"no valid CSV: {error}")
            return []

    def _header_fits(self, file: str, header: Sequence[str], columns: Sequence[str]) -> bool:
        missing = [column for column in columns if column not in header]
        for column in missing:
            self.refuse_line(file, 1, f"column {column} is missing")
        twice = {column for column in header if header.count(column) > 1}
        for column in sorted(twice):
            self.refuse_line(file, 1, f"column {column} stands twice")
        return not missing and not twice

    def _row(
        self, file: str, line: int, header: Sequence[str], cells: Sequence[str]
    ) -> Row | None:
        row = Row(file, line, dict(zip(header, cells, strict=False)))
        if len(cells) == len(header):
            return row
        self.refuse(row, f"{len(cells)} cells under {len(header)} columns")
        return None

    def text(self, row: Row, column: str) -> str:
        """The cell, which must not be empty."""
        if not row[column].strip():
            self.refuse(row, f"{column} is empty")
        return row[column]

    def number(self, row: Row, column: str) -> Decimal | None:
        """The number of a cell, None for an empty one."""
        return self.number_of(row, column, row[column]) if row[column] else None

    def number_of(self, row: Row, column: str, text: str) -> Decimal | None:
        """The finite number that a text writes, else a problem and None."""
        try:
            number = Decimal(text)
        except InvalidOperation:
            number = Decimal("NaN")
        if number.is_finite():
            return number
        self.refuse(row, f"{column}: {text!r} is no number")
        return None

    def needed_number(self, row: Row, column: str) -> Decimal:
        """The number of a cell that must hold one."""
        number = self.number_of(row, column, self.text(row, column))
        return Decimal(1) if number is None else number

    def positive(self, row: Row, column: str) -> Decimal | None:
        """The number of a cell, which must be above 0 if it is given."""
        number = self.number(row, column)
        if number is not None and number <= 0:
            self.refuse(row, f"{column}: {number} is not above 0")
        return number

    def yes(self, row: Row, column: str) -> bool:
        """True for yes, False for no; nothing else is allowed."""
        if row[column] not in ("yes", "no"):
            self.refuse(row, f"{column}: {row[column]!r} is neither yes nor no")
        return row[column] == "yes"

    def word(self, row: Row, column: str, words: type[Word]) -> Word:
        """The member of an enum that the cell names."""
        return self.word_of(row, column, row[column], words)

    def word_of(self, row: Row, column: str, text: str, words: type[Word]) -> Word:
        """The member of an enum that a text names, else a problem and its first member."""
        if text in list(words):
            return words(text)
        self.refuse(row, f"{column}: {text!r} is none of {', '.join(words)}")
        return next(iter(words))

    def known(self, row: Row, column: str, codes: Collection[str], what: str) -> str:
        """The cell, which must name one of the codes."""
        self.check_known(row, column, [row[column]], codes, what)
        return row[column]

    def listed(self, row: Row, column: str, mark: str = "|") -> tuple[str, ...]:
        """The items of a cell parted by the mark; none for an empty cell, none twice."""
        items = tuple(row[column].split(mark)) if row[column] else ()
        if len(set(items)) < len(items):
            self.refuse(row, f"{column}: an item stands twice")
        if "" in items:
            self.refuse(row, f"{column}: an item is empty")
        return items

    def known_list(
        self, row: Row, column: str, codes: Collection[str], what: str, mark: str = "|"
    ) -> tuple[str, ...]:
        """The items of a cell, each of which must be one of the codes."""
        items = self.listed(row, column, mark)
        self.check_known(row, column, items, codes, what)
        return items

    def check_known(
        self, row: Row, column: str, items: Iterable[str], codes: Collection[str], what: str
    ) -> None:
        """Refuse every item that is not one of the codes; `what` names their kind."""
        for item in items:
            if item not in codes:
                self.refuse(row, f"{column}: unknown {what} {item!r}")

    def once(self, rows: Iterable[Row], *columns: str) -> None:
        """Refuse a row whose cells in these columns stand in an earlier row as well."""
        seen: dict[tuple[str, ...], int] = {}
        for row in rows:
            key = tuple(row[column] for column in columns)
            first = seen.setdefault(key, row.line)
            if first != row.line:
                named = " ".join(part for part in key if part)
                self.refuse(row, f"{' and '.join(columns)} {named} stands in line {first} already")
