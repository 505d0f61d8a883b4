"""Until when a request must be answered, against dates that others worked out."""

from datetime import date

import pytest
from django.conf import settings

from clinic.domain.requests import is_soon, later, left_words, limit_of, read_limits
from clinic.domain.vocabulary import RequestKind

HEAD = "countries,kind,months,days,more_months,more_days,source\n"
ALL = "".join(f"*,{kind},1,0,2,0,a source\n" for kind in RequestKind)


@pytest.fixture(scope="module")
def limits():
    table = settings.REFERENCE_DIR / "rights" / "requests.csv"
    return read_limits(table.read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("received", "due"),
    [
        # the United Kingdom's Information Commissioner, guidance of 2019 on the right of access
        (date(2019, 9, 3), date(2019, 10, 3)),
        (date(2026, 1, 31), date(2026, 2, 28)),
        (date(2028, 1, 31), date(2028, 2, 29)),
        # European Data Protection Board, Guidelines 01/2022 on the right of access (from memory)
        (date(2022, 3, 5), date(2022, 4, 5)),
        (date(2022, 8, 31), date(2022, 9, 30)),
        # over the end of a year, by the same rule
        (date(2026, 12, 31), date(2027, 1, 31)),
    ],
)
def test_one_month_ends_on_the_same_date_or_on_the_last_day(limits, received, due):
    assert limit_of(limits, "GB", RequestKind.AMENDMENT).due_on(received) == due


def test_two_more_months_run_from_the_receipt(limits):
    # GDPR, article 12(3): "extended by two further months where necessary"
    limit = limit_of(limits, "IE", RequestKind.COPY)

    assert limit.extended_to(date(2026, 11, 30)) == date(2027, 2, 28)


def test_sixty_days_and_thirty_more(limits):
    # 45 CFR 164.526(b)(2); counted by hand: 31 - 15 of January, 28 of February, 16 of March
    limit = limit_of(limits, "US", RequestKind.AMENDMENT)

    assert limit.due_on(date(2026, 1, 15)) == date(2026, 3, 16)
    assert limit.extended_to(date(2026, 1, 15)) == date(2026, 4, 15)
    assert "164.526" in limit.source


def test_a_copy_is_due_sooner_than_an_amendment_there(limits):
    # 45 CFR 164.524(b)(2): 30 days and 30 more
    limit = limit_of(limits, "US", RequestKind.COPY)

    assert limit.due_on(date(2026, 1, 15)) == date(2026, 2, 14)
    assert limit.extended_to(date(2026, 1, 15)) == date(2026, 3, 16)


def test_every_kind_has_a_time_in_every_country(limits):
    for country in ("GB", "US", "NZ"):
        assert all(
            limit_of(limits, country, kind).due_on(date(2026, 1, 1)) for kind in RequestKind
        )


def test_a_month_of_nothing_is_the_same_day():
    assert later(date(2026, 5, 31), 0, 0) == date(2026, 5, 31)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (ALL + "US,amendment,0,0,0,0,a source\n", "a time and a source"),
        (ALL + "US,amendment,0,60,0,30,\n", "a time and a source"),
        (ALL + "US,amendment,0,60,0,-1,a source\n", "a time and a source"),
        (ALL + "US,amendment,0,60,0,0,a\nUS CA,amendment,0,60,0,0,a\n", "stands twice"),
        (ALL + "US,praise,0,60,0,30,a source\n", "praise"),
        ("US,amendment,0,60,0,30,a source\n", "no time for all other countries: amendment"),
    ],
)
def test_a_table_with_a_fault_is_refused(rows, words):
    with pytest.raises(ValueError, match=words):
        read_limits(HEAD + rows)


@pytest.mark.parametrize(
    ("day", "words"),
    [(1, "1 day left"), (3, "3 days left"), (0, "due today"), (-1, "1 day overdue")],
)
def test_what_is_left_in_words(day, words):
    assert left_words(date(2026, 6, 10 + day), date(2026, 6, 10)) == words


@pytest.mark.parametrize(("day", "soon"), [(-1, True), (0, True), (7, True), (8, False)])
def test_the_last_week_is_marked(day, soon):
    assert is_soon(date(2026, 6, 10 + day), date(2026, 6, 10)) is soon
