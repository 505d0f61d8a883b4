"""An existing diary as a file: rows of CSV (RFC 4180) or events of iCalendar (RFC 5545)."""

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from io import StringIO
from itertools import islice
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from icalendar import Calendar, Component

MOST_BYTES = 500_000
MOST_ROWS = 5_000
HEADINGS = ("day", "time", "client", "born", "clinician", "room", "kind")
NEEDED = ("day", "time", "client")
DAYS = ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%d %b %Y", "%d %B %Y")
TIMES = ("%H:%M", "%H.%M", "%H:%M:%S")
NUMBER = re.compile(r"\b[A-Z]{1,4}\d{4,8}\b")
MAILTO = re.compile(r"^mailto:", re.IGNORECASE)


@dataclass(frozen=True)
class Row:
    """One appointment as the file has it; `problem` says why it cannot be one.

    line: of the file, or number of the event. client: record number or name. clinician: user
    name, full name or e-mail address. second: of a time shown twice, whether the second is meant.
    """

    line: int
    client: str = ""
    born: date | None = None
    starts: datetime | None = None
    second: bool | None = None
    clinician: str = ""
    room: str = ""
    kind: str = ""
    uid: str = ""
    problem: str = ""


def rows_of(content: bytes, zone: ZoneInfo) -> list[Row]:
    """Rows of a file of either form; raises ValidationError for one that is neither.

    zone: of the site; times without a zone are on its clock.
    """
    if len(content) > MOST_BYTES:
        raise ValidationError(f"The file is larger than {MOST_BYTES // 1000} kB: part it.")
    text = _text(content)
    calendar = text.lstrip().upper().startswith("BEGIN:VCALENDAR")
    found = _events(text, zone) if calendar else _csv_rows(text)
    rows = list(islice(found, MOST_ROWS + 1))
    if len(rows) > MOST_ROWS:
        raise ValidationError(f"The file has more than {MOST_ROWS} appointments: part it.")
    if not rows:
        raise ValidationError("The file holds no appointment.")
    return rows


def _text(content: bytes) -> str:
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise ValidationError("The file is not text. Save it as CSV in UTF-8, or as iCalendar.")


# CSV


def _csv_rows(text: str) -> Iterator[Row]:
    try:
        dialect: type[csv.Dialect] = csv.Sniffer().sniff(text[:4096], delimiters=",;\t")
    except csv.Error:
        dialect = csv.excel
    reader = csv.DictReader(StringIO(text, newline=""), dialect=dialect)
    given = [(name or "").strip().casefold() for name in reader.fieldnames or ()]
    missing = [name for name in NEEDED if name not in given]
    if missing:
        raise ValidationError(
            f"The first line must name the columns; missing: {', '.join(missing)}. "
            f"Known columns: {', '.join(HEADINGS)}."
        )
    reader.fieldnames = given
    try:
        for cells in reader:
            named = {name: cells.get(name) for name in HEADINGS}
            if any(named.values()):
                yield _csv_row(reader.line_num, {k: (v or "").strip() for k, v in named.items()})
    except csv.Error as broken:
        raise ValidationError(f"Line {reader.line_num} cannot be read: {broken}.") from broken


def _csv_row(line: int, cells: dict[str, str]) -> Row:
    day, at = _first(cells["day"], DAYS), _first(cells["time"], TIMES)
    born = _first(cells["born"], DAYS)
    problem = ""
    if day is None:
        problem = f"“{cells['day']}” is no day such as 2027-03-15."
    elif at is None:
        problem = f"“{cells['time']}” is no time such as 14:30."
    elif cells["born"] and born is None:
        problem = f"“{cells['born']}” is no date of birth such as 1990-04-12."
    return Row(
        line,
        client=cells["client"],
        born=born.date() if born else None,
        starts=datetime.combine(day, at.time()) if day and at else None,
        clinician=cells["clinician"],
        room=cells["room"],
        kind=cells["kind"],
        problem=problem,
    )


def _first(text: str, formats: Sequence[str]) -> datetime | None:
    for one in formats:
        try:
            return datetime.strptime(text, one)  # noqa: DTZ007  # on the clock of the site
        except ValueError:
            continue
    return None


# iCalendar


def _events(text: str, zone: ZoneInfo) -> Iterator[Row]:
    try:
        calendar = Calendar.from_ical(text)
    except ValueError as broken:
        raise ValidationError(f"The calendar file cannot be read: {broken}.") from broken
    for number, event in enumerate(calendar.walk("VEVENT"), start=1):
        if str(event.get("status", "")).upper() != "CANCELLED":
            yield _event_row(number, event, zone)


def _event_row(number: int, event: Component, zone: ZoneInfo) -> Row:
    words = " ".join(str(event.get(name, "")) for name in ("summary", "description"))
    found = NUMBER.search(words)
    row = Row(
        number,
        client=found[0] if found else str(event.get("summary", "")).strip(),
        clinician=MAILTO.sub("", str(event.get("organizer", ""))),
        room=str(event.get("location", "")).strip(),
        uid=str(event.get("uid", "")),
    )
    moment = event.decoded("dtstart") if "dtstart" in event else None
    if "rrule" in event or "rdate" in event:
        return replace(row, problem="It repeats: enter each appointment by itself.")
    if not isinstance(moment, datetime):
        return replace(row, problem="It has no time of day.")
    if moment.tzinfo is None:
        return replace(row, starts=moment)
    local = moment.astimezone(zone)
    return replace(row, starts=local.replace(tzinfo=None), second=bool(local.fold))
