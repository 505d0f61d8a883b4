"""Rows of the exercise library, the rules, the sentences and the policy as values."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from assessments.domain.limits import Limit
from assessments.domain.vocabulary import Area, Evidence, Severity, Urgency
from exercises.domain.dose import Dose


class WorkKind(StrEnum):
    REPETITIONS = "repetitions"
    HOLD = "hold"
    TIMED = "timed"
    LENGTHS = "lengths"
    RUN_BOUT = "run_bout"


class Effect(StrEnum):
    PRESCRIBE = "prescribe"
    WITHHOLD = "withhold"
    RAISE_PRIORITY = "raise_priority"
    LOWER_PRIORITY = "lower_priority"
    CAP = "cap"
    REFER = "refer"
    NOTE = "note"
    RECORD_ONLY = "record_only"


class QualifierKind(StrEnum):
    FEATURE = "feature"
    TEST = "test"
    SCORE = "score"
    HISTORY = "history"
    SCREENING = "screening"
    FINDING = "finding"
    SIDE_OF = "side_of"
    DERIVED = "derived"
    ENTRY = "entry"


class SentenceKind(StrEnum):
    NOTE = "note"
    REFERRAL = "referral"
    STATE = "state"


@dataclass(frozen=True, slots=True)
class Exercise:
    """One exercise of the library with its dose and the words for the client."""

    code: str
    source_id: str
    area: Area
    name: str
    purpose: str
    targets: tuple[str, ...]
    kit: tuple[str, ...]
    kit_alternative: str
    impact: int
    running_cue: bool
    tissue_loaded: tuple[str, ...]
    dose: Dose
    intensity: str
    pain_ceiling: Decimal
    easier: str
    harder: str
    start_position: str
    movement: tuple[str, ...]
    cues: tuple[str, ...]
    feel: str
    cautions: str
    contraindicated_by: tuple[str, ...]
    dose_source: str
    evidence: Evidence
    work_kind: WorkKind
    distance_m: Decimal | None

    @property
    def paced(self) -> bool:
        """Whether it is run to a click."""
        return "metronome" in self.kit


@dataclass(frozen=True, slots=True)
class Qualifier:
    """`kind:code operator value`; present is set for `finding:x present|absent` only."""

    kind: QualifierKind
    code: str
    limit: Limit
    present: bool | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of rules.csv.

    qualifiers: those of the assessment; of_entry: those of the entry that a modifier changes;
    priority: place of a prescription, number of steps of a modifier.
    """

    line: int
    rule: str
    number: int
    findings: tuple[str, ...]
    min_severity: Severity | None
    qualifiers: tuple[Qualifier, ...]
    of_entry: tuple[Qualifier, ...]
    effect: Effect
    exercise: str | None
    withholds: tuple[str, ...]
    priority: int
    dose_override: Mapping[str, Decimal | bool | str]
    order_note: str | None
    rationale: str
    source: str
    evidence: Evidence
    note_code: str | None
    refer_to: str
    urgency: Urgency

    @property
    def asks_flags(self) -> tuple[str, ...]:
        """Flags that it asks to be answered yes (`screening:sNN eq yes`)."""
        return tuple(
            one.code
            for one in self.qualifiers
            if one.kind is QualifierKind.SCREENING and _eq_yes(one.limit)
        )

    @property
    def asks_stop_all(self) -> bool:
        """Whether it asks for a stop-all flag as such."""
        return any(
            one.kind is QualifierKind.DERIVED and one.code == "stop_all" and _eq_yes(one.limit)
            for one in self.qualifiers
        )

    @property
    def stops_impact_or_all(self) -> bool:
        """Whether it withholds everything or a class of impact."""
        return bool({"all", "impact_1", "impact_2"} & set(self.withholds))


@dataclass(frozen=True, slots=True)
class Sentence:
    """What is said about a note, a referral or a state; an empty text prints nothing."""

    code: str
    kind: SentenceKind
    page: str
    letter: str
    handout: str


@dataclass(frozen=True, slots=True)
class PolicyRow:
    """One decision that a licensed clinician confirms or changes."""

    code: str
    topic: str
    question: str
    default: str
    affects: tuple[str, ...]
    source: str
    evidence: Evidence


def _eq_yes(limit: Limit) -> bool:
    return limit.operator == "eq" and limit.words == ("yes",)
