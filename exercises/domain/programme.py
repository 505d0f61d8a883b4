"""From entries to the lines of a programme: merge, rank, caps and minutes."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from assessments.domain.findings import merged_side, worst
from assessments.domain.tables import AssessmentTables, rule_number
from assessments.domain.vocabulary import Evidence, Severity, Side, Stage
from exercises.domain.dose import Dose, fits, weekly_seconds
from exercises.domain.edition import Edition
from exercises.domain.entries import Entry, clamped, rules_met
from exercises.domain.library import Effect, Exercise, Rule
from exercises.domain.situation import Situation, pain_ceiling

# One running cue and four other exercises at once (EVALUATION.md, 13; R76).
CUES_NOW = 1
OTHERS_NOW = 4


@dataclass(frozen=True, slots=True)
class Because:
    """One rule that asked for a line, the findings that it serves, and its evidence."""

    rule: str
    findings: tuple[str, ...]
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class Item:
    """One line of a programme. severity: worst of its findings, None without any."""

    exercise: str
    dose: Dose
    pain_ceiling: Decimal
    priority: int
    stage: Stage
    running_cue: bool
    side: Side
    order_note: str | None
    missing_kit: tuple[str, ...]
    because: tuple[Because, ...]
    severity: Severity | None

    @property
    def findings(self) -> frozenset[str]:
        """Findings that it serves."""
        return frozenset(finding for one in self.because for finding in one.findings)


def merged(entries: Iterable[Entry], situation: Situation, edition: Edition) -> list[Item]:
    """One line for each exercise, in rank order. Source: EVALUATION.md, 11."""
    by_exercise: dict[str, list[Entry]] = {}
    for entry in entries:
        by_exercise.setdefault(entry.exercise, []).append(entry)
    raising = [rule for rule in edition.merge_modifiers if situation.fires(rule)]
    ceiling = pain_ceiling(situation.record, edition.tables)
    items = [
        _item(edition.exercises[code], of, raising, situation, ceiling)
        for code, of in by_exercise.items()
    ]
    return sorted(items, key=rank)


def rank(item: Item) -> tuple[int, int, int, int, str]:
    """Sorting key, best first: priority, severity, findings, lowest rule, exercise.

    Source: EVALUATION.md, 11.
    """
    severity = -1 if item.severity is None else item.severity.rank
    lowest = min(rule_number(one.rule) for one in item.because)
    return item.priority, -severity, -len(item.findings), lowest, item.exercise


def capped(
    items: Sequence[Item], situation: Situation, edition: Edition, minutes_a_day: Decimal | None
) -> tuple[Item, ...]:
    """The lines with their stages, now before later, each in rank order.

    items: not withheld, in rank order. minutes_a_day: None where the client gave none.
    Source: EVALUATION.md, 13 and 14.
    """
    now = [item for item in items if item.stage is Stage.NOW]
    cue = _cue([item for item in now if item.running_cue], situation, edition)
    others = [item for item in now if not item.running_cue][:OTHERS_NOW]
    kept = {item.exercise for item in [*cue, *_within(others, minutes_a_day)]}
    staged = [
        replace(item, stage=Stage.NOW if item.exercise in kept else Stage.LATER) for item in items
    ]
    return tuple(sorted(staged, key=lambda item: (item.stage is Stage.LATER, rank(item))))


def _cue(cues: list[Item], situation: Situation, edition: Edition) -> list[Item]:
    named = {
        rule.exercise
        for rule in edition.by_effect[Effect.CAP]
        if rule.exercise is not None and situation.fires(rule)
    }
    first = [item for item in cues if item.exercise in named]
    return (first or cues)[:CUES_NOW]


def _within(items: Iterable[Item], minutes_a_day: Decimal | None) -> list[Item]:
    """The lines that fit into the minutes, in rank order; a later, shorter one may still fit."""
    if minutes_a_day is None:
        return list(items)
    kept: list[Item] = []
    seconds = Decimal(0)
    for item in items:
        if fits(seconds + weekly_seconds(item), minutes_a_day):
            kept.append(item)
            seconds += weekly_seconds(item)
    return kept


def _item(
    exercise: Exercise,
    entries: list[Entry],
    raising: Sequence[Rule],
    situation: Situation,
    ceiling: Decimal,
) -> Item:
    ordered = sorted(entries, key=lambda one: (one.priority, one.row.number, one.row.line))
    because = _because(ordered, situation.tables)
    priority = ordered[0].priority + rules_met(raising, len(because))
    return Item(
        exercise=exercise.code,
        dose=_dose(exercise.dose, ordered),
        pain_ceiling=min(exercise.pain_ceiling, ceiling),
        priority=clamped(priority),
        stage=_stage(entries),
        running_cue=exercise.running_cue,
        side=merged_side(side for entry in entries for side in entry.sides),
        order_note=next((one.row.order_note for one in ordered if one.row.order_note), None),
        missing_kit=_missing_kit(exercise, situation),
        because=because,
        severity=worst(entry.severity for entry in entries),
    )


def _stage(entries: Iterable[Entry]) -> Stage:
    later = all(entry.row.dose_override.get("stage") == Stage.LATER for entry in entries)
    return Stage.LATER if later else Stage.NOW


def _dose(dose: Dose, ordered: Iterable[Entry]) -> Dose:
    """The library's dose with each key of an override from the first entry that has it."""
    override: dict[str, Decimal | bool | str] = {}
    for entry in ordered:
        for key, value in entry.row.dose_override.items():
            if key != "stage":
                override.setdefault(key, value)
    return replace(dose, **override) if override else dose  # type: ignore[arg-type]  # keys were checked on reading


def _because(ordered: Iterable[Entry], tables: AssessmentTables) -> tuple[Because, ...]:
    findings: dict[str, set[str]] = {}
    evidence: dict[str, Evidence] = {}
    for entry in ordered:
        findings.setdefault(entry.row.rule, set()).update(entry.row.findings)
        evidence.setdefault(entry.row.rule, entry.row.evidence)
    place: Mapping[str, int] = tables.finding_order
    return tuple(
        Because(rule, tuple(sorted(findings[rule], key=place.__getitem__)), evidence[rule])
        for rule in sorted(findings, key=rule_number)
    )


def _missing_kit(exercise: Exercise, situation: Situation) -> tuple[str, ...]:
    at_hand = situation.record.facts.get("equipment")
    if not isinstance(at_hand, tuple):
        return ()
    return tuple(thing for thing in exercise.kit if thing not in at_hand)
