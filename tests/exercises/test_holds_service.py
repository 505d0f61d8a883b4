"""Holds of the floor follow the evaluation; the newest round has the last word on a flag.

What a hold may end by is the rule of EVALUATION.md, 12: an answer no, a lift with date, name and
reason, or a fact or score that changed. A question that was not asked is none of them.
"""

from datetime import date, timedelta

import pytest

from assessments.facts import intake_value
from assessments.models import Flag, ScreeningAnswer
from assessments.services.screenings import answer_flags, lift_flag
from clinic.models import Hold, TrailEntry
from exercises.domain.proposals import propose
from exercises.editions import edition_of
from exercises.services.holds import refresh_holds
from tests.factories import ClientFactory, StaffFactory
from tests.factories.consult import make_history, make_screening

FIRST = date(2026, 3, 2)
LATER = FIRST + timedelta(days=7)


@pytest.fixture
def clinician(db):
    return StaffFactory()


def refresh(runner, screening, edition, by, on, **more):
    """Evaluate one round as of a day and bring the holds in step."""
    tables = edition_of(edition.pk)
    value = intake_value(
        runner, on=on, episode=None, history=runner.histories.first(), screening=screening
    )
    refresh_holds(
        client=runner, proposal=propose(value, tables), edition=tables, on=on, by=by, **more
    )


def standing():
    return list(Hold.objects.open().values_list("code", flat=True))


def lifted(screening, by, on, keeps="nothing"):
    return lift_flag(
        answer=screening.answers.get(answer="yes"),
        on=on,
        reason="Letter of the heart clinic",
        keeps=keeps,
        by=by,
        today=on,
    )


def test_hold_is_opened_once_with_its_words(clinician, edition):
    runner = ClientFactory()
    screening = make_screening(runner, clinician, FIRST, yes=["s01"], flags=["s01", "s12"])

    refresh(runner, screening, edition, clinician, FIRST)
    refresh(runner, screening, edition, clinician, LATER)

    (hold,) = Hold.objects.all()
    flag = edition_of(edition.pk).tables.flags["s01"]
    assert (hold.code, hold.scope, hold.since) == ("s01", "stop_all", FIRST)
    assert (hold.refer_to, hold.urgency) == (flag.refer_to, "same_day")  # screening.csv, s01
    assert TrailEntry.objects.filter(object_kind="hold").count() == 1


def test_round_that_has_not_come_to_the_question_ends_nothing(clinician, edition):
    runner = ClientFactory()
    first = make_screening(runner, clinician, FIRST, yes=["s01"], flags=["s01"])
    refresh(runner, first, edition, clinician, FIRST)

    later = make_screening(runner, clinician, LATER, flags=["s10"])
    refresh(runner, later, edition, clinician, LATER)

    assert standing() == ["s01"]


def test_not_asked_ends_nothing_and_no_does(clinician, edition):
    runner = ClientFactory()
    first = make_screening(runner, clinician, FIRST, yes=["s01"], flags=["s01"])
    refresh(runner, first, edition, clinician, FIRST)
    later = make_screening(runner, clinician, LATER)
    row = ScreeningAnswer.objects.create(
        site=runner.site, screening=later, flag=Flag.objects.get(pk="s01"), answer="not_asked"
    )

    refresh(runner, later, edition, clinician, LATER)
    assert standing() == ["s01"]

    row.answer = "no"
    row.save()
    refresh(runner, later, edition, clinician, LATER)
    (hold,) = Hold.objects.all()
    assert (hold.ended_on, hold.end, hold.lifted_by) == (LATER, "no_longer_true", None)


def test_lift_ends_the_hold_in_the_name_of_who_lifted(clinician, edition):
    runner, colleague = ClientFactory(), StaffFactory()
    screening = make_screening(runner, clinician, FIRST, yes=["s01"], flags=["s01"])
    refresh(runner, screening, edition, clinician, FIRST)
    lifted(screening, clinician, LATER)

    refresh(runner, screening, edition, colleague, LATER)

    (hold,) = Hold.objects.all()
    assert (hold.end, hold.lifted_by, hold.reason) == (
        "lifted",
        clinician,
        "Letter of the heart clinic",
    )


