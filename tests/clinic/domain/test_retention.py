"""Until when a record is kept, for made-up people, and the table of periods.

Source of the expected days: NHS England, Records Management Code of Practice 2021 (updated August
2023), appendix II: adult health records 8 years; children to the 25th birthday, or the 26th if 17
when care ended; the clock starts at discharge or when last seen, and anew when the person comes
back; video belongs to the record. Rows marked P are common practice where the code says nothing.
"""

from datetime import date, timedelta
from functools import cache

import pytest
from django.conf import settings
from hypothesis import given
from hypothesis import strategies as st

from clinic.domain.retention import (
    care_ended,
    keep_until,
    latest_end,
    longest,
    periods_for,
    read_periods,
    soonest_birthday,
    years_after,
)

HEAD = "country,years,birthday,birthday_if_17,longest_years,source\n"


@cache
def table():
    path = settings.REFERENCE_DIR / "rights" / "retention.csv"
    return read_periods(path.read_text(encoding="utf-8"))


def d(text):
    return date.fromisoformat(text) if text else None


# who; born; registered; days seen; last discharge; last booked day; died; kept until
PEOPLE = """
adult, seen once|1980-05-10|2015-03-01|2015-03-02|||| 2023-03-02
adult, seen three times|1980-05-10|2015-03-01|2015-03-02 2015-04-20 2015-09-01|||| 2023-09-01
adult, seen in another order|1980-05-10|2015-03-01|2015-09-01 2015-03-02|||| 2023-09-01
adult, discharged later|1975-01-31|2014-01-05|2014-01-06|2014-06-30||| 2022-06-30
adult, discharged the same day|1975-01-31|2014-01-05|2014-01-06|2014-01-06||| 2022-01-06
came back after 7 years|1975-01-31|2010-01-05|2010-02-01 2017-01-20|2010-03-01|||2025-01-20
adult, came back after 9 years|1960-12-31|2004-05-01|2004-05-02 2013-06-01|||| 2021-06-01
adult, came back the day before the end|1960-12-31|2004-05-01|2004-05-02 2012-05-01|||| 2020-05-01
seen on 29 February|1990-07-07|2016-02-29|2016-02-29|||| 2024-02-29
seen on 29 February, no leap year later|1990-07-07|2092-02-29|2092-02-29|||| 2100-03-01
seen on 31 December|1990-07-07|2016-12-31|2016-12-31|||| 2024-12-31
seen on 1 January|1990-07-07|2017-01-01|2017-01-01|||| 2025-01-01
ninety years old|1926-03-03|2016-10-10|2016-10-10|||| 2024-10-10
eighteenth birthday is the last visit|2000-06-15|2018-06-01|2018-06-15|||| 2026-06-15
the day before the eighteenth birthday|2000-06-15|2018-06-01|2018-06-14|||| 2026-06-15
seventeen at the last visit|2000-06-15|2017-09-01|2017-09-01|||| 2026-06-15
seventeenth birthday is the last visit|2000-06-15|2017-06-01|2017-06-15|||| 2026-06-15
the day before the seventeenth birthday|2000-06-15|2017-06-01|2017-06-14|||| 2025-06-15
sixteen at the last visit|2000-06-15|2016-09-01|2016-09-01|||| 2025-06-15
fifteen at the last visit|2001-01-01|2016-02-02|2016-02-02|||| 2026-01-01
twelve at the last visit|2004-11-30|2017-01-15|2017-01-15|||| 2029-11-30
five at the last visit|2012-08-08|2018-01-01|2018-01-01|||| 2037-08-08
one day old|2018-01-01|2018-01-02|2018-01-02|||| 2043-01-01
turned 18 in care, seen at 17 and 19|1999-04-01|2016-12-01|2016-12-05 2018-06-01|||| 2026-06-01
turned 18 in care, discharged at 18|1999-04-01|2016-12-01|2017-03-01|2017-05-01||| 2025-05-01
child who came back as an adult|1998-09-09|2010-02-02|2010-02-02 2020-02-02|||| 2028-02-02
child seen at 15, discharged at 17|2000-02-20|2015-05-05|2015-05-05|2017-06-06||| 2026-02-20
child seen at 16 and again at 17|2000-02-20|2016-03-03|2016-03-03 2017-03-03|||| 2026-02-20
born 29 February, adult|1988-02-29|2015-05-05|2015-05-05|||| 2023-05-05
born 29 February, twelve|2004-02-29|2016-05-05|2016-05-05|||| 2029-03-01
born 29 February, seventeen|2000-02-29|2017-05-05|2017-05-05|||| 2026-03-01
born 29 February, seen on 28 February at 16|2000-02-29|2017-02-28|2017-02-28|||| 2025-03-01
born 29 February, seen on 1 March at 17|2000-02-29|2017-03-01|2017-03-01|||| 2026-03-01
video only: the film belongs to the visit|1985-10-10|2016-06-06|2016-06-06|||| 2024-06-06
video only, child|2005-10-10|2016-06-06|2016-06-06|||| 2030-10-10
P never seen, nothing booked|1985-10-10|2016-06-06||||| 2024-06-06
P never seen, booked and missed|1985-10-10|2016-06-06|||2016-07-01|| 2024-07-01
P never seen, cancelled before registration day|1985-10-10|2016-06-06|||2016-06-01|| 2024-06-06
P never seen, child|2005-10-10|2016-06-06|||2016-07-01|| 2030-10-10
seen, later bookings missed do not count|1985-10-10|2016-06-06|2016-06-10||2017-01-01|| 2024-06-10
P died after the last visit|1950-01-01|2010-01-01|2015-01-01|||2016-05-05| 2024-05-05
P died on the day of the visit|1950-01-01|2010-01-01|2015-01-01|||2015-01-01| 2023-01-01
P died long after|1950-01-01|2000-01-01|2001-01-01|||2016-05-05| 2024-05-05
P died as a child|2006-01-01|2014-01-01|2014-01-02|||2015-03-03| 2023-03-03
P died, discharged later|1950-01-01|2010-01-01|2015-01-01|2015-02-01||2015-01-20| 2023-02-01
P died, never seen|1950-01-01|2015-01-01||||2015-01-20| 2023-01-20
"""
ROWS = [line.split("|") for line in PEOPLE.strip().splitlines()]


