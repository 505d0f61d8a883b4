"""How long a record is kept: the periods of a country, and the day until which they run."""

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from clinic.domain.people import age_on

OF_AGE = 18
LAST_YEAR_OF_CHILDHOOD = 17


@dataclass(frozen=True, slots=True)
class Periods:
    """The periods of one country.

    years: after the end of care. birthday, birthday_if_17: until which a child's record is kept;
    None where the country has no rule of its own for children. longest_years: after the end of
    care, for a record that is kept longer than its period; None where nothing is said.
    """

    country: str
    years: int
    birthday: int | None
    birthday_if_17: int | None
    longest_years: int | None
    source: str


@dataclass(frozen=True, slots=True)
class Kept:
    """The last day on which a record must be kept, and the rule it follows from, in words."""

    until: date
    rule: str


def read_periods(table: str) -> dict[str, Periods]:
    """The periods of a CSV table, by country (ISO 3166, two letters).

    table: the whole file. Raises ValueError for a country that stands twice, periods that make no
    sense and a missing source.
    """
    found: dict[str, Periods] = {}
    for row in csv.DictReader(io.StringIO(table)):
        one = Periods(
            row["country"],
            int(row["years"]),
            _whole(row["birthday"]),
            _whole(row["birthday_if_17"]),
            _whole(row["longest_years"]),
            row["source"].strip(),
        )
        if one.country in found:
            raise ValueError(f"{one.country} stands twice")
        if fault := _fault(one):
            raise ValueError(f"{one.country}: {fault}")
        found[one.country] = one
    return found


def _whole(text: str) -> int | None:
    return int(text) if text else None


def _fault(one: Periods) -> str:
    if not one.source:
        return "name the source"
    if one.years < 1 or (one.longest_years is not None and one.longest_years < one.years):
        return "the years make no sense"
    if (one.birthday is None) != (one.birthday_if_17 is None):
        return "give both birthdays or none"
    if one.birthday is not None and not OF_AGE <= one.birthday <= (one.birthday_if_17 or 0):
        return "the birthdays make no sense"
    return ""


def periods_for(table: dict[str, Periods], country: str) -> Periods:
    """The periods of a country; of one that the table lacks, the longest of the whole table.

    Rule of this clinic: a record that is kept too long can still be destroyed, the other way round
    not.
    """
    if country in table:
        return table[country]
    return Periods(
        country,
        max(one.years for one in table.values()),
        max(one.birthday or 0 for one in table.values()) or None,
        max(one.birthday_if_17 or 0 for one in table.values()) or None,
        None,
        "no row for this country: the longest periods of the table",
    )


def years_after(day: date, years: int) -> date:
    """The same day so many years later; 1 March where there is no 29 February.

    The later of the two neighbours, so that nothing goes too early: common practice.
    """
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return date(day.year + years, 3, 1)


def latest_end(today: date, years: int) -> date:
    """The last day on which something can have ended so that so many years are over today.

    From it on the years still run: no day after it has `years_after` before today. By definition.
    """
    return years_after(today, -years) - timedelta(days=1)


def soonest_birthday(periods: Periods) -> int | None:
    """The birthday before which nobody's period is over, unless they died; None: there is none.

    A child's record is kept until a birthday; whose care ended later was of age then, and is kept
    for the years from there. Follows from `keep_until`.
    """
    if periods.birthday is None:
        return None
    return min(periods.birthday, OF_AGE + periods.years)


def care_ended(
    *,
    registered_on: date,
    seen: Iterable[date | None],
    discharged: date | None = None,
    booked: date | None = None,
) -> date:
    """The day on which the clock starts: last seen or discharged, whichever is later.

    seen: days on which the person was seen, None for none of a kind. discharged: last discharge.
    booked: day of the last appointment, whatever came of it. Whoever comes back is seen again, so
    the clock starts anew (Records Management Code 2021, appendix II). Somebody who was never seen:
    the day of the last appointment or of the registration, whichever is later (common practice).
    """
    days = [day for day in seen if day is not None]
    if not days:
        return max(registered_on, booked or registered_on)
    return max(*days, discharged or days[0])


def keep_until(periods: Periods, *, born: date, ended: date, died: date | None = None) -> Kept:
    """The last day on which the record must be kept; from the next day on it may go.

    ended: the day on which the clock starts. Film and papers belong to the record and follow it.
    Sources: `periods.source`. After a death the years of an adult run from the death, for children
    too (Health Service Executive 2013 says so; for other countries: common practice).
    """
    if died is not None:
        return Kept(
            years_after(max(died, ended), periods.years), f"{periods.years} years after death"
        )
    until, rule = years_after(ended, periods.years), f"{periods.years} years after the end of care"
    age = age_on(born, ended)
    birthday = None
    if age < OF_AGE:
        birthday = periods.birthday_if_17 if age >= LAST_YEAR_OF_CHILDHOOD else periods.birthday
    if birthday is not None and years_after(born, birthday) >= until:
        why = ", as care ended at 17" if age >= LAST_YEAR_OF_CHILDHOOD else ""
        return Kept(years_after(born, birthday), f"the {birthday}th birthday{why}")
    return Kept(until, rule)


def longest(periods: Periods, *, ended: date, until: date) -> date | None:
    """The last day to which a record may be kept longer than its period; None: no such day.

    Never before the period's own end: a young child's record is kept longer than the usual limit.
    Source: `periods.source`; a legal hold is the way to keep it beyond.
    """
    if periods.longest_years is None:
        return None
    return max(years_after(ended, periods.longest_years), until)


EEA = "AT BE BG CY CZ DE DK EE ES FI FR GR HR HU IE IS IT LI LT LU LV MT NL NO PL PT RO SE SI SK"


def erasure_law(country: str) -> str:
    """The law by which an erasure may be refused while a record must be kept; empty elsewhere.

    country: ISO 3166, two letters. Sources: Regulation (EU) 2016/679, article 17(3)(b) to (e), in
    the European Economic Area by decision 154/2018 of its Joint Committee; in the United Kingdom
    as the UK GDPR.
    """
    if country == "GB":
        return "UK GDPR, article 17(3)"
    return "GDPR, article 17(3)" if country in EEA.split() else ""


def period_words(periods: Periods, *, known: bool) -> str:
    """The periods of a country in one sentence; known: whether the table has a row for it."""
    child = ""
    if periods.birthday is not None:
        child = f", a child’s at least until the {periods.birthday}th birthday"
        if periods.birthday_if_17 != periods.birthday:
            child += f" ({periods.birthday_if_17}th if care ended at 17)"
    longest = f", and usually no longer than {periods.longest_years} years"
    if periods.longest_years is None or periods.longest_years == periods.years:
        longest = ""
    where = f"In {periods.country} (the clinic’s country setting)"
    if not known:
        where = (
            f"For {periods.country} (the clinic’s country setting) no period is entered, so the "
            "longest that are known hold:"
        )
    return f"{where} a record is kept {periods.years} years after the end of care{child}{longest}."
