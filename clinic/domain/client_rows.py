"""Rows of a file as clients: which column is what, and what each cell says."""

import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from clinic.domain.people import normalised
from clinic.domain.tables_from_files import FileRow, FileTable
from clinic.domain.vocabulary import Channel, Sex

LEFT_OUT = ""
# fields of a client that a column can hold, with the words of the page
FIELDS = {
    "family_name": "family name",
    "given_names": "given names",
    "preferred_name": "preferred name",
    "birth_date": "date of birth",
    "sex_for_norms": "sex for norms",
    "address": "address",
    "telephone": "telephone",
    "email": "email",
    "preferred_channel": "preferred way to be reached",
    "next_of_kin": "next of kin",
    "language": "language, if not English",
    "communication_needs": "communication needs",
}
NEEDED = ("family_name", "birth_date")
SEVERAL = {"address"}
HEADINGS = {
    "family_name": "family name|surname|last name|lastname|familyname|nachname|familienname|nom",
    "given_names": "given names|given name|first name|first names|firstname|forename|forenames|"
    "vorname|prenom",
    "preferred_name": "preferred name|known as|called|nickname",
    "birth_date": "date of birth|dob|born|birth date|birthdate|birthday|birth_date|geburtsdatum|"
    "date de naissance",
    "sex_for_norms": "sex|sex for norms|geschlecht|sexe",
    "address": "address|address 1|address 2|address 3|address line 1|address line 2|"
    "address line 3|street|town|city|county|postcode|post code|zip|adresse|strasse|ort|plz|ville",
    "telephone": "telephone|phone|tel|mobile|telephone number|phone number|mobile number|telefon|"
    "handy|telephone mobile",
    "email": "email|e-mail|email address|e-mail address|mail",
    "preferred_channel": "preferred way to be reached|contact by|preferred contact|preferred "
    "channel",
    "next_of_kin": "next of kin|emergency contact|kin",
    "language": "language|first language|sprache|langue",
    "communication_needs": "communication needs|needs|accessibility",
}
GUESSES = {word: field for field, words in HEADINGS.items() for word in words.split("|")}
SEXES: Mapping[StrEnum, str] = {
    Sex.F: "f|female|woman|w|weiblich",
    Sex.M: "m|male|man|männlich|maennlich",
    Sex.X: "x|other|neither|divers|non-binary|nonbinary",
}
CHANNELS: Mapping[StrEnum, str] = {
    Channel.LETTER: "letter|post|mail|brief",
    Channel.EMAIL: "email|e-mail",
    Channel.TELEPHONE: "telephone|phone|tel|mobile|telefon",
}
SLASHED = re.compile(r"(\d{1,2})\s*[/-]\s*(\d{1,2})\s*[/-]\s*(\d{4})")
DOTTED = re.compile(r"(\d{1,2})\.\s*(\d{1,2})\.\s*(\d{4})")
ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})")
MIDNIGHT = re.compile(r"[T ]0{1,2}:00(:00(\.0+)?)?$")
NAMED = ("%d %b %Y", "%d %B %Y", "%d-%b-%Y", "%d-%B-%Y", "%b %d, %Y", "%B %d, %Y")


class DayOrder(StrEnum):
    """How a file writes 03/04/2026; a file says it nowhere, so a person does."""

    UNKNOWN = "unknown"
    DAY_FIRST = "day_first"
    MONTH_FIRST = "month_first"


@dataclass(frozen=True, slots=True)
class Reading:
    """One row as a client: the fields that it gives, and what is wrong by field."""

    line: int
    fields: Mapping[str, object]
    faults: Mapping[str, str]
    notes: Mapping[str, str]

    def text(self, field: str) -> str:
        return str(self.fields.get(field, ""))


def guessed(headings: Sequence[str]) -> list[str]:
    """A field for each column, empty where the heading says none; no field twice but address.

    headings: as typed. Source: rule of this clinic.
    """
    found: list[str] = []
    for heading in headings:
        words = " ".join(normalised(heading).replace("_", " ").split())
        field = GUESSES.get(words, LEFT_OUT)
        if field in found and field not in SEVERAL:
            field = LEFT_OUT
        found.append(field)
    return found


def mapping_faults(columns: Sequence[str]) -> list[str]:
    """Why these fields for the columns cannot be; none when they can.

    columns: a field of FIELDS or LEFT_OUT for each column.
    """
    wrong = [
        f"No column is the {FIELDS[field]}: every client needs one."
        for field in NEEDED
        if field not in columns
    ]
    wrong += [
        f"Two columns are the {words}: choose one of them."
        for field, words in FIELDS.items()
        if field not in SEVERAL and list(columns).count(field) > 1
    ]
    return wrong


