"""The exercises of a letter: proposed by a file, or decided in the record."""

from collections.abc import Sequence

from assessments.domain.vocabulary import Stage
from clinic.domain import letter as parts
from clinic.web.letter_parts import Judged
from exercises.domain import dose_words as words_of_dose
from exercises.domain.edition import Edition
from exercises.domain.handout import EMERGENCY, STOP_SIGNS
from exercises.domain.library import Exercise
from exercises.domain.programme import Item
from exercises.domain.sentences import state


def exercise_row(
    exercise: Exercise,
    dose: words_of_dose.PrintedDose,
    *,
    stage: Stage,
    pain_ceiling: int,
    edition: Edition,
) -> parts.ExerciseRow:
    """One exercise with its dose in words, the next step and where to stop."""
    harder = edition.exercises.get(exercise.harder)
    later = state("later", edition).letter
    return parts.ExerciseRow(
        name=exercise.name,
        dose=words_of_dose.dose_words(dose),
        progression=later if stage is Stage.LATER else harder.name if harder else exercise.harder,
        stop_rule=words_of_dose.pain_words(pain_ceiling),
    )


def proposed_exercises(judged: Judged) -> tuple[parts.ExerciseRow, ...]:
    """The lines of the proposal as the letter names them."""
    return tuple(_proposed(item, judged.edition) for item in judged.proposal.programme)


def _proposed(item: Item, edition: Edition) -> parts.ExerciseRow:
    exercise = edition.exercises[item.exercise]
    return exercise_row(
        exercise,
        words_of_dose.printed_dose(item.dose, exercise),
        stage=item.stage,
        pain_ceiling=int(item.pain_ceiling),
        edition=edition,
    )


def stop_signs(exercises: Sequence[object]) -> tuple[str, ...]:
    """The signs of the handout, said only to those who got exercises."""
    return (*STOP_SIGNS, EMERGENCY) if exercises else ()
