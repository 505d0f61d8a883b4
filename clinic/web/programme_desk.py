"""What the programme page shows: lines with the library's words, and what is proposed by now."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal

from django.utils.functional import cached_property
from django.utils.safestring import SafeString, mark_safe

from assessments.domain.assessment import Assessment as AssessmentValue
from assessments.domain.vocabulary import Area, Outcome, Side, Stage
from assessments.facts import assessment_value
from assessments.models import Assessment
from exercises.domain.decisions import Decision
from exercises.domain.dose import session_minutes
from exercises.domain.dose_words import dose_words, printed_dose
from exercises.domain.edition import Edition
from exercises.domain.library import Exercise
from exercises.domain.printing import proposal_json
from exercises.domain.proposal_changes import proposal_changes
from exercises.editions import edition_of
from exercises.figure_cache import figure_svg
from exercises.forms.programmes import DoseForm
from exercises.handouts import only_side
from exercises.models import Programme, ProgrammeItem
from exercises.proposals import Judged, judged, sided
from exercises.services import programme_rows

DECIDED = {
    Decision.PROPOSED.value: ("proposed", "caution"),
    Decision.ACCEPTED.value: ("accepted", "ok"),
    Decision.ADJUSTED.value: ("adjusted", "ok"),
    Decision.ADDED.value: ("added", "ok"),
    Decision.DECLINED.value: ("declined", "stop"),
    Decision.WITHDRAWN.value: ("no longer proposed", "stop"),
}


@dataclass(frozen=True)
class Line:
    """One line of the page: the stored item with the library's words around it."""

    item: ProgrammeItem
    exercise: Exercise
    edition: Edition
    edition_id: int
    form: DoseForm
    problem: str = ""
    overtaken: bool = False

    @property
    def figure(self) -> SafeString:
        # our own drawing, its words escaped by figures.svg
        return mark_safe(figure_svg(self.edition_id, self.exercise.code))  # noqa: S308

    @property
    def dose(self) -> str:
        printed = printed_dose(programme_rows.dose_of(self.item), self.exercise)
        only = "" if self.item.per_side else only_side(self.item.side, self.exercise)
        return dose_words(printed, only)

    @property
    def minutes(self) -> Decimal | None:
        """Minutes of one session, rounded for reading; a cue takes none of its own."""
        if self.exercise.running_cue:
            return None
        return round(session_minutes(programme_rows.dose_of(self.item)), 1)

    @property
    def name(self) -> str:
        return sided(self.exercise.name, Side(self.item.side))

    @property
    def word(self) -> str:
        return DECIDED[self.item.decision][0]

    @property
    def mark(self) -> str:
        return DECIDED[self.item.decision][1]

    @property
    def waiting(self) -> bool:
        return self.item.decision == Decision.PROPOSED.value

    @property
    def out(self) -> bool:
        return self.item.decision in programme_rows.OUT

    @property
    def open(self) -> bool:
        """Whether its fields stand open: it waits for now, or something typed was refused."""
        now = self.item.stage == Stage.NOW.value
        return (self.waiting and now) or self.form.is_bound or bool(self.problem)

    @property
    def not_shown(self) -> bool:
        """Whether it goes home now without having been shown and tried."""
        now = self.item.stage == Stage.NOW.value and not self.out
        return now and not self.item.shown_and_tried

    @cached_property
    def why(self) -> list[str]:
        """Each rule with the findings that it serves, its reason in words and its evidence."""
        return [
            f"{self._served(one['findings'])}{self._rationale(one['rule'])}"
            f" Evidence {one['evidence']}, {one['rule']}."
            for one in self.item.because
        ]

    def _served(self, findings: list[str]) -> str:
        names = self.edition.tables.findings
        return f"For {', '.join(names[code].name for code in findings)}. " if findings else ""

    def _rationale(self, rule: str) -> str:
        rows = self.edition.rules
        of_both = (one for one in rows if (one.rule, one.exercise) == (rule, self.exercise.code))
        row = next(of_both, None)
        return row.rationale if row else ""

    @property
    def cautions(self) -> list[str]:
        return [one.strip().rstrip(".") for one in self.exercise.cautions.split("|") if one]

    @property
    def missing(self) -> str:
        return ", ".join(thing.replace("_", " ") for thing in self.item.missing_kit)


@dataclass
class Desk:
    """One assessment with its programme, what is proposed now, and what went wrong."""

    assessment: Assessment
    programme: Programme | None
    problems: dict[int, str] = field(default_factory=dict)
    forms: dict[int, DoseForm] = field(default_factory=dict)
    # lines that somebody else changed since the page showed them
    overtaken: set[int] = field(default_factory=set)

    @property
    def edition(self) -> Edition:
        return edition_of(self.assessment.edition_id)

    @cached_property
    def value(self) -> AssessmentValue:
        return assessment_value(self.assessment)

    @cached_property
    def judged(self) -> Judged:
        return judged(self.value, self.edition)

    @property
    def stopped(self) -> bool:
        return self.judged.proposal.outcome is Outcome.STOP_ALL

    @property
    def unscreened(self) -> bool:
        """Whether the screening is missing, old or not complete."""
        return self.judged.proposal.outcome is Outcome.DRAFT

    def lines(self) -> Iterator[Line]:
        """Lines in order, as they are stored now."""
        if self.programme is None:
            return
        for item in self.programme.items.select_related("decided_by", "ticked_by"):
            yield Line(
                item=item,
                exercise=self.edition.exercises[item.exercise_id],
                edition=self.edition,
                edition_id=self.assessment.edition_id,
                form=self.forms.get(item.pk) or DoseForm(instance=item),
                problem=self.problems.get(item.pk, ""),
                overtaken=item.pk in self.overtaken,
            )

    @property
    def differences(self) -> tuple[str, ...]:
        """What the answers propose now and did not when the proposal was taken over."""
        if self.programme is None or self.programme.is_issued:
            return ()
        now = proposal_json(self.judged.proposal)
        return proposal_changes(self.programme.proposal, now, self.edition)

    @property
    def minutes_given(self) -> Decimal | None:
        given = self.value.facts.get("minutes_a_day")
        return given if isinstance(given, Decimal) else None

    def library(self, taken: set[str]) -> list[tuple[str, Exercise]]:
        """Exercises that are not in the programme, area by area, each with the area's name."""
        left = [one for one in self.edition.exercises.values() if one.code not in taken]
        return [
            (area.value.replace("_", " ").capitalize(), one)
            for area in Area
            for one in left
            if one.area is area
        ]

    def code_of(self, typed: str) -> str:
        """The code of an exercise of which code or name was typed, else what was typed."""
        wanted = typed.strip().casefold()
        named = (
            one.code
            for one in self.edition.exercises.values()
            if wanted in (one.code, one.name.casefold())
        )
        return next(named, typed)
