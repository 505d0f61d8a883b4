"""What every paper of the clinic holds: letters, handouts and slips as plain values."""

from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, field, fields
from datetime import date, datetime
from enum import StrEnum
from functools import cache
from types import UnionType
from typing import Any, ClassVar, Self, Union, get_args, get_origin, get_type_hints

NOT_GIVEN = "not given"
NOT_ASKED = "not asked"
NONE_KNOWN = "none known"
DRAFT_LINE = "Draft, not signed"
STARTING_EDITION_LINE = "starting edition, not yet confirmed by the clinic"
MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


class Unprintable(ValueError):  # noqa: N818  # read as a sentence where it is caught
    """Text holds characters that the font of the papers has no drawing for."""

    def __init__(self, characters: tuple[str, ...]) -> None:
        self.characters = characters
        named = ", ".join(f"{char!r} (U+{ord(char):04X})" for char in characters)
        super().__init__(f"The paper cannot be printed: no letter shape for {named}.")


class Stored:
    """A frozen value that the record keeps as JSON and reads back equal."""

    def to_json(self) -> dict[str, Any]:
        """The value as an object of JSON types, every field named."""
        return {part.name: _plain(getattr(self, part.name)) for part in fields(self)}  # type: ignore[arg-type]  # every subclass is a dataclass

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        """The value that `to_json` wrote; a field that a later version added takes its default.

        data: object of JSON types.
        Raises ValueError for a field that is unknown, or missing without a default.
        """
        known = {part.name: part for part in fields(cls)}  # type: ignore[arg-type]  # as above
        if unknown := sorted(set(data) - set(known)):
            raise ValueError(f"{cls.__name__} has no field {', '.join(unknown)}")
        if lost := [name for name, part in known.items() if name not in data and _needed(part)]:
            raise ValueError(f"{cls.__name__} needs {', '.join(lost)}")
        hints = _hints(cls)  # type: ignore[arg-type]  # a class is hashable
        return cls(**{name: _typed(hints[name], value) for name, value in data.items()})

    def strings(self) -> Iterator[str]:
        """Every text in the value, also of its parts, in the order of the fields."""
        yield from _strings(self.to_json())


def _needed(part: Any) -> bool:
    return part.default is MISSING and part.default_factory is MISSING


@cache
def _hints(cls: type) -> dict[str, Any]:
    return get_type_hints(cls)


def _plain(value: Any) -> Any:
    if isinstance(value, Stored):
        return value.to_json()
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, date):  # datetime is a date
        return value.isoformat()
    return value


def _typed(hint: Any, value: Any) -> Any:
    if get_origin(hint) in (Union, UnionType):
        hint = next(part for part in get_args(hint) if part is not type(None))
    if value is None:
        return None
    if get_origin(hint) is tuple:
        return _typed_items(get_args(hint), value)
    if hint in (date, datetime):
        return hint.fromisoformat(value)
    if isinstance(hint, type) and issubclass(hint, Stored):
        return hint.from_json(value)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint(value)
    return value


def _typed_items(parts: tuple[Any, ...], values: list[Any]) -> tuple[Any, ...]:
    hints = [parts[0]] * len(values) if parts[-1] is Ellipsis else list(parts)
    return tuple(_typed(hint, value) for hint, value in zip(hints, values, strict=True))


def _strings(data: Any) -> Iterator[str]:
    if isinstance(data, str):
        yield data
    elif isinstance(data, list):
        for item in data:
            yield from _strings(item)
    elif isinstance(data, dict):
        for item in data.values():
            yield from _strings(item)


def date_words(on: date | None) -> str:
    """The date as printed, "12 March 2027"; "not given" without one.

    on: calendar day.
    Source: rule of this clinic (the month in letters cannot be read as the day).
    """
    return f"{on.day} {MONTHS[on.month - 1]} {on.year}" if on else NOT_GIVEN


def day_words(on: date) -> str:
    """The date with its weekday, "Tuesday 6 April 2027".

    on: calendar day.
    """
    return f"{WEEKDAYS[on.weekday()]} {date_words(on)}"


def time_words(at: datetime) -> str:
    """The time of day on the 24-hour clock, "14:30".

    at: local time.
    """
    return f"{at.hour:02d}:{at.minute:02d}"


def yes_no_words(answer: bool | None) -> str:  # noqa: FBT001  # an answer, not a switch
    """The answer in words: yes, no, or "not asked" for None.

    answer: what was said.
    """
    return NOT_ASKED if answer is None else ("yes" if answer else "no")


def joined(*parts: str, between: str = ", ") -> str:
    """The parts that are not empty, in order; "" if all are.

    parts: texts; between: what stands between two of them.
    """
    return between.join(part for part in parts if part)


class PrintSize(StrEnum):
    STANDARD = "standard"
    LARGE = "large"


class Asked(StrEnum):
    NOT_ASKED = "not_asked"
    NONE_KNOWN = "none_known"
    LISTED = "listed"


