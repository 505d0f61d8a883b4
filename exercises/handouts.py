"""From a programme to the handout that prints it."""

from collections.abc import Collection, Iterable
from math import ceil

from assessments.domain.change import Confidence, critical
from assessments.domain.rounding import half_up
from assessments.domain.vocabulary import Outcome, Side
from assessments.models import Episode
from clinic.domain.paper import PaperHead, day_words, joined
from exercises.domain.cadence import CADENCE
from exercises.domain.dose import Dose
from exercises.domain.dose_words import (
    dose_words,
    number_words,
    pace_words,
    pain_words,
    printed_dose,
)
from exercises.domain.edition import Edition
from exercises.domain.figure_shapes import Drawing
from exercises.domain.handout import CadenceSteps, Handout, HandoutExercise, movement_steps
from exercises.domain.library import Exercise
from exercises.domain.proposals import Proposal
from exercises.domain.sentences import (
    hold_sentence,
    lifted_sentence,
    note_sentence,
    referral_sentence,
    states_of,
)
from exercises.figure_cache import figure_pair
from exercises.models import Programme, ProgrammeItem
from exercises.services.programme_rows import dose_of

GOALS = {
    "pain_relief": "less pain",
    "return_to_running": "getting back to running",
    "performance": "running better",
    "prevention": "staying well",
}
NO_EXERCISE = "No exercise is needed for now."
# how the library says that only the side of the finding is trained (heel lowering, foot turn-in)
NAMED_SIDE = "named on your handout"
BOTH_SIDES = "Both sides, one after the other."


def handout_of(
    programme: Programme,
    items: Iterable[ProgrammeItem],
    *,
    proposal: Proposal,
    edition: Edition,
    head: PaperHead,
) -> Handout:
    """The handout of a programme as decided; with a stop-all hold only the flags' sentences.

    items: the lines to print, in order.
    """
    held = held_sentences(proposal, edition)
    if proposal.outcome is Outcome.STOP_ALL:
        return Handout(head, hold_sentences=held, stop_all=True)
    edition_id, printed = programme.assessment.edition_id, list(items)
    codes = [item.exercise_id for item in printed]
    return Handout(
        head=head,
        why=_why(programme.assessment.episode) if printed else NO_EXERCISE,
        hold_sentences=held,
        note_sentences=note_sentences(proposal, edition, held, codes),
        exercises=tuple(_line(item, edition, edition_id) for item in printed),
        cadence=_cadence(programme, proposal),
        next_check=f"{day_words(programme.review_on)} or soon after",
    )


def drawings_of(handout: Handout, edition_id: int) -> dict[str, Drawing]:
    """The figure pair of each exercise of a handout, by code."""
    return {one.code: figure_pair(edition_id, one.code) for one in handout.exercises}


def why(goal: str, own_words: str = "") -> str:
    """One sentence that ties the exercises to what the client wants.

    goal: code of the main goal; own_words: what the client wants to do, if that was recorded.
    """
    wanted = own_words.strip().rstrip(".") or GOALS.get(goal, "")
    towards = f" and go with what you want: {wanted}" if wanted else ""
    return f"They fit what we saw when you ran{towards}."


def _why(episode: Episode) -> str:
    own = episode.goals.filter(reached_on__isnull=True).first()
    return why(episode.goal, own.text if own else "")


def only_side(side: str, exercise: Exercise) -> str:
    """Left or right where the library trains only the side of the finding, else nothing."""
    one_side = side in {Side.LEFT.value, Side.RIGHT.value}
    return side if one_side and NAMED_SIDE in exercise.intensity else ""


def _order_note(item: ProgrammeItem, exercise: Exercise) -> str:
    both = NAMED_SIDE in exercise.intensity and item.side in {Side.BOTH.value, Side.NONE.value}
    return joined(item.order_note, BOTH_SIDES if both else "", between=" ")


