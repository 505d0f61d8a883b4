"""Invented assessments for tests of the evaluation, and the edition of fixtures/."""

import copy
import json
from functools import cache
from pathlib import Path
from typing import Any

from clinic.json_files import load_json
from exercises.assessment_file import read_assessment
from exercises.domain.edition import FILES, build_edition
from exercises.domain.printing import proposal_json
from exercises.domain.proposals import propose

FIXTURES = Path(__file__).parents[3] / "fixtures"
TEXTS = {name: (FIXTURES / name).read_text(encoding="utf-8") for name in FILES}
SCHEMA = load_json(TEXTS["assessment.schema.json"])
PROPOSAL_SCHEMA = json.loads(TEXTS["proposal.schema.json"])


@cache
def edition():
    return build_edition(TEXTS)


def trial(name="t1", **changes):
    return {
        "id": name,
        "surface": "treadmill",
        "speed_m_s": 2.9,
        "frame_rate_hz": 240,
        "steps_averaged": 10,
        **changes,
    }


def seen(feature, side="none", trial="t1", **rest):
    """An observation; give value=, grade= and method= as needed."""
    return {"feature": feature, "side": side, "trial": trial, **rest}


def result(test, side, value):
    return {"test": test, "side": side, "value": value}


def case(**changes: Any) -> dict[str, Any]:
    """A man of 30 with no answer yes and nothing observed; every key can be replaced.

    flags: answers to add; facts: of the history; complaint: region and side of it.
    """
    answers = dict.fromkeys(edition().tables.flags, "no")
    answers.update(changes.pop("flags", {}))
    region = changes.pop("complaint", None)
    episode = {"complaint_present": "no"}
    if region:
        episode = {"complaint_present": "yes", "complaint_region": region}
        episode["complaint_side"] = changes.pop("complaint_side", "both")
    scores = [
        {"score": score, "value": value} for score, value in changes.pop("scores", {}).items()
    ]
    data = {
        "kind": "baseline",
        "assessed_on": "2027-03-10",
        "client": {"age_years": 30, "sex": "m", "height_m": 1.7, **changes.pop("client", {})},
        "episode": {**episode, **changes.pop("episode", {})},
        "history": changes.pop("facts", {}),
        "screening": {"screened_on": "2027-03-10", "answers": answers},
        "trials": [trial()],
        "observations": [],
        "tests": [],
        "scores": scores,
    }
    return copy.deepcopy({**data, **changes})


def assessment(data):
    return read_assessment(load_json(json.dumps(data)), SCHEMA, edition())


def proposal(data):
    return propose(assessment(data), edition())


def proposed(data):
    """The proposal as JSON values."""
    return proposal_json(proposal(data))


def by_code(items, key="code"):
    return {item[key]: item for item in items}


def finding(data, code):
    """A finding of the proposal by its code, None if it was not made."""
    return by_code(proposed(data)["findings"]).get(code)


def line(data, exercise):
    """A line of the programme, None if it is not there."""
    return by_code(proposed(data)["programme"], "exercise").get(exercise)
