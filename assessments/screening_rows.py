"""The rows of the screening page: the questions of an edition laid over what was answered."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby

from assessments.domain.tables import AssessmentTables, Flag
from assessments.domain.vocabulary import Urgency
from assessments.models import Screening, ScreeningAnswer

WORDS = {"yes": "yes", "no": "no", "not_asked": "not asked"}
GROUPS = {
    "red_flag": "Signs that stop everything",
    "bone_stress": "Bone",
    "general_health": "General health and medicines",
    "pregnancy_birth_surgery": "Pregnancy, birth, joints and operations",
}
HOW_SOON = {
    Urgency.EMERGENCY: "emergency",
    Urgency.SAME_DAY: "today",
    Urgency.WITHIN_DAYS: "within days",
    Urgency.ROUTINE: "routine",
}


@dataclass(frozen=True, slots=True)
class ScreeningRow:
    """One question with today's answer and the one before."""

    flag: Flag
    held: ScreeningAnswer | None
    before: str
    late: str = ""  # what was given after somebody else answered

    @property
    def stands(self) -> str:
        return WORDS[self.answer]

    @property
    def given(self) -> str:
        return WORDS[self.late]

    @property
    def answer(self) -> str:
        return self.held.answer if self.held else "not_asked"

    @property
    def choices(self) -> list[tuple[str, str, bool]]:
        """Value, word, and whether it is chosen: what was given stays chosen."""
        chosen = self.late or self.answer
        return [(value, word, value == chosen) for value, word in WORDS.items()]

    @property
    def stops(self) -> str:
        """What a yes stops, in words; empty where it is only noted."""
        parts = []
        if self.flag.stops_all:
            return "everything: no assessment and no exercise"
        if self.flag.stops_impact:
            parts.append("running, hops and other impact")
        if self.flag.limits_load:
            parts.append(f"load on: {self.flag.limits_load.replace('_', ' ')}")
        return "; ".join(parts)

    @property
    def how_soon(self) -> str:
        return HOW_SOON.get(self.flag.urgency, "")


@dataclass(frozen=True, slots=True)
class ScreeningGroup:
    name: str
    rows: tuple[ScreeningRow, ...]


def answers_of(screening: Screening | None) -> dict[str, ScreeningAnswer]:
    """Answers of a round by flag."""
    if screening is None:
        return {}
    return {one.flag_id: one for one in screening.answers.select_related("lifted_by")}


def row_of(
    flag: Flag,
    held: Mapping[str, ScreeningAnswer],
    before: Mapping[str, ScreeningAnswer],
    late: Mapping[str, str],
) -> ScreeningRow:
    """The row of one question; late: answers given after somebody else's, by flag."""
    former = before.get(flag.code)
    last = WORDS[former.answer] if former else ""
    return ScreeningRow(flag, held.get(flag.code), last, late.get(flag.code, ""))


def groups_of(
    tables: AssessmentTables,
    held: Mapping[str, ScreeningAnswer],
    before: Mapping[str, ScreeningAnswer],
    late: Mapping[str, str],
) -> list[ScreeningGroup]:
    """All questions in the order of the table, under the headings of their groups."""
    return [
        ScreeningGroup(GROUPS[group], tuple(row_of(flag, held, before, late) for flag in flags))
        for group, flags in groupby(tables.flags.values(), lambda flag: flag.group)
    ]
