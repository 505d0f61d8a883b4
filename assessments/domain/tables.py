"""Rows of the assessment tables as values: what is observed, asked and judged."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

from assessments.domain.guards import Guard
from assessments.domain.limits import Limit
from assessments.domain.vocabulary import (
    Area,
    Attribute,
    Better,
    Evidence,
    FactKind,
    FeatureKind,
    Instant,
    NormSex,
    RowSide,
    ScoreKind,
    Side,
    StrengthTestKind,
    SubjectKind,
    Urgency,
    View,
    Zone,
    ZoneLines,
)


@dataclass(frozen=True, slots=True)
class Range:
    """Two numbers with both ends included; an end that is None is open."""

    low: Decimal | None
    high: Decimal | None

    def holds(self, number: Decimal) -> bool:
        """Whether the number lies within."""
        above = self.low is None or number >= self.low
        return above and (self.high is None or number <= self.high)


@dataclass(frozen=True, slots=True)
class Feature:
    """One thing observed or measured in a run; limits and error in `unit`."""

    code: str
    area: Area
    name: str
    view: View
    instant: Instant
    per_side: bool
    kind: FeatureKind
    unit: str
    plausible: Range
    reference: Range
    detectable_difference: Decimal | None
    decimals: int
    higher_means: str
    better: Better
    grades: tuple[str, ...]
    choices: tuple[str, ...]
    how_to_observe: str
    sources: tuple[str, ...]
    evidence: Evidence
    basis: str

    @property
    def sides(self) -> tuple[Side, ...]:
        """Sides on which it is recorded."""
        return (Side.LEFT, Side.RIGHT) if self.per_side else (Side.NONE,)


@dataclass(frozen=True, slots=True)
class TestRow:
    """One strength or mobility test beside the run; limits and error in `unit`."""

    __test__ = False  # a clinical test, nothing to collect for a test run

    code: str
    name: str
    per_side: bool
    kind: StrengthTestKind
    unit: str
    plausible: Range
    reference: Range
    detectable_difference: Decimal | None
    detectable_difference_percent: Decimal | None
    decimals: int
    higher_means: str
    better: Better
    choices: tuple[str, ...]
    how_to_do: str
    stop_if: tuple[str, ...]
    sources: tuple[str, ...]
    evidence: Evidence
    basis: str

    @property
    def sides(self) -> tuple[Side, ...]:
        """Sides on which it is recorded."""
        return (Side.LEFT, Side.RIGHT) if self.per_side else (Side.NONE,)


@dataclass(frozen=True, slots=True)
class Score:
    """One outcome measure and which change of it counts."""

    code: str
    name: str
    kind: ScoreKind
    unit: str
    plausible: Range
    decimals: int
    better: Better
    detectable_difference: Decimal | None
    important_difference: Decimal | None
    important_percent: Decimal | None
    sources: tuple[str, ...]
    evidence: Evidence
    note: str


@dataclass(frozen=True, slots=True)
class Fact:
    """One question about client, episode or running history."""

    code: str
    name: str
    kind: FactKind
    unit: str
    plausible: Range
    decimals: int
    choices: tuple[str, ...]
    question: str
    used_for: str


@dataclass(frozen=True, slots=True)
class Flag:
    """One screening question: what a yes stops, whom to see and how soon."""

    code: str
    alias: str
    group: str
    question: str
    clinician_sign: str
    stops_all: bool
    stops_impact: bool
    limits_load: str | None
    notes: bool
    refer_to: str
    urgency: Urgency
    emergency_if: str
    letter_sentence: str
    handout_sentence: str
    lifted_when: str
    source: str
    evidence: Evidence

    @property
    def stops_something(self) -> bool:
        """Whether it does more than note."""
        return self.stops_all or self.stops_impact or self.limits_load is not None


@dataclass(frozen=True, slots=True)
class PainLine:
    """One zone of pain from one number to another on the scale of 0 to 10."""

    lines: ZoneLines
    pain: Range
    zone: Zone
    rule: str
    source: str


@dataclass(frozen=True, slots=True)
class Equation:
    """A norm as constant + per_year x age in years + male x (1 for a man, 0 for a woman)."""

    constant: Decimal
    per_year: Decimal = Decimal(0)
    male: Decimal | None = None

    def at(self, age_years: Decimal, *, man: bool) -> Decimal:
        """The norm for an age in years."""
        return self.constant + self.per_year * age_years + (self.male or 0) * int(man)


@dataclass(frozen=True, slots=True)
class Norm:
    """Norm of one test for a sex and a band of age in years."""

    test: str
    sex: NormSex
    ages: Range
    value: Equation
    lower_limit: Equation | None
    unit: str
    source: str
    evidence: Evidence
    basis: str


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding with its sentences."""

    code: str
    source_id: str
    area: Area
    name: str
    per_side: bool
    letter_sentence: str
    letter_sentence_graded: str
    letter_sentence_difference: str
    client_sentence: str
    does_not_mean: str
    sources: tuple[str, ...]
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class Criterion:
    """One row of criteria.csv; `band` is the detectable difference that grades severity."""

    line: int
    rule: str
    finding: str
    group: str
    subject_kind: SubjectKind
    subject: str
    attribute: Attribute
    side: RowSide
    limit: Limit
    unit: str
    grade_at_least: int | None
    band: Decimal | None
    guards: tuple[Guard, ...]
    evidence: Evidence
    source: str
    note: str

    @property
    def sided(self) -> bool:
        """Whether it is judged for left and for right."""
        return self.side in (RowSide.EACH, RowSide.SAME)


