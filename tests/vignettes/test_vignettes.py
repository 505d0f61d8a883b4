"""The nine vignettes: each input beside the proposal that was worked out by hand from the rules.

Source: NN-name.md in cases/ explains each expected proposal.
"""

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from clinic.json_files import load_json
from exercises.assessment_file import read_assessment
from exercises.domain.printing import proposal_json
from exercises.domain.proposals import propose
from tests.exercises.domain.cases import PROPOSAL_SCHEMA, SCHEMA, edition

CASES = Path(__file__).parent / "cases"
NAMES = sorted(path.name.removesuffix(".expected.json") for path in CASES.glob("*.expected.json"))


def proposed(name):
    data = load_json((CASES / f"{name}.json").read_text(encoding="utf-8"))
    return proposal_json(propose(read_assessment(data, SCHEMA, edition()), edition()))


def test_all_nine_vignettes_are_here():
    assert [name[:2] for name in NAMES] == [f"0{number}" for number in range(1, 10)]


@pytest.mark.parametrize("name", NAMES)
def test_vignette_gives_exactly_the_expected_proposal(name):
    expected = json.loads((CASES / f"{name}.expected.json").read_text(encoding="utf-8"))

    assert proposed(name) == expected


@pytest.mark.parametrize("name", NAMES)
def test_vignette_proposal_fits_the_schema_with_its_keys_in_order(name):
    found = proposed(name)

    assert list(Draft202012Validator(PROPOSAL_SCHEMA).iter_errors(found)) == []
    assert list(found) == list(PROPOSAL_SCHEMA["properties"])
    for key in ("holds", "findings", "not_reliable", "not_assessed", "programme", "notes"):
        order = list(PROPOSAL_SCHEMA["properties"][key]["items"]["properties"])
        for item in found[key]:
            assert list(item) == [name for name in order if name in item]
