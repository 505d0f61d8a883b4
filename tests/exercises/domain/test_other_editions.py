"""What the rules can say that edition 1 does not: another edition of the same tables.

Source: fixtures/EVALUATION.md, 9 and 11, and fixtures/README.md, "Columns of rules.csv".
"""

import csv
import io

from exercises.domain.edition import build_edition
from exercises.domain.printing import proposal_json
from exercises.domain.proposals import propose
from tests.exercises.domain.cases import TEXTS, assessment, by_code, case, seen


def proposed_with(data, key, changes):
    """The proposal by an edition in which cells of the first row of a rule are changed."""
    rows = list(csv.reader(io.StringIO(TEXTS["rules.csv"])))
    row = next(cells for cells in rows if cells[0] == key)
    for name, value in changes.items():
        row[rows[0].index(name)] = value
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return proposal_json(
        propose(assessment(data), build_edition({**TEXTS, "rules.csv": out.getvalue()}))
    )


REACH = [seen("forward_hand_reach", "left", grade=2)]


def test_dose_override_can_change_the_sides():
    found = proposed_with(case(observations=REACH), "R19", {"dose_override": "per_side=yes"})

    assert by_code(found["programme"], "exercise")["arm_drive_back_drill"]["per_side"] is True


def test_qualifier_can_ask_that_a_finding_is_present():
    changes = {"qualifiers": "finding:overstride present"}
    heel = [seen("heel_to_com", "left", grade=1)]

    without = proposed_with(case(observations=REACH), "R19", changes)
    with_it = proposed_with(case(observations=REACH + heel), "R19", changes)

    assert "arm_drive_back_drill" not in by_code(without["programme"], "exercise")
    assert "arm_drive_back_drill" in by_code(with_it["programme"], "exercise")


def test_rule_that_raises_every_entry_changes_each_once():
    changes = {"effect": "raise_priority", "exercise": "", "when_findings": "", "min_severity": ""}

    found = proposed_with(
        case(observations=REACH, complaint="calf"), "R19", {**changes, "priority": "1"}
    )

    assert by_code(found["programme"], "exercise")["relaxed_grip"]["priority"] == 2