@dataclass(frozen=True, slots=True)
class Group:
    """Criteria that are all required; the first alone gives the severity."""

    rows: tuple[Criterion, ...]
    sided: bool


@dataclass(frozen=True, slots=True)
class Maker:
    """All groups by which one rule makes one finding; any group suffices."""

    rule: str
    finding: str
    groups: tuple[Group, ...]

    def judged_on(self, side: Side) -> tuple[Group, ...]:
        """Groups judged on a side: sided ones left and right, the others for none."""
        return tuple(group for group in self.groups if group.sided == (side is not Side.NONE))


@dataclass(frozen=True)
class AssessmentTables:
    """Everything that observing and judging needs, each table in file order."""

    features: Mapping[str, Feature]
    tests: Mapping[str, TestRow]
    scores: Mapping[str, Score]
    facts: Mapping[str, Fact]
    flags: Mapping[str, Flag]
    pain_lines: tuple[PainLine, ...]
    norms: tuple[Norm, ...]
    findings: Mapping[str, FindingRow]
    criteria: tuple[Criterion, ...]

    @cached_property
    def makers(self) -> tuple[Maker, ...]:
        """Makers in the order of judging: those without a finding row first.

        Source: EVALUATION.md, 4.
        """
        rows: dict[tuple[str, str], list[Criterion]] = {}
        for criterion in self.criteria:
            rows.setdefault((criterion.rule, criterion.finding), []).append(criterion)
        makers = [_maker(rule, finding, of) for (rule, finding), of in rows.items()]
        return tuple(sorted(makers, key=_judging_order))

    @cached_property
    def makers_of(self) -> Mapping[str, frozenset[str]]:
        """Rules that make a finding, by finding."""
        rules: dict[str, set[str]] = {code: set() for code in self.findings}
        for maker in self.makers:
            rules.setdefault(maker.finding, set()).add(maker.rule)
        return {code: frozenset(of) for code, of in rules.items()}

    @cached_property
    def finding_order(self) -> Mapping[str, int]:
        """Place of each finding in findings.csv."""
        return {code: place for place, code in enumerate(self.findings)}


def rule_number(rule: str) -> int:
    """46 for R46. By definition."""
    return int(rule[1:])


def _maker(rule: str, finding: str, rows: list[Criterion]) -> Maker:
    groups: dict[str, list[Criterion]] = {}
    for row in rows:
        groups.setdefault(row.group, []).append(row)
    return Maker(
        rule,
        finding,
        tuple(Group(tuple(of), any(row.sided for row in of)) for of in groups.values()),
    )


def _judging_order(maker: Maker) -> tuple[bool, int, str]:
    asks = any(
        row.subject_kind is SubjectKind.FINDING for group in maker.groups for row in group.rows
    )
    return asks, rule_number(maker.rule), maker.finding
