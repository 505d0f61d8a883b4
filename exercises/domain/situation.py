"""What rule rows read: the record, its findings, and the facts derived from them."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal

from assessments.domain.findings import Judgement
from assessments.domain.record import REGION, Record
from assessments.domain.tables import AssessmentTables, PainLine
from assessments.domain.vocabulary import (
    Answer,
    AssessmentKind,
    FeatureKind,
    Severity,
    Side,
    Zone,
    ZoneLines,
)
from exercises.domain.library import Qualifier, QualifierKind, Rule

# Flags and regions with narrower pain zones (EVALUATION.md, 12; the regions are D).
ZERO_PAIN_FLAGS = ("s10", "s20", "s22", "s44", "s45")
POSSIBLE_BONE_REGIONS = ("shin_bone", "midfoot")
# The last run is pain linked to running (EVALUATION.md, 12, D).
PAIN_SCORES = ("pain_now", "pain_worst_24h", "pain_last_run")


@dataclass(frozen=True, slots=True)
class Situation:
    """A record under one set of tables; the judgement is empty while only holds are asked for."""

    record: Record
    tables: AssessmentTables
    judgement: Judgement
    derived: Mapping[str, Decimal | str]

    def answered_yes(self, code: str) -> bool:
        """Whether a flag is answered yes (not lifted) or a fact is yes."""
        if code in self.tables.flags:
            return self.record.assessment.answer(code) is Answer.YES
        return self.record.facts.get(code) == "yes"

    def fires(self, rule: Rule) -> bool:
        """Whether a row's findings are there and its qualifiers hold. Source: EVALUATION.md, 9."""
        return all(self.holds(one) for one in rule.qualifiers) and all(
            self.sides_of(finding, rule) for finding in rule.findings
        )

    def severities(self, finding: str, rule: Rule) -> Mapping[Side, Severity]:
        """Severity of a finding by side, as the row reads it.

        A rule that makes the finding itself reads only what it made. Source: EVALUATION.md, 9.
        """
        if rule.rule in self.tables.makers_of[finding]:
            return self.judgement.made.get((rule.rule, finding), {})
        made = self.judgement.finding(finding)
        return made.by_side if made else {}

    def sides_of(self, finding: str, rule: Rule) -> list[Side]:
        """Sides on which a finding has at least the severity that the row asks for."""
        least = rule.min_severity.rank if rule.min_severity else 0
        by_side = self.severities(finding, rule)
        return [side for side, severity in by_side.items() if severity.rank >= least]

    def holds(self, qualifier: Qualifier) -> bool:
        """Whether a qualifier holds; a missing subject never does. Source: EVALUATION.md, 9."""
        if qualifier.kind is QualifierKind.FINDING:
            return self._found(qualifier)
        return any(qualifier.limit.met(value) for value in self._values(qualifier))

    def _found(self, qualifier: Qualifier) -> bool:
        there = self.judgement.finding(qualifier.code) is not None
        if qualifier.present:
            return there
        return not there and qualifier.code not in self.judgement.untold

    def _values(self, qualifier: Qualifier) -> Iterator[Decimal | str]:
        code = qualifier.code
        match qualifier.kind:
            case QualifierKind.SCREENING:
                yield self.record.assessment.answer(code).value
            case QualifierKind.DERIVED:
                yield from self._one(self.derived.get(code))
            case QualifierKind.SCORE:
                yield from self._one(self.record.assessment.scores.get(code))
            case QualifierKind.HISTORY:
                value = self.record.facts.get(code)
                yield from self._one(None if isinstance(value, tuple) else value)
            case QualifierKind.SIDE_OF:
                made = self.judgement.finding(code)
                yield from self._one(made.side.value if made else None)
            case QualifierKind.TEST:
                yield from self._tested(code)
            case _:
                yield from self._observed(code)

    def _one(self, value: Decimal | str | None) -> Iterator[Decimal | str]:
        if value is not None:
            yield value

    def _tested(self, code: str) -> Iterator[Decimal | str]:
        for side in self.tables.tests[code].sides:
            result = self.record.tests.get((code, side))
            if result is not None:
                yield from self._one(result.choice if result.value is None else result.value)

    def _observed(self, code: str) -> Iterator[Decimal | str]:
        """On each side the first observation that has what the feature is read by."""
        feature = self.tables.features[code]
        for side in feature.sides:
            seen = (one.observation for one in self.record.observed(code, side))
            values: Iterator[Decimal | str | None]
            if feature.kind is FeatureKind.GRADE:
                values = (None if one.grade is None else Decimal(one.grade) for one in seen)
            elif feature.kind is FeatureKind.CHOICE:
                values = (one.choice for one in seen)
            else:
                values = (one.value for one in seen)
            yield from self._one(next((value for value in values if value is not None), None))


