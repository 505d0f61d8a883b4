"""What is said about a proposal whose answers have changed since."""

import copy
import json

import pytest

from exercises.domain.edition import build_edition
from exercises.domain.proposal_changes import proposal_changes
from tests.factories.letters import CASES


@pytest.fixture(scope="module")
def edition(reference_texts):
    return build_edition(reference_texts)


@pytest.fixture
def before():
    path = CASES / "06-arm-reach-with-overstride.expected.json"
    return json.loads(path.read_text(encoding="utf-8"))


def said(before, edition, change):
    now = copy.deepcopy(before)
    change(now)
    return proposal_changes(before, now, edition)


def test_equal_proposals_have_no_changes(before, edition):
    assert said(before, edition, lambda now: None) == ()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda now: now.update(outcome="draft"), "Outcome: draft instead of proposed."),
        (lambda now: now.update(review_in_days=14), "Days to the next check: 14 instead of 42."),
        (lambda now: now.update(cadence_plan=None), "Target of the cadence: none instead of 174."),
        (
            lambda now: now["cadence_plan"].update(first_target=170),
            "Target of the cadence: 170 instead of 174.",
        ),
        (
            lambda now: now["holds"].append({"code": "s35", "scope": "limit_load"}),
            "New hold: tendon affecting medicine (s35).",
        ),
        (lambda now: now["holds"].append({"code": "R04", "scope": "rule"}), "New hold: R04."),
        (
            lambda now: now["findings"][1].update(severity="marked"),
            "Over-striding: marked instead of clear.",
        ),
        (
            lambda now: now["findings"][1].update(side="left"),
            "Over-striding: left instead of both.",
        ),
        (lambda now: now["findings"].pop(1), "No longer found: Over-striding."),
        (lambda now: now["programme"].pop(0), "No longer proposed: A-march."),
        (
            lambda now: now["programme"][0].update(stage="later"),
            "A-march, stage: later instead of now.",
        ),
        (
            lambda now: now["programme"][0].update(pain_ceiling=2),
            "A-march, pain up to: 2 instead of 5.",
        ),
        (lambda now: now["programme"][0].update(sets=2), "A-march: another dose."),
        (
            lambda now: now["programme"].append(now["programme"][0] | {"exercise": "clam"}),
            "Newly proposed, now: Clam.",
        ),
        (
            lambda now: now["programme"][0].update(because=[]),
            "Reasons or notes have changed; the exercises are the same.",
        ),
    ],
)
def test_each_change_is_said_by_itself(before, edition, change, sentence):
    assert said(before, edition, change) == (sentence,)


def test_what_is_withheld_by_now_is_not_called_unproposed(before, edition):
    def withhold(now):
        now["programme"].pop(0)
        now["withheld"].append({"exercise": "a_march", "because": ["s43"]})

    assert said(before, edition, withhold) == ("Withheld by now: A-march.",)


def test_what_came_and_what_went_is_told_the_other_way_round(before, edition):
    now = copy.deepcopy(before)
    now["holds"].append({"code": "s35", "scope": "limit_load"})
    now["findings"].pop(1)

    assert proposal_changes(now, before, edition) == (
        "Hold ended: tendon affecting medicine (s35).",
        "New finding: Over-striding.",
    )
