"""What has changed since the last signed assessment, as a letter tells it."""

from dataclasses import dataclass

from assessments.change_words import number_words, reading_words, verdict_words
from assessments.domain.assessment import Assessment
from assessments.domain.change import Verdict
from assessments.domain.progress import Compared, compared
from assessments.domain.rows import HEEL, HEEL_FOOT_LENGTHS
from assessments.domain.tables import Score
from clinic.domain import letter as parts
from clinic.web.letter_findings import SIDE_WORDS
from clinic.web.letter_parts import Judged


@dataclass(frozen=True)
class Changes:
    """What a busy reader needs of the changes; `rest` counts what is left out."""

    rows: tuple[parts.ChangeRow, ...] = ()
    rest: int = 0

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is said of the rest."""
        if not self.rest:
            return ()
        many = f"{self.rest} more measures were" if self.rest > 1 else "1 more measure was"
        return (f"{many} taken both times; none of them changed beyond a published error.",)


REAL = (Verdict.BETTER, Verdict.WORSE, Verdict.CHANGED)


def changes(then: Judged, now: Judged) -> Changes:
    """Each number taken both times that really changed, made a finding, or is a score.

    Source: rule of this clinic (the summary of an outpatient letter is "very brief").
    """
    taken = list(compared(then.assessment, now.assessment, now.tables))
    found = {
        HEEL if reason.subject == HEEL_FOOT_LENGTHS else reason.subject
        for judged in (then, now)
        for finding in judged.proposal.findings
        for reason in finding.because
    }
    told = tuple(
        _change_row(one, then.assessment, now.assessment)
        for one in taken
        if one.change.verdict in REAL
        or one.measure.code in found
        or isinstance(one.measure, Score)
    )
    return Changes(told, len(taken) - len(told))


def _change_row(one: Compared, then: Assessment, now: Assessment) -> parts.ChangeRow:
    moved = one.change
    sign = "+" if moved.difference > 0 else "−" if moved.difference < 0 else ""
    return parts.ChangeRow(
        measure=one.measure.name,
        side=SIDE_WORDS[one.side],
        earlier=reading_words(one.then),
        present=reading_words(one.now),
        difference=f"{sign}{number_words(abs(moved.difference))}",
        unit=one.measure.unit,
        error="" if moved.error is None else number_words(moved.error),
        verdict=verdict_words(moved),
        earlier_on=then.assessed_on,
        present_on=now.assessed_on,
    )
