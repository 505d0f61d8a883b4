"""The day of the next check over month ends and leap days; all days written out by hand.

Reviews are counted in days: 14 with a hold or pain that is watched, else 42 (EVALUATION.md 11).
2028 is a leap year, 2027 is none. Counting by the calendar: 18 January and 13 days is the last
of January, and 29 days of February make 42.
"""

from datetime import date

import pytest

from clinic.models import Reassessment, Site
from tests.factories.programme import Desk

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("day", "hold", "review"),
    [
        ("2028-02-15", True, "2028-02-29"),
        ("2028-02-16", True, "2028-03-01"),
        ("2027-02-15", True, "2027-03-01"),
        ("2027-04-17", True, "2027-05-01"),
        ("2027-05-18", True, "2027-06-01"),
        ("2026-12-18", True, "2027-01-01"),
        ("2028-01-18", False, "2028-02-29"),
        ("2027-01-18", False, "2027-03-01"),
        ("2027-08-31", False, "2027-10-12"),
        ("2027-11-20", False, "2028-01-01"),
        ("2028-02-29", False, "2028-04-11"),
    ],
)
def test_review_over_month_ends(edition, time_machine, day, hold, review):
    time_machine.move_to(f"{day} 12:00 +0000", tick=False)
    desk = Desk(edition, assessed_on=day)
    desk.assessment.screening.answers.filter(flag_id="s35").update(answer="yes" if hold else "no")
    type(desk.assessment.screening).objects.update(screened_on=day)

    desk.take_over()

    assert str(desk.programme.review_on) == review
    # whole weeks later it is the same day of the week
    assert date.fromisoformat(review).weekday() == date.fromisoformat(day).weekday()


def test_review_that_is_over_is_due_on_the_day_of_the_site(edition, time_machine):
    """At 1:30 UTC on 3 May it is still 2 May in New York, four hours behind (tz database)."""
    time_machine.move_to("2027-03-10 12:00 +0000", tick=False)
    desk = Desk(edition)
    desk.take_over()
    desk.accept_all()
    desk.agree(date(2027, 4, 21))
    Site.objects.update(time_zone="America/New_York")
    time_machine.move_to("2027-05-03 01:30 +0000", tick=False)

    desk.issue()

    assert Reassessment.objects.get().due_on == date(2027, 5, 2)