@dataclass(frozen=True)
class Answer(Stored):
    """The answer to a question of the history: not asked and none known are different."""

    state: Asked = Asked.NOT_ASKED
    items: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if (self.state is Asked.LISTED) != bool(self.items):
            raise ValueError(f"an answer {self.state.value} with {len(self.items)} items")

    @classmethod
    def listed(cls, *items: str) -> Self:
        """The answer with these items, or none known without any.

        items: one text each.
        """
        return cls(Asked.LISTED, items) if items else cls(Asked.NONE_KNOWN)

    @property
    def lines(self) -> tuple[str, ...]:
        """What is printed; never empty."""
        if self.state is Asked.LISTED:
            return self.items
        return (NONE_KNOWN if self.state is Asked.NONE_KNOWN else NOT_ASKED,)


@dataclass(frozen=True)
class Letterhead(Stored):
    """The clinic as it was on the day of the paper."""

    clinic: str
    site: str = ""
    address: tuple[str, ...] = ()
    telephone: str = ""
    email: str = ""

    @property
    def name(self) -> str:
        """Clinic and site in one line."""
        return joined(self.clinic, self.site)

    @property
    def call(self) -> str:
        """The telephone for questions; "not given" without one."""
        return self.telephone or NOT_GIVEN


@dataclass(frozen=True)
class Person(Stored):
    """The client as named on a paper."""

    full_name: str
    born: date | None
    record_number: str
    preferred_name: str = ""
    address: tuple[str, ...] = ()
    telephone: str = ""

    @property
    def called(self) -> str:
        """The name the client goes by."""
        return self.preferred_name or self.full_name

    @property
    def identity(self) -> str:
        """The three identifiers that stand on every page (RACGP 1.6.2)."""
        return f"{self.full_name}, born {date_words(self.born)}, record {self.record_number}"


@dataclass(frozen=True)
class Signature(Stored):
    """Who answers for the paper; without `signed_at` it is a draft."""

    name: str = ""
    role: str = ""
    registration_number: str = ""
    signed_at: datetime | None = None

    @property
    def signed(self) -> bool:
        """Whether the paper is signed."""
        return self.signed_at is not None

    @property
    def event(self) -> str:
        """When it was signed, in words, or the draft line."""
        if self.signed_at is None:
            return DRAFT_LINE
        zone = self.signed_at.tzname()
        return joined(
            f"Signed on {date_words(self.signed_at.date())} at {time_words(self.signed_at)}",
            f"({zone})" if zone else "",
            between=" ",
        )


@dataclass(frozen=True)
class PaperHead(Stored):
    """The facts that stand on every paper."""

    letterhead: Letterhead
    person: Person
    dated: date
    author: Signature = field(default_factory=Signature)
    version: int = 1
    replaces: str = ""
    copies: tuple[str, ...] = ()
    edition_line: str = ""
    print_size: PrintSize = PrintSize.STANDARD
    language: str = "en-GB"

    @property
    def version_words(self) -> str:
        """The version and what it replaces, "Version 2, replaces version 1 of 3 March 2027"."""
        return joined(
            f"Version {self.version}", f"replaces {self.replaces}" if self.replaces else ""
        )

    @property
    def dated_words(self) -> str:
        """The date of the paper in words."""
        return date_words(self.dated)

    @property
    def draft(self) -> bool:
        """Whether nobody has signed the paper yet."""
        return not self.author.signed

    @property
    def large(self) -> bool:
        """Whether the client reads large print."""
        return self.print_size is PrintSize.LARGE


@dataclass(frozen=True)
class Text:
    """One paragraph; `label` stands before it in bold."""

    kind: ClassVar[str] = "text"
    text: str
    label: str = ""


@dataclass(frozen=True)
class Items:
    """A list; numbered where the order matters."""

    kind: ClassVar[str] = "items"
    items: tuple[str, ...]
    label: str = ""
    numbered: bool = False


@dataclass(frozen=True)
class Facts:
    """Pairs of a name and its words."""

    kind: ClassVar[str] = "facts"
    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Grid:
    """A table. `shares` are relative widths; `numeric` are the columns set to the right."""

    kind: ClassVar[str] = "grid"
    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    shares: tuple[int, ...]
    numeric: tuple[int, ...] = ()


Part = Text | Items | Facts | Grid


@dataclass(frozen=True)
class Section:
    """A heading and what stands under it; a boxed one may not be overlooked.

    `empty`: nothing was recorded, the only part says in which way.
    """

    heading: str
    parts: tuple[Part, ...]
    boxed: bool = False
    empty: bool = False

    def __post_init__(self) -> None:
        if not self.parts:
            raise ValueError(f"nothing stands under {self.heading}")

    @classmethod
    def without(cls, heading: str, words: str) -> Self:
        """The section of which nothing was recorded.

        words: in which way, such as "not asked".
        """
        return cls(heading, (Text(words),), empty=True)


def words_of(section: Section) -> Iterator[str]:
    """Every text of the section in reading order: heading, labels, cells, items.

    section: as printed.
    """
    yield section.heading
    for part in section.parts:
        yield from _words_of_part(part)


def _words_of_part(part: Part) -> Iterator[str]:
    if isinstance(part, Text):
        yield from (text for text in (part.label, part.text) if text)
    elif isinstance(part, Items):
        yield from (text for text in (part.label, *part.items) if text)
    elif isinstance(part, Facts):
        for name, words in part.pairs:
            yield from (name, words)
    else:
        yield from (part.caption, *part.columns)
        for row in part.rows:
            yield from (cell for cell in row if cell)
