"""What an assessment adds up to, in the words of the page: holds, findings, exercises and why."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal

from assessments.change_words import number_words
from assessments.domain.assessment import Assessment
from assessments.domain.findings import Finding, Reason
from assessments.domain.rows import HEEL_FOOT_LENGTHS
from assessments.domain.vocabulary import Attribute, Operator, Outcome, Side, Stage, SubjectKind
from exercises.domain.edition import Edition
from exercises.domain.programme import Item
from exercises.domain.proposals import Proposal, propose
from exercises.domain.sentences import (
    guard_words,
    hold_sentence,
    lifted_sentence,
    missing_name,
    note_sentence,
    referral_sentence,
    state,
    stopped_by,
)

OPERATOR_WORDS = {
    Operator.LT: "below",
    Operator.LE: "at or below",
    Operator.GT: "above",
    Operator.GE: "at or above",
    Operator.EQ: "is",
    Operator.NE: "is not",
    Operator.IN: "is one of",
    Operator.BETWEEN: "within",
}
URGENCY_WORDS = {
    "emergency": "emergency, now",
    "same_day": "the same day",
    "within_days": "within days",
    "routine": "routine",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One line with what is folded under it. mark: ok, caution or stop, repeated in `word`."""

    head: str
    word: str = ""
    mark: str = ""
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Judged:
    """The right column of the assessment page."""

    proposal: Proposal
    outcome: str
    stopped: bool
    holds: tuple[Line, ...] = ()
    lifted: tuple[Line, ...] = ()
    findings: tuple[Line, ...] = ()
    now: tuple[Line, ...] = ()
    later: tuple[Line, ...] = ()
    withheld: tuple[Line, ...] = ()
    not_reliable: tuple[Line, ...] = ()
    not_assessed: tuple[Line, ...] = ()
    notes: tuple[Line, ...] = ()
    referrals: tuple[Line, ...] = ()
    sentences: dict[str, str] = field(default_factory=dict)

    @property
    def stop_codes(self) -> frozenset[str]:
        """Flags and scopes in force, as the column stop_if of the tests names them."""
        return frozenset(
            word for hold in self.proposal.holds for word in (hold.code, hold.scope.value)
        )


def judged(assessment: Assessment, edition: Edition) -> Judged:
    """The proposal for an assessment, line by line in words."""
    proposal = propose(assessment, edition)
    items = proposal.programme
    return Judged(
        proposal=proposal,
        outcome=state(proposal.outcome, edition).page,
        stopped=proposal.outcome is Outcome.STOP_ALL,
        holds=_holds(proposal, edition),
        lifted=_lifted(proposal, edition),
        findings=tuple(_finding(one, edition) for one in proposal.findings),
        now=tuple(_item(one, edition) for one in items if one.stage is Stage.NOW),
        later=tuple(_item(one, edition) for one in items if one.stage is Stage.LATER),
        withheld=_withheld(proposal, edition),
        not_reliable=_not_reliable(proposal, edition),
        not_assessed=_not_assessed(proposal, edition),
        notes=_notes(proposal, edition),
        referrals=_referrals(proposal, edition),
        sentences={
            code: state(code, edition).page
            for code in (
                "not_reliable",
                "not_assessed",
                "withheld",
                "later",
                "nothing_found",
                "no_exercise",
            )
        },
    )


def sided(name: str, side: Side) -> str:
    """A name with its side, both sides as such."""
    words = {Side.NONE: "", Side.BOTH: ", both sides"}.get(side, f", {side.value}")
    return name + words


def _holds(proposal: Proposal, edition: Edition) -> tuple[Line, ...]:
    return tuple(
        Line(
            head=hold_sentence(hold, edition).page,
            word=hold.scope.value.replace("_", " "),
            mark="stop" if hold.scope.value == "stop_all" else "caution",
            reasons=tuple(_hold_reasons(hold.code, hold.scope.value, hold.to, edition)),
        )
        for hold in proposal.holds
    )


