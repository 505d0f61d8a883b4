"""Stored papers as values again: letters and handouts, as page and as PDF."""

from collections.abc import Iterable

from django.core.exceptions import ValidationError
from django.utils.safestring import SafeString, mark_safe

from clinic.documents.letter import render_letter
from clinic.domain.letter import Letter
from clinic.domain.paper import Unprintable
from clinic.domain.vocabulary import PaperKind
from clinic.models import Edition, Paper
from clinic.services import papers
from exercises.documents.handout import render_handout
from exercises.domain.figure_shapes import Drawing
from exercises.domain.figures import svg
from exercises.domain.handout import Handout, HandoutExercise
from exercises.editions import edition_of
from exercises.figure_cache import figure_pair

Drawn = tuple[HandoutExercise, SafeString | str]


def drawings_of(exercises: Iterable[HandoutExercise]) -> dict[str, Drawing]:
    """The figure pair of each exercise that has one, by code, as the newest edition draws it."""
    newest = Edition.objects.newest().values_list("pk", flat=True).first()
    if newest is None:
        return {}
    known = edition_of(newest).exercises
    drawn = (one.code for one in exercises if one.figure_alt and one.code in known)
    return {code: figure_pair(newest, code) for code in drawn}


def value_of(paper: Paper) -> Letter | Handout:
    """The stored content as the value that it was written from."""
    if paper.kind == PaperKind.HANDOUT.value:
        return Handout.from_json(paper.content)
    return Letter.from_json(paper.content)


def drawn_of(value: Letter | Handout) -> tuple[Drawn, ...]:
    """The exercises of a handout with their figures, nothing for a letter."""
    if isinstance(value, Letter):
        return ()
    drawings = drawings_of(value.exercises)
    return tuple(
        (one, _figure(drawings[one.code], number) if one.code in drawings else "")
        for number, one in enumerate(value.exercises)
    )


def _figure(pair: Drawing, number: int) -> SafeString:
    # our own drawing, its words escaped by figures.svg
    return mark_safe(svg(pair, prefix=f"figure-{number}"))  # noqa: S308


def pdf_of(paper: Paper) -> bytes:
    """The stored bytes of a signed paper, or a draft made new, marked as one.

    Raises ValidationError naming the characters that cannot be printed.
    """
    if paper.is_signed:
        return papers.stored_pdf(paper)
    value = value_of(paper)
    try:
        if isinstance(value, Letter):
            return render_letter(value)
        return render_handout(value, drawings_of(value.exercises))
    except Unprintable as refusal:
        raise ValidationError(str(refusal)) from refusal
