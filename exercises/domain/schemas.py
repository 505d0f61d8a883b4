"""Agreement of the two JSON schemas and of poses.json with the tables."""

import json
from collections.abc import Iterable, Mapping
from typing import Any

from assessments.domain.tables import AssessmentTables, Range
from assessments.domain.vocabulary import (
    AssessmentKind,
    FactKind,
    Method,
    Outcome,
    Scope,
    Shoes,
    Surface,
)
from clinic.domain.tables import Reader

ASSESSMENT, PROPOSAL, POSES = "assessment.schema.json", "proposal.schema.json", "poses.json"
Node = Mapping[str, Any]


def check_poses(reader: Reader, exercises: Iterable[str]) -> None:
    """Refuse poses.json unless it has exactly the exercises of the library."""
    poses = _loaded(reader, POSES)
    if poses is not None:
        _same(reader, POSES, "exercises", poses, exercises)


def check_assessment_schema(reader: Reader, tables: AssessmentTables) -> None:
    """Refuse the schema where codes, choices or ranges are not those of the tables."""
    schema = _loaded(reader, ASSESSMENT)
    if schema is None:
        return
    try:
        _check_assessment(reader, schema["properties"], tables)
    except (KeyError, TypeError, StopIteration) as error:
        reader.refuse_file(ASSESSMENT, f"its shape is not the expected one: {error!r}")


def check_proposal_schema(reader: Reader, expected: Mapping[str, Iterable[str]]) -> None:
    """Refuse the schema where a list of codes is not that of the tables.

    expected: codes by exercises, findings, rules, notes, referrals, flags and kit.
    """
    schema = _loaded(reader, PROPOSAL)
    if schema is None:
        return
    try:
        for what, found, key in _proposal_lists(schema["properties"]):
            _same(reader, PROPOSAL, what, found, expected[key])
    except (KeyError, TypeError) as error:
        reader.refuse_file(PROPOSAL, f"its shape is not the expected one: {error!r}")


def _loaded(reader: Reader, file: str) -> dict[str, Any] | None:
    if file not in reader.texts:
        reader.refuse_file(file, "the file is missing")
        return None
    try:
        loaded = json.loads(reader.texts[file])
    except ValueError as error:
        reader.refuse_file(file, f"no valid JSON: {error}")
        return None
    if not isinstance(loaded, dict):
        reader.refuse_file(file, "no JSON object")
        return None
    return loaded


def _same(
    reader: Reader, file: str, what: str, found: Iterable[str], expected: Iterable[str]
) -> None:
    have, want = set(found), set(expected)
    for code in sorted(want - have):
        reader.refuse_file(file, f"{what}: {code} of the tables is missing")
    for code in sorted(have - want):
        reader.refuse_file(file, f"{what}: {code} is not in the tables")


def _check_assessment(reader: Reader, schema: Node, tables: AssessmentTables) -> None:
    _same(reader, ASSESSMENT, "kind", schema["kind"]["enum"], AssessmentKind)
    answers = schema["screening"]["properties"]["answers"]["properties"]
    _same(reader, ASSESSMENT, "screening answers", answers, tables.flags)
    _check_facts(reader, schema, tables)
    trial = schema["trials"]["items"]["properties"]
    _same(reader, ASSESSMENT, "surface", trial["surface"]["enum"], Surface)
    _same(reader, ASSESSMENT, "shoes", trial["shoes"]["enum"], Shoes)
    observation = schema["observations"]["items"]["properties"]
    _same(reader, ASSESSMENT, "method", observation["method"]["enum"], Method)
    _check_subjects(reader, schema["observations"], "feature", tables.features)
    _check_subjects(reader, schema["tests"], "test", tables.tests)
    _check_subjects(reader, schema["scores"], "score", tables.scores)


def _check_facts(reader: Reader, schema: Node, tables: AssessmentTables) -> None:
    places = ("client", "episode", "history")
    facts: dict[str, Node] = {
        code: node for place in places for code, node in schema[place]["properties"].items()
    }
    _same(reader, ASSESSMENT, "facts", facts, tables.facts)
    for code in facts.keys() & tables.facts.keys():
        fact, node = tables.facts[code], facts[code]
        if fact.kind is FactKind.NUMBER:
            _check_range(reader, code, node, fact.plausible)
            continue
        words = (node["items"] if fact.kind is FactKind.LIST else node)["enum"]
        _same(reader, ASSESSMENT, code, words, fact.choices or ("yes", "no"))


def _check_subjects(reader: Reader, node: Node, key: str, rows: Mapping[str, Any]) -> None:
    items = node["items"]
    _same(reader, ASSESSMENT, key, items["properties"][key]["enum"], rows)
    branches = {one["if"]["properties"][key]["const"]: one["then"] for one in items["allOf"]}
    _same(reader, ASSESSMENT, f"conditions of {key}", branches, rows)
    for code in branches.keys() & rows.keys():
        _check_branch(reader, code, branches[code]["properties"], rows[code])


def _check_branch(reader: Reader, code: str, node: Node, row: Any) -> None:
    value: Any = node.get("value")
    if hasattr(row, "sides"):
        side = node["side"]
        _same(
            reader, ASSESSMENT, f"side of {code}", side.get("enum", [side.get("const")]), row.sides
        )
    if value is False:
        if row.kind != "grade":
            reader.refuse_file(ASSESSMENT, f"{code}: a value must be allowed")
    elif "enum" in value:
        choices = getattr(row, "choices", ()) or ("yes", "no")
        _same(reader, ASSESSMENT, f"values of {code}", value["enum"], choices)
    elif row.kind == "grade":
        reader.refuse_file(ASSESSMENT, f"{code}: a value must not be allowed")
    else:
        _check_range(reader, code, value, row.plausible)


def _check_range(reader: Reader, code: str, node: Node, plausible: Range) -> None:
    for name, end in (("minimum", plausible.low), ("maximum", plausible.high)):
        if end is not None and str(node[name]) != str(end) and node[name] != end:
            reader.refuse_file(
                ASSESSMENT, f"{code}: {name} {node[name]} is not {end} of the tables"
            )


def _proposal_lists(schema: Node) -> list[tuple[str, Iterable[str], str]]:
    hold = schema["holds"]["items"]["properties"]
    item = schema["programme"]["items"]["properties"]
    note = schema["notes"]["items"]["properties"]
    finding = schema["findings"]["items"]["properties"]
    return [
        ("outcome", schema["outcome"]["enum"], "outcomes"),
        ("codes of holds", hold["code"]["enum"], "holders"),
        ("scope of holds", hold["scope"]["enum"], "scopes"),
        ("rules of holds", hold["rules"]["items"]["enum"], "rules"),
        ("lifted", schema["lifted"]["items"]["properties"]["code"]["enum"], "flags"),
        ("findings", finding["code"]["enum"], "findings"),
        ("programme", item["exercise"]["enum"], "exercises"),
        ("missing kit", item["missing_kit"]["items"]["enum"], "kit"),
        ("withheld", schema["withheld"]["items"]["properties"]["exercise"]["enum"], "exercises"),
        (
            "referral notes",
            schema["referral_notes"]["items"]["properties"]["code"]["enum"],
            "referrals",
        ),
        ("notes", note["code"]["enum"], "notes"),
        ("rules of notes", note["rules"]["items"]["enum"], "rules"),
        ("exercises of notes", note["exercises"]["items"]["enum"], "exercises"),
    ]


OUTCOMES, SCOPES = tuple(Outcome), tuple(Scope)