def test_there_are_forty_people_or_more():
    assert len({row[0] for row in ROWS}) == len(ROWS) >= 40


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
def test_record_is_kept_until_the_day_of_the_code(row):
    _, born, registered, seen, discharged, booked, died, until = row
    ended = care_ended(
        registered_on=d(registered),
        seen=[None, *map(d, seen.split())],
        discharged=d(discharged),
        booked=d(booked),
    )

    assert keep_until(table()["GB"], born=d(born), ended=ended, died=d(died)).until == d(
        until.strip()
    )


@pytest.mark.parametrize(
    ("country", "born", "until"),
    [
        # Health Service Executive, Record Retention Periods 2013
        ("IE", "1980-01-01", "2023-03-02"),
        ("IE", "2005-01-01", "2030-01-01"),
        # Burgerlijk Wetboek 7:454(3); Health (Retention of Health Information) Regulations 1996
        ("NL", "1980-01-01", "2035-03-02"),
        ("NL", "2005-01-01", "2035-03-02"),
        ("NZ", "1980-01-01", "2025-03-02"),
        # no row: the longest of the table, rule of this clinic
        ("XX", "1980-01-01", "2035-03-02"),
        ("XX", "2014-01-01", "2039-01-01"),
    ],
)
def test_periods_follow_the_country(country, born, until):
    periods = periods_for(table(), country)

    assert keep_until(periods, born=d(born), ended=d("2015-03-02")).until == d(until)


