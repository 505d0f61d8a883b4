"""From one assessment to one proposal: the steps of EVALUATION.md in their order."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext

from assessments.domain.assessment import Assessment
from assessments.domain.findings import (
    Finding,
    Judgement,
    NotAssessed,
    NotReliable,
    judge,
)
from assessments.domain.record import record_of
from assessments.domain.rounding import EXACT
from assessments.domain.vocabulary import Outcome, Stage, Zone
from exercises.domain.cadence import (
    CALVES_FIRST,
    CadencePlan,
    cadence_plan,
    counted_cadence,
    paced_now,
)
from exercises.domain.dose import total_daily_minutes
from exercises.domain.edition import Edition
from exercises.domain.entries import entries_of
from exercises.domain.holds import Hold, Lifted, fired_safety, holds_of, lifted_of
from exercises.domain.library import Effect, Rule
from exercises.domain.notes import Note, ReferralNote, notes_of, outcome_of, referral_notes
from exercises.domain.programme import Item, capped, merged
from exercises.domain.situation import (
    Situation,
    after_judging,
    before_judging,
    pain_zone,
)
from exercises.domain.withholding import Withheld, stops, withheld_of

# Days to the next visit (EVALUATION.md, 16).
REVIEW_SOON, REVIEW_USUAL = 14, 42


@dataclass(frozen=True, slots=True)
class Proposal:
    """What the rules make of one assessment: advice that a clinician accepts, edits or rejects."""

    outcome: Outcome
    holds: tuple[Hold, ...]
    lifted: tuple[Lifted, ...]
    findings: tuple[Finding, ...]
    not_reliable: tuple[NotReliable, ...]
    not_assessed: tuple[NotAssessed, ...]
    programme: tuple[Item, ...]
    withheld: tuple[Withheld, ...]
    cadence_plan: CadencePlan | None
    minutes_per_day: Decimal
    review_in_days: int
    referral_notes: tuple[ReferralNote, ...]
    notes: tuple[Note, ...]


def propose(assessment: Assessment, edition: Edition) -> Proposal:
    """The proposal for an assessment under an edition.

    assessment: within the plausible ranges and codes of the edition. Source: EVALUATION.md, 1.
    """
    with localcontext(EXACT):
        situation = before_judging(record_of(assessment), edition.tables)
        safety = fired_safety(situation, edition)
        holds = holds_of(situation, safety, edition)
        if situation.derived["stop_all"] == "yes":
            return _stopped(situation, holds, edition)
        return _evaluated(judge(assessment, edition.tables), safety, holds, edition)


def withheld_among(
    assessment: Assessment, edition: Edition, codes: Sequence[str]
) -> tuple[Withheld, ...]:
    """Which exercises of the library an assessment withholds, asked for by a rule or not.

    codes: exercise codes of the edition. Source: EVALUATION.md, 12.
    """
    with localcontext(EXACT):
        situation = before_judging(record_of(assessment), edition.tables)
        safety = fired_safety(situation, edition)
        if situation.derived["stop_all"] != "yes":
            situation = after_judging(judge(assessment, edition.tables), edition.tables)
        fired = [*safety, *(rule for rule in edition.withholding if situation.fires(rule))]
        stopping = stops(situation, fired, edition)
        return withheld_of(codes, stopping, situation, edition.exercises)


def _stopped(situation: Situation, holds: tuple[Hold, ...], edition: Edition) -> Proposal:
    """Holds, what was lifted, the review and the referral notes of the flags, nothing else."""
    return Proposal(
        outcome=Outcome.STOP_ALL,
        holds=holds,
        lifted=lifted_of(situation.record),
        findings=(),
        not_reliable=(),
        not_assessed=(),
        programme=(),
        withheld=(),
        cadence_plan=None,
        minutes_per_day=Decimal(0),
        review_in_days=_review_in_days(situation, holds),
        referral_notes=referral_notes(situation, edition, ()),
        notes=(),
    )


def _evaluated(
    judgement: Judgement, safety: Sequence[Rule], holds: tuple[Hold, ...], edition: Edition
) -> Proposal:
    situation = after_judging(judgement, edition.tables)
    programme, withheld = _programme(situation, safety, edition)
    plan = _plan(situation, programme, edition)
    notes = notes_of(
        situation,
        edition,
        [item.exercise for item in programme],
        cadence_missing=plan is None and paced_now(programme, edition),
    )
    return Proposal(
        outcome=outcome_of(notes),
        holds=holds,
        lifted=lifted_of(situation.record),
        findings=judgement.findings,
        not_reliable=judgement.not_reliable,
        not_assessed=judgement.not_assessed,
        programme=programme,
        withheld=withheld,
        cadence_plan=plan,
        minutes_per_day=total_daily_minutes(item for item in programme if item.stage is Stage.NOW),
        review_in_days=_review_in_days(situation, holds),
        referral_notes=referral_notes(situation, edition, edition.by_effect[Effect.REFER]),
        notes=notes,
    )


def _programme(
    situation: Situation, safety: Sequence[Rule], edition: Edition
) -> tuple[tuple[Item, ...], tuple[Withheld, ...]]:
    items = merged(entries_of(situation, edition), situation, edition)
    fired = [*safety, *(rule for rule in edition.withholding if situation.fires(rule))]
    withheld = withheld_of(
        [item.exercise for item in items],
        stops(situation, fired, edition),
        situation,
        edition.exercises,
    )
    out = {one.exercise for one in withheld}
    left = [item for item in items if item.exercise not in out]
    minutes = situation.record.number("minutes_a_day")
    return capped(left, situation, edition, minutes), withheld


def _plan(situation: Situation, programme: Sequence[Item], edition: Edition) -> CadencePlan | None:
    counted = counted_cadence(situation.record, edition.tables)
    if counted is None or counted.observation.value is None:
        return None
    if not paced_now(programme, edition):
        return None
    calves_first = any(
        rule.rule == CALVES_FIRST and situation.fires(rule) for rule in edition.rules
    )
    return cadence_plan(
        counted.observation.value, counted.trial.speed_m_s, calves_first=calves_first
    )


def _review_in_days(situation: Situation, holds: Sequence[Hold]) -> int:
    zone = pain_zone(situation.record, situation.tables)
    soon = holds or zone in (Zone.ACCEPTABLE, Zone.STOP)
    return REVIEW_SOON if soon else REVIEW_USUAL
