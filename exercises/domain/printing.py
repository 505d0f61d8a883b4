"""A proposal as plain JSON values, keys in the order of proposal.schema.json."""

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from enum import Enum
from typing import Any

from assessments.domain.findings import Finding, Reason
from assessments.domain.rounding import half_up
from exercises.domain.dose import DOSE
from exercises.domain.programme import Item
from exercises.domain.proposals import Proposal

PLACES = 3
REASON_KEYS = ("rule", "subject_kind", "subject", "attribute", "side")
ITEM_KEYS = (
    "pain_ceiling", "priority", "stage", "running_cue", "side", "order_note", "missing_kit",
)  # fmt: skip
KEYS = {
    "holds": ("code", "scope", "withholds", "rules", "to", "urgency"),
    "lifted": ("code", "lifted_on", "lifted_by", "reason", "keeps"),
    "not_reliable": ("rule", "finding", "side", "subject", "attribute", "value", "guard"),
    "not_assessed": ("rule", "finding", "side", "missing"),
    "because": ("rule", "findings", "evidence"),
    "withheld": ("exercise", "because"),
    "cadence_plan": (
        "measured", "speed_m_s", "first_target", "first_plus", "second_target", "second_plus",
        "second_from_week",
    ),
    "referral_notes": ("code", "to", "urgency"),
    "notes": ("code", "rules", "exercises"),
}  # fmt: skip


def proposal_json(proposal: Proposal) -> dict[str, Any]:
    """The proposal as dictionaries, lists, texts and numbers; numbers with 3 decimals at most."""
    plan = proposal.cadence_plan
    return {
        "outcome": proposal.outcome.value,
        "holds": _all("holds", proposal.holds),
        "lifted": _all("lifted", proposal.lifted),
        "findings": [_finding(finding) for finding in proposal.findings],
        "not_reliable": _all("not_reliable", proposal.not_reliable),
        "not_assessed": _all("not_assessed", proposal.not_assessed),
        "programme": [_item(item) for item in proposal.programme],
        "withheld": _all("withheld", proposal.withheld),
        "cadence_plan": None if plan is None else _picked(KEYS["cadence_plan"], plan),
        "minutes_per_day": _plain(proposal.minutes_per_day),
        "review_in_days": proposal.review_in_days,
        "referral_notes": _all("referral_notes", proposal.referral_notes),
        "notes": _all("notes", proposal.notes),
    }


def _all(name: str, values: Iterable[object]) -> list[dict[str, Any]]:
    return [_picked(KEYS[name], value) for value in values]


def _picked(keys: Iterable[str], value: object) -> dict[str, Any]:
    return {key: _plain(getattr(value, key)) for key in keys}


def _plain(value: Any) -> Any:
    """A value as JSON has it: whole numbers without a point, lists for tuples."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Decimal):
        rounded = half_up(value, PLACES)
        return int(rounded) if rounded == int(rounded) else float(rounded)
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, date) else value


def _finding(finding: Finding) -> dict[str, Any]:
    head = _picked(("code", "side", "severity"), finding)
    return {**head, "because": [_reason(reason) for reason in finding.because]}


def _reason(reason: Reason) -> dict[str, Any]:
    """What was compared stands as value, grade or choice: exactly one of them."""
    compared = {
        key: _plain(value)
        for key, value in (
            ("value", reason.value),
            ("grade", reason.grade),
            ("choice", reason.choice),
        )
        if value is not None
    }
    return {
        **_picked(REASON_KEYS, reason),
        **compared,
        **_picked(("threshold", "detectable_difference", "evidence"), reason),
    }


def _item(item: Item) -> dict[str, Any]:
    return {
        "exercise": item.exercise,
        **_picked(DOSE, item.dose),
        **_picked(ITEM_KEYS, item),
        "because": _all("because", item.because),
    }
