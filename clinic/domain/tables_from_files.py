"""A table of a file that somebody brings: encoding, separator, rows with their lines."""

import codecs
import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

UTF_8, UTF_16, WINDOWS = "utf-8", "utf-16", "cp1252"
ENCODINGS = {
    UTF_8: "UTF-8",
    UTF_16: "UTF-16",
    WINDOWS: "Windows-1252, from older spreadsheets",
}
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
SAMPLE = 8192  # characters that the separator is found from
LARGEST = 5_000_000  # bytes
MOST_ROWS = 20_000


class UnreadableError(ValueError):
    """The file is no table that can be read; the text says what to do."""


@dataclass(frozen=True, slots=True)
class FileRow:
    """One row: the line it begins on (the heading is line 1 as a rule) and its cells."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FileTable:
    """Headings and rows as typed; rows without any text are left out and counted."""

    encoding: str
    separator: str
    headings: tuple[str, ...]
    rows: tuple[FileRow, ...]
    blank: int


def decoded(data: bytes, encoding: str = "") -> tuple[str, str]:
    """The text of a file and the encoding it was read in.

    data: the whole file. encoding: one of ENCODINGS, empty to find it: a byte order mark, else
    UTF-8. Raises UnreadableError; bytes that are not UTF-8 are never guessed at.
    Source: Unicode Standard, 23.8 (byte order mark).
    """
    if not data.strip():
        raise UnreadableError("The file is empty.")
    if len(data) > LARGEST:
        raise UnreadableError(f"The file has more than {LARGEST // 1_000_000} MB: part it.")
    found = encoding or _marked(data)
    try:
        text = data.decode("utf-8-sig" if found == UTF_8 else found)
    except UnicodeError as wrong:
        raise UnreadableError(_not_in(found, given=bool(encoding))) from wrong
    if "\x00" in text:
        raise UnreadableError(
            "The file holds bytes that no text has: choose UTF-16, or save it as CSV first."
        )
    return text, found


def _marked(data: bytes) -> str:
    return UTF_16 if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else UTF_8


def _not_in(encoding: str, *, given: bool) -> str:
    if given:
        return f"The file cannot be read as {ENCODINGS[encoding]}: choose another encoding."
    return (
        "The file is not in UTF-8. If it comes from an older spreadsheet choose Windows-1252, and "
        "look at the letters with accents before anything is imported."
    )


def separator_of(text: str) -> str:
    """What parts the cells: comma, semicolon or tab; a comma where there is one column.

    text: of the file. Source: csv.Sniffer of Python, unless the heading holds more of another one:
    the Sniffer prefers commas, also those within cells.
    """
    heading = next((line for line in text.splitlines() if line.strip()), "")
    most = max(SEPARATORS, key=heading.count)
    try:
        found = csv.Sniffer().sniff(text[:SAMPLE], delimiters="".join(SEPARATORS)).delimiter
    except csv.Error:
        return most
    return found if heading.count(found) >= heading.count(most) else most


def read_table(data: bytes, *, encoding: str = "", separator: str = "") -> FileTable:
    """The table that a file holds; its first row with text is the headings.

    encoding, separator: of ENCODINGS and SEPARATORS, empty to find them. Raises UnreadableError.
    """
    text, found = decoded(data, encoding)
    part = separator or separator_of(text)
    rows = _rows(text, part)
    written = [row for row in rows if any(cell.strip() for cell in row.cells)]
    if len(written) < 2:
        raise UnreadableError("The file needs a row of headings and at least one row below.")
    if len(written) > MOST_ROWS + 1:
        raise UnreadableError(f"The file has more than {MOST_ROWS:,} rows: part it.")
    headings = tuple(cell.strip() for cell in written[0].cells)
    return FileTable(found, part, headings, tuple(written[1:]), len(rows) - len(written))


def _rows(text: str, separator: str) -> list[FileRow]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows: list[FileRow] = []
    line = 1
    try:
        for cells in reader:
            rows.append(FileRow(line, tuple(cells)))
            line = reader.line_num + 1
    except csv.Error as wrong:
        raise UnreadableError(
            f"Line {line} cannot be read: a quotation mark is not closed, or the separator is "
            f"another one ({wrong})."
        ) from wrong
    return rows


def written_table(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """The lines of a CSV file that no spreadsheet takes for formulas.

    rows: cells; each is quoted, and one that begins like a formula gets an apostrophe.
    Source: OWASP ASVS 5.0, 1.2.10; RFC 4180.
    """
    for row in rows:
        cells = (harmless(cell).replace('"', '""') for cell in row)
        yield ",".join(f'"{cell}"' for cell in cells) + "\r\n"


def harmless(cell: str) -> str:
    """The text, with an apostrophe before it where a spreadsheet would compute it.

    Source: OWASP ASVS 5.0, 1.2.10: cells that begin with =, +, -, @, tab, carriage return or NUL.
    """
    return f"'{cell}" if cell.startswith(("=", "+", "-", "@", "\t", "\r", "\x00")) else cell