def _hold_reasons(code: str, scope: str, to: str | None, edition: Edition) -> Iterable[str]:
    yield state(scope, edition).page
    if to:
        yield f"Refer to: {to}."
    flag = edition.tables.flags.get(code)
    if flag and flag.emergency_if:
        yield f"Emergency if {flag.emergency_if}."
    yield f"Screening {code}." if flag else f"Rule {code}."


def _lifted(proposal: Proposal, edition: Edition) -> tuple[Line, ...]:
    return tuple(
        Line(
            head=edition.tables.flags[one.code].alias.replace("_", " ").capitalize(),
            word="lifted",
            mark="ok",
            reasons=(
                lifted_sentence(one, edition).page,
                f"{one.lifted_by}, {one.lifted_on:%-d %b %Y}: {one.reason}",
            ),
        )
        for one in proposal.lifted
    )


def _finding(finding: Finding, edition: Edition) -> Line:
    row = edition.tables.findings[finding.code]
    reasons = [reason_words(finding.code, one, edition) for one in finding.because]
    return Line(
        head=sided(row.name, finding.side),
        word=finding.severity.value,
        reasons=(*reasons, row.does_not_mean),
    )


def reason_words(finding: str, reason: Reason, edition: Edition) -> str:
    """One reason: what was compared with which limit, its error, evidence and rule."""
    name = sided(subject_name(reason.subject_kind, reason.subject, edition), reason.side)
    seen, unit = _seen(reason, edition), _unit(reason, edition)
    limit = _limit(finding, reason, edition)
    error = ""
    if reason.detectable_difference is not None and reason.value is not None:
        error = f" ± {number_words(reason.detectable_difference)}"
    source = f"Evidence {reason.evidence.value}, {reason.rule}."
    if reason.attribute is Attribute.PRESENT:
        return f"{name} is present. {source}"
    shown = f"{seen}{error}{' ' + unit if unit and reason.value is not None else ''}"
    return f"{name}: {shown}; limit: {limit}. {source}"


def _seen(reason: Reason, edition: Edition) -> str:
    del edition
    if reason.value is not None:
        words = {
            Attribute.SIDE_DIFFERENCE: "difference of the sides ",
            Attribute.NORM_DEFICIT: "below the norm by ",
        }
        return words.get(reason.attribute, "") + number_words(reason.value)
    if reason.grade is not None:
        return f"grade {reason.grade}"
    return (reason.choice or "").replace("_", " ")


def _unit(reason: Reason, edition: Edition) -> str:
    for row in edition.tables.criteria:
        if (row.rule, row.subject, row.attribute) == (
            reason.rule,
            reason.subject,
            reason.attribute,
        ):
            return row.unit
    return ""


def _limit(finding: str, reason: Reason, edition: Edition) -> str:
    """The limit with its operator, looked up in the row that was compared."""
    threshold = reason.threshold
    shown = number_words(threshold) if isinstance(threshold, Decimal) else str(threshold)
    if reason.grade is not None and reason.attribute is Attribute.GRADE:
        return f"grade {shown} or more"
    for row in edition.tables.criteria:
        same = (row.rule, row.finding, row.subject) == (reason.rule, finding, reason.subject)
        if same and row.limit.printed == threshold:
            words = shown.replace("..", " to ").replace("|", ", ").replace("_", " ")
            return f"{OPERATOR_WORDS[row.limit.operator]} {words}"
    return shown


def subject_name(kind: SubjectKind, code: str, edition: Edition) -> str:
    """The name of what a row looks at."""
    if code == HEEL_FOOT_LENGTHS:
        return "Heel ahead of the centre of mass, in foot lengths"
    if kind is SubjectKind.DERIVED:
        return code.replace("_", " ").capitalize()
    return missing_name(code, edition)


