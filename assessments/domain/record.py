"""An assessment made ready to be looked up: facts completed, observations by feature and side."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from assessments.domain.assessment import (
    Assessment,
    FactValue,
    Observation,
    StrengthTest,
    Trial,
)
from assessments.domain.vocabulary import Side

REGION = "complaint_region"
COMPLAINT_SIDE = "complaint_side"
COMPLAINT = "complaint_present"


@dataclass(frozen=True, slots=True)
class Seen:
    """An observation with its trial."""

    observation: Observation
    trial: Trial


@dataclass(frozen=True, slots=True)
class Record:
    """Look-ups over one assessment.

    facts: completed; not_applicable: facts that can be neither true nor missing;
    seen: observations of a feature and side, in the order of the trials.
    """

    assessment: Assessment
    facts: Mapping[str, FactValue]
    not_applicable: frozenset[str]
    seen: Mapping[tuple[str, Side], Sequence[Seen]]
    tests: Mapping[tuple[str, Side], StrengthTest]

    def observed(self, feature: str, side: Side) -> Sequence[Seen]:
        """Observations of a feature on a side, first trial first."""
        return self.seen.get((feature, side), ())

    def number(self, fact: str) -> Decimal | None:
        """The number of a fact, None if it was not given."""
        value = self.facts.get(fact)
        return value if isinstance(value, Decimal) else None

    def word(self, fact: str) -> str | None:
        """The word of a fact, None if it was not given."""
        value = self.facts.get(fact)
        return value if isinstance(value, str) else None


def record_of(assessment: Assessment) -> Record:
    """The assessment with completed facts and look-ups. Source: EVALUATION.md, 3."""
    facts, not_applicable = completed(assessment.facts)
    return Record(
        assessment=assessment,
        facts=facts,
        not_applicable=not_applicable,
        seen=_by_feature(assessment),
        tests={(result.test, result.side): result for result in assessment.tests},
    )


def completed(
    given: Mapping[str, FactValue],
) -> tuple[dict[str, FactValue], frozenset[str]]:
    """Facts as the rules read them, and the codes that do not apply.

    No complaint: its region and side do not apply. A complaint of the low back is a lumbar
    complaint. Source: EVALUATION.md, 3.
    """
    facts = dict(given)
    if facts.get(COMPLAINT) == "no":
        facts.pop(REGION, None)
        facts.pop(COMPLAINT_SIDE, None)
        return facts, frozenset({REGION, COMPLAINT_SIDE})
    if facts.get(REGION) == "low_back":
        facts["lumbar_complaint"] = "yes"
    return facts, frozenset()


def _by_feature(assessment: Assessment) -> dict[tuple[str, Side], list[Seen]]:
    order = {trial.id: place for place, trial in enumerate(assessment.trials)}
    seen: dict[tuple[str, Side], list[Seen]] = {}
    for observation in sorted(assessment.observations, key=lambda one: order[one.trial]):
        trial = assessment.trials[order[observation.trial]]
        key = (observation.feature, observation.side)
        seen.setdefault(key, []).append(Seen(observation, trial))
    return seen