def readings(
    table: FileTable,
    columns: Sequence[str],
    *,
    order: DayOrder,
    today: date,
    telephone: Callable[[str], tuple[str, str]],
) -> list[Reading]:
    """Every row of a table as a client.

    columns: a field for each heading. order: of days and months. today: no birth after it.
    telephone: gives the number to store and a note, empty if there is none.
    """
    return [
        _reading(row, len(table.headings), columns, order, today, telephone) for row in table.rows
    ]


def _reading(
    row: FileRow,
    width: int,
    columns: Sequence[str],
    order: DayOrder,
    today: date,
    telephone: Callable[[str], tuple[str, str]],
) -> Reading:
    # cells without text beyond the last heading are a habit of spreadsheets
    beyond = [cell for cell in row.cells[width:] if cell.strip()]
    if beyond or len(row.cells) < width:
        words = f"The row has {len(row.cells)} cells and the heading {width}: see its separators."
        return Reading(row.line, {}, {"row": words}, {})
    typed: dict[str, list[str]] = {}
    for field, cell in zip(columns, row.cells, strict=False):
        if field and cell.strip():
            typed.setdefault(field, []).append(cell.strip())
    texts = {field: "\n".join(cells) for field, cells in typed.items()}
    faults = {
        field: "Holds a sign that no text has." for field, text in texts.items() if _odd(text)
    }
    fields: dict[str, object] = dict(texts)
    notes: dict[str, str] = {}
    fields["address"] = "\n".join(texts.get("address", "").splitlines())
    _read_words(fields, faults)
    _read_birth(texts.get("birth_date", ""), order, today, fields, faults)
    if "telephone" in texts:
        fields["telephone"], note = telephone(texts["telephone"])
        notes |= {"telephone": note} if note else {}
    if "family_name" not in texts:
        faults["family_name"] = "A client needs a family name; a person with one name has it here."
    return Reading(row.line, fields, faults, notes)


def _odd(text: str) -> bool:
    """Whether a text holds control characters; line ends and tabs may stand in an address."""
    return any(unicodedata.category(sign) == "Cc" and sign not in "\n\r\t" for sign in text)


def _read_words(fields: dict[str, object], faults: dict[str, str]) -> None:
    for field, words in (("sex_for_norms", SEXES), ("preferred_channel", CHANNELS)):
        if field not in fields:
            continue
        typed = str(fields.pop(field)).casefold()
        found = next((code for code, of in words.items() if typed in of.split("|")), None)
        if found is None:
            known = ", ".join(of.split("|")[0] for of in words.values())
            faults[field] = f"“{typed}” is none of: {known}."
        else:
            fields[field] = found.value


def _read_birth(
    typed: str, order: DayOrder, today: date, fields: dict[str, object], faults: dict[str, str]
) -> None:
    fields.pop("birth_date", None)
    if not typed:
        faults["birth_date"] = "A client needs a date of birth."
        return
    try:
        born = read_day(typed, order)
    except ValueError as wrong:
        faults["birth_date"] = str(wrong)
        return
    if born > today:
        faults["birth_date"] = f"{born.isoformat()} lies in the future: check the year."
    elif born < date(1900, 1, 1):
        faults["birth_date"] = f"{born.isoformat()} lies before 1900: check the year."
    fields["birth_date"] = born


def read_day(typed: str, order: DayOrder) -> date:
    """The day that a cell names.

    typed: year first, day with the month's name, day first with points, or with strokes as
    `order` says. Raises ValueError, also for a date that could be two days while nobody has said
    which. Source: ISO 8601 for the year first; points put the day first (DIN 5008, common in
    Europe); strokes are read both ways, so a person decides.
    """
    text = MIDNIGHT.sub("", typed.strip())
    if whole := ISO.fullmatch(text):
        year, month, day = (int(part) for part in whole.groups())
        return _day(year, month, day, typed)
    if whole := DOTTED.fullmatch(text):
        day, month, year = (int(part) for part in whole.groups())
        return _day(year, month, day, typed)
    if whole := SLASHED.fullmatch(text):
        one, other, year = (int(part) for part in whole.groups())
        return _slashed(one, other, year, typed, order)
    for form in NAMED:
        try:
            return datetime.strptime(text, form).date()  # noqa: DTZ007 - a day has no zone
        except ValueError:
            continue
    raise ValueError(f"“{typed}” is no date with four digits of the year, such as 1990-04-12.")


def _slashed(one: int, other: int, year: int, typed: str, order: DayOrder) -> date:
    if order is DayOrder.DAY_FIRST or (order is DayOrder.UNKNOWN and one > 12):
        return _day(year, other, one, typed)
    if order is DayOrder.MONTH_FIRST or other > 12 or one == other:
        return _day(year, one, other, typed)
    raise ValueError(
        f"“{typed}” can be two days: say with the columns whether day or month is first."
    )


def _day(year: int, month: int, day: int, typed: str) -> date:
    try:
        return date(year, month, day)
    except ValueError as wrong:
        raise ValueError(f"“{typed}” is no day of the calendar in this order.") from wrong
