"""Which exercises leave the programme, and everything that stops each of them."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from assessments.domain.vocabulary import Answer
from exercises.domain.edition import Edition
from exercises.domain.holds import kept_withholds, own_withholds
from exercises.domain.library import Exercise, Rule
from exercises.domain.situation import Situation


@dataclass(frozen=True, slots=True)
class Withheld:
    """An exercise that a rule asked for, with the rules, flags and facts that stop it."""

    exercise: str
    because: tuple[str, ...]


def meets(withholds: str, exercise: Exercise) -> bool:
    """Whether a thing withheld (all, impact_n, tissue:x, exercise:x) meets an exercise."""
    kind, _, code = withholds.partition(":")
    if kind == "exercise":
        return code == exercise.code
    if kind == "tissue":
        return code in exercise.tissue_loaded
    return kind in ("all", f"impact_{exercise.impact}")


def stops(
    situation: Situation, fired: Iterable[Rule], edition: Edition
) -> list[tuple[str, tuple[str, ...]]]:
    """What each flag and each fired row withholds, as (code, withholds).

    fired: every withholding row that fires, of R01 to R15 and of the others.
    """
    record, found = situation.record, []
    for flag in edition.tables.flags.values():
        if record.assessment.answer(flag.code) is Answer.YES:
            found.append((flag.code, own_withholds(flag, record)))
        else:
            found.append((flag.code, kept_withholds(record, flag.code)))
    return found + [(rule.rule, rule.withholds) for rule in fired]


def withheld_of(
    asked: Iterable[str],
    stopping: Sequence[tuple[str, tuple[str, ...]]],
    situation: Situation,
    library: Mapping[str, Exercise],
) -> tuple[Withheld, ...]:
    """The asked exercises that something stops, by code. Source: EVALUATION.md, 12."""
    withheld = []
    for code in sorted(set(asked)):
        because = _because(library[code], stopping, situation)
        if because:
            withheld.append(Withheld(code, because))
    return tuple(withheld)


def _because(
    exercise: Exercise, stopping: Sequence[tuple[str, tuple[str, ...]]], situation: Situation
) -> tuple[str, ...]:
    codes = {
        code for code, withholds in stopping if any(meets(one, exercise) for one in withholds)
    }
    codes |= {code for code in exercise.contraindicated_by if situation.answered_yes(code)}
    return tuple(sorted(codes))
