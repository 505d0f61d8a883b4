"""How people are found and told apart: plain names, telephone digits, typed dates, ages."""

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from difflib import SequenceMatcher

# letters that Unicode does not take apart, as they are commonly typed without them
PLAIN = str.maketrans(
    {"ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ı": "i"}
)
NUMBER = re.compile(r"[\d\s+()./-]+")
SIMILAR = 0.8
SHORTEST_TELEPHONE = 6


def normalised(text: str) -> str:
    """The text without accents and case, with single blanks.

    text: any script; letters outside PLAIN that do not take apart stay as they are.
    Source: compatibility decomposition NFKD and case folding (Unicode Standard, 3.11 and 3.13);
    PLAIN is a rule of this clinic.
    """
    apart = unicodedata.normalize("NFKD", text.casefold())
    bare = "".join(letter for letter in apart if not unicodedata.combining(letter))
    return " ".join(bare.casefold().translate(PLAIN).split())


def without_names(text: str, names: Iterable[str]) -> str:
    """The text with each word of these names put out of it.

    text: what somebody wrote. names: whole names; words of one letter stay, because they are words
    of many sentences. Source: rule of this clinic.
    """
    hidden = {word for name in names for word in _words(name) if len(word) > 1}
    return re.sub(r"\w+", lambda it: "…" if _words(it[0]) & hidden else it[0], text)


def _words(text: str) -> set[str]:
    return set(re.findall(r"\w+", normalised(text)))


def digits(telephone: str) -> str:
    """The digits of a telephone number without the leading 0 or the 0 in brackets after +44.

    telephone: as written by people. Source: rule of this clinic, so that 01632 960100 finds
    +44 (0)1632 960100 and the other way round.
    """
    found = "".join(re.findall(r"\d", telephone.replace("(0)", "")))
    return found.removeprefix("0")


def search_text(names: Iterable[str], number: str, telephone: str) -> str:
    """What one search looks through: names, record number and telephone digits.

    names: all names of one client. number: record number. telephone: may be empty.
    Source: rule of this clinic.
    """
    return normalised(" ".join([*names, number, digits(telephone)]))


@dataclass(frozen=True, slots=True)
class Sought:
    """What somebody typed into the search: words (as typed and plain) and perhaps a birth date."""

    typed: str
    words: tuple[str, ...]
    born: date | None

    @property
    def is_empty(self) -> bool:
        return not self.words and self.born is None

    @property
    def plain(self) -> str:
        return " ".join(self.words)


def read_search(typed: str, formats: Iterable[str], today: date) -> Sought:
    """The parts of a search: a birth date, telephone digits, words of a name or number.

    typed: one line. formats: how dates are typed (strptime). today: a year of two digits never
    means a birth after it. Source: rule of this clinic.
    """
    known = tuple(formats)
    whole = _birth_date(typed.strip(), known, today)
    if whole:
        return Sought(typed, (), whole)
    if NUMBER.fullmatch(typed) and len(digits(typed)) >= SHORTEST_TELEPHONE:
        return Sought(typed, (digits(typed),), None)
    words, born = [], None
    for word in typed.split():
        day = _birth_date(word, known, today)
        if day:
            born = day
        else:
            words.append(_plain_word(word))
    return Sought(typed, tuple(" ".join(words).split()), born)


def _plain_word(word: str) -> str:
    is_telephone = NUMBER.fullmatch(word) and len(digits(word)) >= SHORTEST_TELEPHONE
    return digits(word) if is_telephone else normalised(word)


def _birth_date(text: str, formats: tuple[str, ...], today: date) -> date | None:
    for form in formats:
        try:
            day = datetime.strptime(text, form).date()  # noqa: DTZ007 - a day has no zone
        except ValueError:
            continue
        return day.replace(year=day.year - 100) if day > today and "%y" in form else day
    return None


def filled_in(sought: Sought) -> dict[str, str]:
    """Fields of a new client from what was typed: last word family name, the others given names.

    sought: a search without a hit. Source: rule of this clinic.
    """
    if NUMBER.fullmatch(sought.typed) and sought.words:
        return {"telephone": sought.typed.strip()}
    names = [word for word in sought.typed.split() if normalised(word) in sought.words]
    found = {"family_name": names[-1], "given_names": " ".join(names[:-1])} if names else {}
    if sought.born:
        found["birth_date"] = sought.born.isoformat()
    return {field: text for field, text in found.items() if text}


def similar(one: str, other: str) -> bool:
    """Whether two family names may be the same, misheard or mistyped.

    one, other: family names. Source: rule of this clinic; similarity of `difflib` of at least 0.8,
    or one name a word of the other (double names).
    """
    first, second = normalised(one), normalised(other)
    words, of = set(re.split(r"[\s-]+", first)), set(re.split(r"[\s-]+", second))
    if words & of:
        return True
    return SequenceMatcher(None, first, second).ratio() >= SIMILAR


def same_telephone(one: str, other: str) -> bool:
    """Whether two numbers reach the same telephone: the shorter one ends the longer.

    one, other: as written, six digits or more. Source: rule of this clinic.
    """
    short, long = sorted((digits(one), digits(other)), key=len)
    return len(short) >= SHORTEST_TELEPHONE and long.endswith(short)


@dataclass(frozen=True, slots=True)
class KnownPerson:
    """A person who may be met again: in the record, or further up in a file."""

    key: str
    family_name: str
    birth_date: date
    telephone: str


class KnownPeople:
    """Many people, asked one by one whether somebody is among them.

    Source: rule of this clinic, the same as at registration: born that day with a similar family
    name, or the same telephone.
    """

    def __init__(self, people: Iterable[KnownPerson] = ()) -> None:
        self._born: dict[date, list[KnownPerson]] = {}
        self._telephones: dict[str, list[KnownPerson]] = {}
        for one in people:
            self.add(one)

    def add(self, person: KnownPerson) -> None:
        self._born.setdefault(person.birth_date, []).append(person)
        # the shorter of two same numbers ends the longer, so both end in the same digits
        ending = digits(person.telephone)[-SHORTEST_TELEPHONE:]
        if len(ending) == SHORTEST_TELEPHONE:
            self._telephones.setdefault(ending, []).append(person)

    def like(self, family_name: str, birth_date: date, telephone: str) -> list[KnownPerson]:
        """Everybody who may be this person, each once.

        family_name, telephone: as written, the telephone may be empty.
        """
        born = self._born.get(birth_date, [])
        found = {one.key: one for one in born if similar(one.family_name, family_name)}
        ending = digits(telephone)[-SHORTEST_TELEPHONE:]
        for one in self._telephones.get(ending, []):
            if same_telephone(one.telephone, telephone):
                found[one.key] = one
        return list(found.values())


def age_on(born: date, day: date) -> int:
    """Whole years on that day; of who was born on 29 February from 1 March on. By definition."""
    return day.year - born.year - ((day.month, day.day) < (born.month, born.day))