def held_sentences(proposal: Proposal, edition: Edition) -> tuple[str, ...]:
    """Sentences of holds, referrals and lifts, each once. Source: README, columns of notes.csv."""
    sentences = [hold_sentence(hold, edition).handout for hold in proposal.holds]
    sentences += [referral_sentence(note, edition).handout for note in proposal.referral_notes]
    if proposal.outcome is not Outcome.STOP_ALL:
        sentences += [lifted_sentence(one, edition).handout for one in proposal.lifted]
    return tuple(dict.fromkeys(one for one in sentences if one))


def note_sentences(
    proposal: Proposal,
    edition: Edition,
    said: tuple[str, ...],
    printed: Collection[str] | None = None,
) -> tuple[str, ...]:
    """Sentences of notes and of the proposal as a whole that were not said yet.

    printed: codes of the exercises on the paper; a note about others only is left out.
    """
    states = states_of(proposal, edition)
    sentences = [states[code].handout for code in ("draft", "nothing_found") if code in states]
    sentences += [
        note_sentence(note, edition).handout
        for note in proposal.notes
        if printed is None or not note.exercises or set(note.exercises) & set(printed)
    ]
    return tuple(dict.fromkeys(one for one in sentences if one and one not in said))


def _line(item: ProgrammeItem, edition: Edition, edition_id: int) -> HandoutExercise:
    exercise = edition.exercises[item.exercise_id]
    return printed_exercise(
        exercise,
        dose_of(item),
        edition=edition,
        pain_ceiling=int(item.pain_ceiling or 0),
        order_note=_order_note(item, exercise),
        only_side="" if item.per_side else only_side(item.side, exercise),
        alt=figure_pair(edition_id, exercise.code).alt,
    )


def printed_exercise(
    exercise: Exercise,
    dose: Dose,
    *,
    edition: Edition,
    pain_ceiling: int,
    order_note: str = "",
    only_side: str = "",
    alt: str = "",
) -> HandoutExercise:
    """One exercise of the library with a dose, as the handout prints it."""
    printed = printed_dose(dose, exercise)
    return HandoutExercise(
        code=exercise.code,
        name=exercise.name,
        purpose=exercise.purpose,
        start_position=exercise.start_position,
        steps=movement_steps("|".join(exercise.movement)),
        cues=exercise.cues,
        feel=exercise.feel,
        dose=dose_words(printed, only_side),
        pain=pain_words(pain_ceiling),
        pace=pace_words(printed),
        effort=exercise.intensity,
        order_note=order_note,
        easier=_step(exercise.easier, edition),
        harder=_step(exercise.harder, edition),
        cautions=tuple(one.strip() for one in exercise.cautions.split("|") if one.strip()),
        kit=joined(*(thing.replace("_", " ") for thing in exercise.kit)).capitalize(),
        kit_alternative=exercise.kit_alternative,
        figure_alt=alt,
        times_a_day=max(1, int(printed.sessions_per_week // 7)),
    )


def _step(step: str, edition: Edition) -> str:
    """An easier or harder step: the name where it is an exercise of its own."""
    named = edition.exercises.get(step)
    return named.name if named else step


def _cadence(programme: Programme, proposal: Proposal) -> CadenceSteps | None:
    measured, first = programme.cadence_measured, programme.cadence_first_target
    if measured is None or first is None:
        return None
    base = int(half_up(measured))
    second = programme.cadence_second_target
    speed = proposal.cadence_plan.speed_m_s if proposal.cadence_plan else None
    return CadenceSteps(
        measured=base,
        first_target=first,
        first_plus=first - base,
        second_target=second,
        second_plus=second - base if second else None,
        second_from_week=programme.cadence_second_from_week,
        speed="" if speed is None else f"{number_words(speed)} m/s",
        error=_give_or_take(programme),
    )


def _give_or_take(programme: Programme) -> int:
    """The error of the count that the plan begins with, 95 %, in whole steps; 0 if not known."""
    counted = programme.assessment.observations.filter(
        feature=CADENCE, value=programme.cadence_measured, sd__isnull=False
    )
    sd = counted.values_list("sd", flat=True).first()
    return 0 if sd is None else ceil(critical(Confidence.P95) * sd)
