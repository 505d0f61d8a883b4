"""The exercise library: every exercise by area, and one exercise with all that is known of it."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.utils.safestring import mark_safe
from django.utils.text import capfirst
from django.views.decorators.http import require_safe

from assessments.domain.vocabulary import Area
from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role
from clinic.models import Edition as StoredEdition
from exercises.domain import dose_words as words
from exercises.domain.edition import Edition
from exercises.domain.library import Effect, Exercise, Rule
from exercises.editions import edition_of
from exercises.figure_cache import figure_svg

IMPACT_WORDS = {
    0: "none",
    1: "low: marching, quick steps or low hops on two legs",
    2: "running or hops on one leg",
}
EVIDENCE_WORDS = {
    "A": "the exercise or its dose was tried in a published study",
    "B": "muscle activity or a programme was published, the dose is common practice",
    "C": "common practice",
}


@dataclass(frozen=True)
class AreaPart:
    """One area of the library with the exercises that were found in it."""

    name: str
    exercises: tuple[Exercise, ...]


@dataclass(frozen=True)
class RuleLine:
    """A row of the rule table that names an exercise, in words."""

    rule: str
    when: str
    rationale: str
    evidence: str


@dataclass(frozen=True)
class Step:
    """The easier or harder form: an exercise of its own, or a sentence."""

    words: str
    code: str = ""


def plain(code: str) -> str:
    """A code as words, with the one name in them."""
    return code.replace("_", " ").replace("achilles", "Achilles")


@require_safe
@allowed(Role.CLINICIAN, Role.MANAGER, Role.AUDITOR)
def library_open(request: StaffRequest) -> HttpResponse:
    stored = StoredEdition.objects.newest().first()
    sought = request.GET.get("q", "").strip()
    parts = _parts(edition_of(stored.pk), sought) if stored else []
    context = {
        "stored": stored,
        "sought": sought,
        "parts": parts,
        "count": sum(len(part.exercises) for part in parts),
    }
    return render(request, "exercises/library_open.html", context)


def _parts(edition: Edition, sought: str) -> list[AreaPart]:
    found = [it for it in edition.exercises.values() if _fits(it, edition, sought)]
    parts = (AreaPart(plain(area), tuple(it for it in found if it.area is area)) for area in Area)
    return [part for part in parts if part.exercises]


def _fits(exercise: Exercise, edition: Edition, sought: str) -> bool:
    """Whether every word that is sought stands in the name, the purpose or a finding."""
    findings = [edition.tables.findings[code].name for code in exercise.targets]
    text = " ".join([exercise.source_id, exercise.name, exercise.purpose, *findings]).casefold()
    return all(word in text for word in sought.casefold().split())


@require_safe
@allowed(Role.CLINICIAN, Role.MANAGER, Role.AUDITOR)
def exercise_open(request: StaffRequest, code: str) -> HttpResponse:
    stored = StoredEdition.objects.newest().first()
    edition = edition_of(stored.pk) if stored else None
    if stored is None or edition is None or code not in edition.exercises:
        raise Http404
    exercise = edition.exercises[code]
    # our own drawing, its words escaped by svg()
    figure = mark_safe(figure_svg(stored.pk, code))  # noqa: S308
    context = _in_words(exercise, edition) | {"exercise": exercise, "figure": figure}
    return render(request, "exercises/exercise_open.html", context | {"stored": stored})


def _in_words(exercise: Exercise, edition: Edition) -> dict[str, Any]:
    dose = words.printed_dose(exercise.dose, exercise)
    return {
        "area": plain(exercise.area),
        "movement": [step.partition(". ")[2] or step for step in exercise.movement],
        "dose": words.dose_words(dose),
        "pace": words.pace_words(dose),
        "pain": words.pain_words(int(exercise.pain_ceiling)),
        "impact": IMPACT_WORDS[exercise.impact],
        "tissues": ", ".join(map(plain, exercise.tissue_loaded)),
        "kit": ", ".join(map(plain, exercise.kit)),
        "easier": _step(exercise.easier, edition),
        "harder": _step(exercise.harder, edition),
        "findings": [edition.tables.findings[code] for code in exercise.targets],
        "cautions": exercise.cautions.split("|") if exercise.cautions else [],
        "giving": [
            _rule_line(rule, edition)
            for rule in edition.by_effect[Effect.PRESCRIBE]
            if rule.exercise == exercise.code
        ],
        "withholding": [
            _rule_line(rule, edition)
            for rule in edition.by_effect[Effect.WITHHOLD]
            if f"exercise:{exercise.code}" in rule.withholds
        ],
        "withheld_by": dict(_withheld_by(exercise, edition)),
        "evidence": EVIDENCE_WORDS[exercise.evidence],
    }


def _step(text: str, edition: Edition) -> Step:
    other: Mapping[str, Exercise] = edition.exercises
    return Step(other[text].name, text) if text in other else Step(text)


def _rule_line(rule: Rule, edition: Edition) -> RuleLine:
    names = " or ".join(edition.tables.findings[code].name for code in rule.findings)
    least = f", {rule.min_severity} or more" if names and rule.min_severity else ""
    return RuleLine(
        rule=rule.rule,
        when=f"{names}{least}",
        rationale=rule.rationale,
        evidence=rule.evidence,
    )


def _withheld_by(exercise: Exercise, edition: Edition) -> Iterator[tuple[str, str]]:
    """What withholds the exercise when it is answered yes, and how it shows."""
    flags, facts = edition.tables.flags, edition.tables.facts
    for code in exercise.contraindicated_by:
        if code in flags:
            yield capfirst(plain(flags[code].alias)), flags[code].clinician_sign
        else:
            yield facts[code].name, facts[code].question