def dose_words(item: Item, distance_m: Decimal | None = None) -> str:
    """Sets, repetitions or seconds, sides and sessions in one line."""
    dose = item.dose
    if dose.duration_min is not None:
        work = f"{number_words(dose.duration_min)}\N{NO-BREAK SPACE}min"
    else:
        amount = f"{number_words(dose.reps)}" if dose.reps else ""
        if distance_m:
            amount = f"{number_words(distance_m)}\N{NO-BREAK SPACE}m"
        if not amount and dose.hold_s:
            amount = f"{number_words(dose.hold_s)}\N{NO-BREAK SPACE}s"
        work = f"{number_words(dose.sets or Decimal(1))} × {amount}".removesuffix(" × ")
    sides = ", each side" if dose.per_side else ""
    often = f", {number_words(dose.sessions_per_week)} a week" if dose.sessions_per_week else ""
    return work + sides + often


def _item(item: Item, edition: Edition) -> Line:
    reasons = [f"Pain up to {number_words(item.pain_ceiling)} of 10."]
    if item.order_note:
        reasons.append(item.order_note)
    for because in item.because:
        rationale = next(
            (
                rule.rationale
                for rule in edition.rules
                if rule.rule == because.rule and rule.exercise == item.exercise
            ),
            "",
        )
        names = ", ".join(edition.tables.findings[code].name for code in because.findings)
        head = f"For: {names}. " if names else ""
        reasons.append(f"{head}{rationale} Evidence {because.evidence.value}, {because.rule}.")
    if item.missing_kit:
        kit = ", ".join(word.replace("_", " ") for word in item.missing_kit)
        reasons.append(f"Not at hand: {kit}. {edition.exercises[item.exercise].kit_alternative}")
    return Line(
        head=sided(edition.exercises[item.exercise].name, item.side),
        word=dose_words(item, edition.exercises[item.exercise].distance_m),
        reasons=tuple(reasons),
    )


def _withheld(proposal: Proposal, edition: Edition) -> tuple[Line, ...]:
    return tuple(
        Line(
            head=edition.exercises[one.exercise].name,
            word="withheld",
            mark="caution",
            reasons=tuple(f"{by.text} ({by.code})" for by in stopped_by(one, edition)),
        )
        for one in proposal.withheld
    )


def _not_reliable(proposal: Proposal, edition: Edition) -> tuple[Line, ...]:
    lines = []
    for one in proposal.not_reliable:
        wanted = "; ".join(guard_words(text) for text in one.guard)
        kind = SubjectKind.DERIVED if one.subject == HEEL_FOOT_LENGTHS else SubjectKind.FEATURE
        seen = f"{subject_name(kind, one.subject, edition)}: {number_words(one.value)}"
        lines.append(
            Line(
                head=sided(edition.tables.findings[one.finding].name, one.side),
                reasons=(seen, f"To count it needs: {wanted}. Rule {one.rule}."),
            )
        )
    return tuple(lines)


def _not_assessed(proposal: Proposal, edition: Edition) -> tuple[Line, ...]:
    """One line a finding and side, with everything that any of its rules misses."""
    missing: dict[tuple[str, Side], dict[str, None]] = {}
    for one in proposal.not_assessed:
        names = missing.setdefault((one.finding, one.side), {})
        names.update((missing_name(code, edition), None) for code in one.missing)
    return tuple(
        Line(
            head=sided(edition.tables.findings[finding].name, side),
            reasons=(f"Missing: {', '.join(names)}.",),
        )
        for (finding, side), names in missing.items()
    )


def _notes(proposal: Proposal, edition: Edition) -> tuple[Line, ...]:
    return tuple(
        Line(
            head=note_sentence(one, edition).page,
            reasons=(f"Rules {', '.join(one.rules)}.",) if one.rules else (),
        )
        for one in proposal.notes
    )


def _referrals(proposal: Proposal, edition: Edition) -> tuple[Line, ...]:
    return tuple(
        Line(
            head=one.to,
            word=URGENCY_WORDS.get(one.urgency.value, one.urgency.value),
            mark="stop" if one.urgency.rank <= 1 else "caution",
            reasons=(referral_sentence(one, edition).page,),
        )
        for one in proposal.referral_notes
    )
