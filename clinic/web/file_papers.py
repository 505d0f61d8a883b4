"""Papers of one assessment file: a letter and a handout, drafts that nobody has decided."""

import json
from collections.abc import Mapping

from assessments.domain.rounding import half_up
from assessments.domain.vocabulary import Stage
from clinic.documents.letter import render_letter
from clinic.domain.paper import joined
from clinic.web.letter_parts import Judged, printed_dose
from clinic.web.letters import file_head, file_letter
from exercises.documents.handout import render_handout
from exercises.domain import dose_words as words_of_dose
from exercises.domain.figures import alt_text, drawing
from exercises.domain.handout import CadenceSteps, Handout, HandoutExercise, movement_steps
from exercises.domain.library import Exercise
from exercises.domain.poses import read_poses
from exercises.domain.programme import Item
from exercises.domain.sentences import (
    hold_sentence,
    lifted_sentence,
    note_sentence,
    referral_sentence,
    states_of,
)

POSES = "poses.json"


def letter_pdf(judged: Judged) -> bytes:
    """The letter of the file as PDF, marked as a draft. Raises Unprintable."""
    return render_letter(file_letter(judged))


def handout_pdf(judged: Judged, texts: Mapping[str, str]) -> bytes:
    """The handout of the file as PDF, marked as a draft. Raises Unprintable.

    texts: the tables of the edition by file name, of which the poses are drawn.
    """
    pairs = read_poses(json.loads(texts[POSES]))
    alts = {
        code: alt_text(pairs[code], exercise.name)
        for code, exercise in judged.edition.exercises.items()
        if code in pairs
    }
    handout = file_handout(judged, alts)
    drawings = {one.code: drawing(pairs[one.code], one.name) for one in handout.exercises}
    return render_handout(handout, drawings)


def file_handout(judged: Judged, alts: Mapping[str, str]) -> Handout:
    """The handout of a file; after a flag that stops all only the flags' sentences.

    alts: the words for the pictures of each exercise, by code.
    """
    head = file_head(judged.assessment.assessed_on)
    held = _held_sentences(judged)
    if judged.stopped:
        return Handout(head, hold_sentences=held, stop_all=True)
    items = [item for item in judged.proposal.programme if item.stage is Stage.NOW]
    return Handout(
        head=head,
        why=_why(judged),
        hold_sentences=held,
        note_sentences=_note_sentences(judged, held),
        exercises=tuple(_exercise(item, judged, alts) for item in items),
        cadence=_cadence(judged),
        next_check=f"in {judged.proposal.review_in_days} days",
    )


def _held_sentences(judged: Judged) -> tuple[str, ...]:
    """Sentences of holds and referrals, each once. Source: README, columns of notes.csv."""
    edition, proposal = judged.edition, judged.proposal
    sentences = [hold_sentence(hold, edition).handout for hold in proposal.holds]
    sentences += [referral_sentence(note, edition).handout for note in proposal.referral_notes]
    if not judged.stopped:
        sentences += [lifted_sentence(one, edition).handout for one in proposal.lifted]
    return tuple(dict.fromkeys(one for one in sentences if one))


def _note_sentences(judged: Judged, said: tuple[str, ...]) -> tuple[str, ...]:
    states = states_of(judged.proposal, judged.edition)
    sentences = [states[code].handout for code in ("draft", "nothing_found") if code in states]
    sentences += [note_sentence(note, judged.edition).handout for note in judged.proposal.notes]
    return tuple(dict.fromkeys(one for one in sentences if one and one not in said))


def _why(judged: Judged) -> str:
    goal = judged.assessment.facts.get("goal")
    towards = f" and go with your goal: {goal.replace('_', ' ')}" if isinstance(goal, str) else ""
    if not judged.proposal.programme:
        return "No exercise is needed for now."
    return f"They fit what we saw when you ran{towards}."


def _exercise(item: Item, judged: Judged, alts: Mapping[str, str]) -> HandoutExercise:
    exercise = judged.edition.exercises[item.exercise]
    dose = printed_dose(item.dose, exercise)
    return HandoutExercise(
        code=exercise.code,
        name=exercise.name,
        purpose=exercise.purpose,
        start_position=exercise.start_position,
        steps=movement_steps("|".join(exercise.movement)),
        cues=exercise.cues,
        feel=exercise.feel,
        dose=words_of_dose.dose_words(dose),
        pain=words_of_dose.pain_words(int(item.pain_ceiling)),
        pace=words_of_dose.pace_words(dose),
        effort=exercise.intensity,
        order_note=item.order_note or "",
        easier=_step(exercise.easier, judged),
        harder=_step(exercise.harder, judged),
        cautions=tuple(one.strip() for one in exercise.cautions.split("|") if one.strip()),
        kit=_kit(exercise),
        kit_alternative=exercise.kit_alternative,
        figure_alt=alts.get(exercise.code, ""),
        times_a_day=max(1, int(dose.sessions_per_week // 7)),
    )


def _step(step: str, judged: Judged) -> str:
    """An easier or harder step: the name where it is an exercise of its own."""
    named = judged.edition.exercises.get(step)
    return named.name if named else step


def _kit(exercise: Exercise) -> str:
    return joined(*(thing.replace("_", " ") for thing in exercise.kit)).capitalize()


def _cadence(judged: Judged) -> CadenceSteps | None:
    plan = judged.proposal.cadence_plan
    if plan is None:
        return None
    speed = plan.speed_m_s
    return CadenceSteps(
        measured=int(half_up(plan.measured)),
        first_target=plan.first_target,
        first_plus=plan.first_plus,
        second_target=plan.second_target,
        second_plus=plan.second_plus,
        second_from_week=plan.second_from_week,
        speed="" if speed is None else f"{words_of_dose.number_words(speed)} m/s",
    )
