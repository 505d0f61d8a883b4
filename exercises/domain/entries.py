"""Entries: what each prescribing row asks for, with its priority after the modifiers."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from assessments.domain.findings import worst
from assessments.domain.vocabulary import Severity, Side
from exercises.domain.edition import Edition
from exercises.domain.library import Effect, Rule
from exercises.domain.situation import Situation

HIGHEST, LOWEST = 1, 3


@dataclass(frozen=True, slots=True)
class Entry:
    """One exercise that one fired row asks for; sides are those of its findings."""

    row: Rule
    exercise: str
    priority: int
    severity: Severity | None
    sides: frozenset[Side]


def entries_of(situation: Situation, edition: Edition) -> list[Entry]:
    """Entries of all fired prescribing rows, modified, in file order.

    Source: EVALUATION.md, 9 and 10.
    """
    fired = [one for one in edition.by_effect[Effect.PRESCRIBE] if situation.fires(one)]
    entries = [_entry(rule, situation) for rule in fired]
    modifiers = [one for one in edition.modifiers if situation.fires(one)]
    return [_modified(entry, modifiers, edition.prescribers) for entry in entries]


def clamped(priority: int) -> int:
    """The nearest priority that is printed, 1 to 3."""
    return min(max(priority, HIGHEST), LOWEST)


def steps(rule: Rule) -> int:
    """Change of the priority number: up the list is minus."""
    return -rule.priority if rule.effect is Effect.RAISE_PRIORITY else rule.priority


def _entry(rule: Rule, situation: Situation) -> Entry:
    severities: list[Severity] = []
    sides: set[Side] = set()
    for finding in rule.findings:
        severities += situation.severities(finding, rule).values()
        if situation.tables.findings[finding].per_side:
            sides.update(situation.sides_of(finding, rule))
    return Entry(
        row=rule,
        exercise=rule.exercise or "",
        priority=rule.priority,
        severity=worst(severities),
        sides=frozenset(sides - {Side.NONE}),
    )


def _modified(entry: Entry, modifiers: Iterable[Rule], prescribers: frozenset[str]) -> Entry:
    """Each rule changes an entry once at most, then the number is clamped."""
    changes: dict[str, int] = {}
    for rule in modifiers:
        if _acts_on(rule, entry, prescribers):
            changes.setdefault(rule.rule, steps(rule))
    return replace(entry, priority=clamped(entry.priority + sum(changes.values())))


def _acts_on(rule: Rule, entry: Entry, prescribers: frozenset[str]) -> bool:
    if not all(one.limit.met(entry.row.evidence.value) for one in rule.of_entry):
        return False
    if rule.exercise is not None:
        return entry.exercise == rule.exercise
    if not rule.findings:
        return True
    serves = bool(set(rule.findings) & set(entry.row.findings))
    return serves and (rule.rule not in prescribers or entry.row.rule == rule.rule)


def rules_met(rules: Sequence[Rule], named_by: int) -> int:
    """Change of a merged line's priority by rows that ask how many rules name it."""
    changes: dict[str, int] = {}
    for rule in rules:
        if all(one.limit.met(Decimal(named_by)) for one in rule.of_entry if one.code == "rules"):
            changes.setdefault(rule.rule, steps(rule))
    return sum(changes.values())