def test_lift_of_an_earlier_round_ends_only_its_own_hold(clinician, edition):
    runner = ClientFactory()
    first = make_screening(runner, clinician, FIRST, yes=["s01"], flags=["s01"])
    refresh(runner, first, edition, clinician, FIRST)
    later = make_screening(runner, clinician, LATER, yes=["s20"], flags=["s20"])
    refresh(runner, later, edition, clinician, LATER)
    assert standing() == ["s01", "s20"]
    lifted(first, clinician, LATER)

    refresh(runner, first, edition, clinician, LATER)

    assert standing() == ["s20"]
    assert Hold.objects.get(code="s01").lifted_by == clinician


def test_lift_of_an_earlier_round_leaves_what_is_answered_yes_again(clinician, edition):
    runner = ClientFactory()
    first = make_screening(runner, clinician, FIRST, yes=["s01"], flags=["s01"])
    refresh(runner, first, edition, clinician, FIRST)
    make_screening(runner, clinician, LATER, yes=["s01"], flags=["s01"])
    lifted(first, clinician, LATER)

    refresh(runner, first, edition, clinician, LATER)

    assert standing() == ["s01"]


def test_earlier_round_reopens_nothing_that_a_later_one_denies(clinician, edition):
    runner = ClientFactory()
    first = make_screening(runner, clinician, FIRST, yes=["s12"], flags=["s12"])
    make_screening(runner, clinician, LATER, flags=["s12"])

    refresh(runner, first, edition, clinician, LATER)

    assert standing() == []


def test_look_dated_before_the_lift_does_not_reopen_the_hold(clinician, edition):
    runner = ClientFactory()
    screening = make_screening(runner, clinician, FIRST, yes=["s01"], flags=["s01"])
    refresh(runner, screening, edition, clinician, FIRST)
    lifted(screening, clinician, LATER)
    refresh(runner, screening, edition, clinician, LATER)
    assert standing() == []

    refresh(runner, screening, edition, clinician, FIRST)

    (hold,) = Hold.objects.all()
    assert hold.end == "lifted"


def test_lift_in_part_keeps_the_impact_held(clinician, edition):
    runner = ClientFactory()
    screening = make_screening(runner, clinician, FIRST, yes=["s44"], flags=["s44"])
    refresh(runner, screening, edition, clinician, FIRST)
    lifted(screening, clinician, LATER, keeps="no_impact")

    refresh(runner, screening, edition, clinician, LATER)

    (hold,) = Hold.objects.all()
    assert (hold.scope, hold.ended_on, hold.refer_to) == ("no_impact", None, "")


def test_answer_that_is_taken_back_in_the_same_round_ends_its_hold(clinician, edition):
    runner = ClientFactory()
    screening = answer_flags(client=runner, on=FIRST, answers={"s20": "yes"}, by=clinician)
    refresh(runner, screening, edition, clinician, FIRST)
    assert standing() == ["s20"]

    screening = answer_flags(client=runner, on=FIRST, answers={"s20": "no"}, by=clinician)
    refresh(runner, screening, edition, clinician, FIRST)

    assert standing() == []


@pytest.mark.parametrize(("weeks", "held"), [(11, ["R08"]), (12, [])])
def test_hold_of_a_rule_ends_when_its_fact_changes(clinician, edition, weeks, held):
    # less than 12 weeks since birth (rules.csv, R08), whatever the flags say
    runner = ClientFactory()
    history = make_history(runner, clinician, FIRST)
    history.gave_birth_on = FIRST
    history.save()
    refresh(runner, None, edition, clinician, FIRST + timedelta(weeks=1))
    assert standing() == ["R08"]

    refresh(runner, None, edition, clinician, FIRST + timedelta(weeks=weeks))

    assert standing() == held


def test_rule_of_which_nothing_is_known_stays(clinician, edition):
    runner = ClientFactory()
    Hold.objects.create(
        site=runner.site, client=runner, code="R04", scope="rule", sentence="Pain.", since=FIRST
    )

    refresh(runner, None, edition, clinician, LATER, untold=frozenset({"R04"}))
    assert standing() == ["R04"]

    refresh(runner, None, edition, clinician, LATER)
    assert standing() == []