def before_judging(record: Record, tables: AssessmentTables) -> Situation:
    """The situation as the holds read it: facts, answers and pain, no findings yet."""
    nothing = Judgement(record, (), (), (), {}, frozenset())
    return Situation(record, tables, nothing, _derived(record, tables))


def after_judging(judgement: Judgement, tables: AssessmentTables) -> Situation:
    """The situation as the rule rows read it."""
    derived = _derived(judgement.record, tables)
    derived["all_borderline"] = "yes" if all_borderline(judgement) else "no"
    return Situation(judgement.record, tables, judgement, derived)


def all_borderline(judgement: Judgement) -> bool:
    """At least one finding, none beyond doubt, and nothing that must be filmed again.

    Source: EVALUATION.md, 9.
    """
    severities = {finding.severity for finding in judgement.findings}
    return severities == {Severity.BORDERLINE} and not judgement.not_reliable


def screening_age_days(record: Record) -> int | None:
    """Days from screening to assessment, None without a date; negative if it came after."""
    screened_on = record.assessment.screened_on
    return None if screened_on is None else (record.assessment.assessed_on - screened_on).days


def pain_lines(record: Record, tables: AssessmentTables) -> list[PainLine]:
    """The lines of pain_zones.csv that apply. Source: EVALUATION.md, 12."""
    lines = ZoneLines.DEFAULT
    if record.facts.get(REGION) in POSSIBLE_BONE_REGIONS:
        lines = ZoneLines.POSSIBLE_BONE
    if any(record.assessment.answer(flag) is Answer.YES for flag in ZERO_PAIN_FLAGS):
        lines = ZoneLines.ZERO_PAIN
    return [line for line in tables.pain_lines if line.lines is lines]


def pain_zone(record: Record, tables: AssessmentTables) -> Zone | None:
    """The zone of the highest pain given, None if none was. Source: EVALUATION.md, 12."""
    scores = [record.assessment.scores.get(code) for code in PAIN_SCORES]
    given = [score for score in scores if isinstance(score, Decimal)]
    if not given:
        return None
    pain = max(given)
    return next(line.zone for line in pain_lines(record, tables) if line.pain.holds(pain))


def pain_ceiling(record: Record, tables: AssessmentTables) -> Decimal:
    """The top of the last zone that is not stop, on the scale of 0 to 10.

    Source: EVALUATION.md, 11.
    """
    tops = [
        line.pain.high or Decimal(0)
        for line in pain_lines(record, tables)
        if line.zone is not Zone.STOP
    ]
    return max(tops)


def _derived(record: Record, tables: AssessmentTables) -> dict[str, Decimal | str]:
    assessment = record.assessment
    stopped = any(
        flag.stops_all and assessment.answer(flag.code) is Answer.YES
        for flag in tables.flags.values()
    )
    again = assessment.kind is AssessmentKind.REASSESSMENT
    derived: dict[str, Decimal | str] = {
        "stop_all": "yes" if stopped else "no",
        "reassessment": "yes" if again else "no",
    }
    zone, age = pain_zone(record, tables), screening_age_days(record)
    if zone is not None:
        derived["pain_zone"] = zone.value
    if age is not None:
        derived["screening_age_days"] = Decimal(age)
    return derived
