"""Papers of one assessment file: a letter and a handout, drafts that nobody has decided."""

import json
from collections.abc import Mapping

from assessments.domain.rounding import half_up
from assessments.domain.vocabulary import Stage
from clinic.documents.letter import render_letter
from clinic.web.letter_parts import Judged
from clinic.web.letters import file_head, file_letter
from exercises.documents.handout import render_handout
from exercises.domain.dose_words import number_words
from exercises.domain.figures import alt_text, drawing
from exercises.domain.handout import CadenceSteps, Handout, HandoutExercise
from exercises.domain.programme import Item
from exercises.domain.reading_poses import read_poses
from exercises.handouts import held_sentences, note_sentences, printed_exercise, why

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
    held = held_sentences(judged.proposal, judged.edition)
    if judged.stopped:
        return Handout(head, hold_sentences=held, stop_all=True)
    items = [item for item in judged.proposal.programme if item.stage is Stage.NOW]
    return Handout(
        head=head,
        why=_why(judged),
        hold_sentences=held,
        note_sentences=note_sentences(judged.proposal, judged.edition, held),
        exercises=tuple(_exercise(item, judged, alts) for item in items),
        cadence=_cadence(judged),
        next_check=f"in {judged.proposal.review_in_days} days",
    )


def _exercise(item: Item, judged: Judged, alts: Mapping[str, str]) -> HandoutExercise:
    return printed_exercise(
        judged.edition.exercises[item.exercise],
        item.dose,
        edition=judged.edition,
        pain_ceiling=int(item.pain_ceiling),
        order_note=item.order_note or "",
        alt=alts.get(item.exercise, ""),
    )


def _why(judged: Judged) -> str:
    if not judged.proposal.programme:
        return "No exercise is needed for now."
    goal = judged.assessment.facts.get("goal")
    return why(goal if isinstance(goal, str) else "")


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
        speed="" if speed is None else f"{number_words(speed)} m/s",
    )