def test_rule_is_said_in_words():
    periods = table()["GB"]

    said = [
        keep_until(periods, born=d("1980-01-01"), ended=d("2015-03-02")).rule,
        keep_until(periods, born=d("2005-01-01"), ended=d("2015-03-02")).rule,
        keep_until(periods, born=d("1998-01-01"), ended=d("2015-03-02")).rule,
        keep_until(
            periods, born=d("1980-01-01"), ended=d("2015-03-02"), died=d("2015-03-02")
        ).rule,
    ]

    assert said == [
        "8 years after the end of care",
        "the 25th birthday",
        "the 26th birthday, as care ended at 17",
        "8 years after death",
    ]


def test_longest_is_twenty_years_and_never_before_the_period_ends():
    # Records Management Code 2021, appendix II: usually no more than 20 years
    periods = table()["GB"]

    assert longest(periods, ended=d("2015-03-02"), until=d("2023-03-02")) == d("2035-03-02")
    assert longest(periods, ended=d("2015-03-02"), until=d("2039-03-02")) == d("2039-03-02")
    assert longest(table()["NZ"], ended=d("2015-03-02"), until=d("2025-03-02")) is None


DAYS = st.dates(min_value=date(1950, 1, 1), max_value=date(2080, 1, 1))


@given(DAYS, DAYS, st.none() | DAYS)
def test_nobody_goes_before_the_years_of_an_adult(one, other, died):
    born, ended = sorted((one, other))

    for periods in table().values():
        kept = keep_until(periods, born=born, ended=ended, died=died)
        assert kept.until >= years_after(ended, periods.years)


@given(DAYS, DAYS, DAYS)
def test_coming_back_never_shortens(one, other, third):
    born, first, later = sorted((one, other, third))

    for periods in table().values():
        before = keep_until(periods, born=born, ended=first).until
        assert keep_until(periods, born=born, ended=later).until >= before


@pytest.mark.parametrize(
    ("row", "fault"),
    [
        ("GB,8,25,26,20,", "name the source"),
        ("GB,0,25,26,20,code", "years"),
        ("GB,8,25,26,7,code", "years"),
        ("GB,8,25,,20,code", "both birthdays"),
        ("GB,8,26,25,20,code", "birthdays"),
        ("GB,8,17,26,20,code", "birthdays"),
        ("GB,8,25,26,20,code\nGB,8,25,26,20,code", "stands twice"),
    ],
)
def test_table_with_a_fault_is_refused(row, fault):
    with pytest.raises(ValueError, match=fault):
        read_periods(f"{HEAD}{row}\n")


@given(
    today=st.dates(date(1950, 1, 1), date(2150, 1, 1)),
    years=st.integers(1, 30),
    off=st.integers(-3, 3),
)
def test_latest_end_leaves_out_nothing_that_is_over(today, years, off):
    day = years_after(today, -years) + timedelta(days=off)

    if years_after(day, years) < today:
        assert day <= latest_end(today, years)


def test_latest_end_by_hand():
    # 8 years after 24 Nov 2018 end with 24 Nov 2026: over from the next day on
    assert latest_end(d("2026-11-25"), 8) == d("2018-11-24")
    assert latest_end(d("2024-02-29"), 8) == d("2016-02-28")
    assert latest_end(d("2024-02-29"), 10) == d("2014-02-28")


@given(
    country=st.sampled_from(["GB", "IE", "NL", "NZ", "US"]),
    born=st.dates(date(1930, 1, 1), date(2030, 1, 1)),
    days=st.integers(0, 40_000),
)
def test_nobody_alive_is_over_before_the_soonest_birthday(country, born, days):
    periods = periods_for(table(), country)
    soonest = soonest_birthday(periods)

    until = keep_until(periods, born=born, ended=born + timedelta(days=days)).until

    assert (soonest is None) == (country in {"NL", "NZ"})
    if soonest is not None:
        assert until >= years_after(born, soonest)
