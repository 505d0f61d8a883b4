"""The programme page: take over, decide, arrange, issue; and its handout."""

from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.functional import cached_property
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from assessments.domain.assessment import Assessment as AssessmentValue
from assessments.domain.vocabulary import Outcome, Side, Stage
from assessments.facts import assessment_value
from assessments.models import Assessment
from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role, TrailAction
from clinic.forms.people import show_refusal
from clinic.models import Paper
from clinic.services import trail
from clinic.services.papers import stored_pdf
from clinic.services.people import StaleError
from clinic.web.handouts import (
    handout_pdf,
    handout_value,
    issue_with_handout,
    stored_handout,
)
from exercises.domain.decisions import Decision
from exercises.domain.dose_words import dose_words, printed_dose
from exercises.domain.edition import Edition
from exercises.domain.handout import Handout
from exercises.domain.library import Exercise
from exercises.domain.printing import proposal_json
from exercises.editions import edition_of
from exercises.figure_cache import figure_svg
from exercises.forms.programmes import AdviceForm, AgreementForm, DoseForm
from exercises.models import Programme, ProgrammeItem
from exercises.proposals import Judged, judged, sided
from exercises.services import programmes as services

STALE = "Somebody else changed this line a moment ago: look at it once more."
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

    @property
    def figure(self) -> SafeString:
        # our own drawing, its words escaped by figures.svg
        return mark_safe(figure_svg(self.edition_id, self.exercise.code))  # noqa: S308

    @property
    def dose(self) -> str:
        only = self.item.side if self.item.side in {Side.LEFT, Side.RIGHT} else ""
        printed = printed_dose(services.dose_of(self.item), self.exercise)
        return dose_words(printed, "" if self.item.per_side else only)

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
        return self.item.decision in services.OUT

    @property
    def why(self) -> list[str]:
        """Each rule with the findings that it serves, and its evidence."""
        names = self.edition.tables.findings
        return [
            f"{', '.join(names[code].name for code in one['findings']) or 'General strength'}"
            f" ({one['rule']}, evidence {one['evidence']})"
            for one in self.item.because
        ]

    @property
    def cautions(self) -> list[str]:
        return [one for one in self.exercise.cautions.split("|") if one]

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
    def lines(self) -> list[Line]:
        if self.programme is None:
            return []
        return [
            Line(
                item=item,
                exercise=self.edition.exercises[item.exercise_id],
                edition=self.edition,
                edition_id=self.assessment.edition_id,
                form=self.forms.get(item.pk) or DoseForm(instance=item),
                problem=self.problems.get(item.pk, ""),
            )
            for item in self.programme.items.all()
        ]

    @property
    def changed(self) -> bool:
        """Whether the answers now propose something else than what was taken over."""
        return (
            self.programme is not None
            and not self.programme.is_issued
            and proposal_json(self.judged.proposal) != self.programme.proposal
        )

    @property
    def minutes_given(self) -> Decimal | None:
        given = self.value.facts.get("minutes_a_day")
        return given if isinstance(given, Decimal) else None


def desk_or_404(request: StaffRequest, **found: Any) -> Desk:
    assessment = get_object_or_404(
        Assessment.objects.for_page()
        .filter(site__staff=request.user)
        .prefetch_related("trials", "observations", "tests", "scores"),
        **found,
    )
    return Desk(assessment, Programme.objects.filter(assessment=assessment).first())


def desk_of_programme(request: StaffRequest, pk: int) -> tuple[Desk, Programme]:
    desk = desk_or_404(request, programme__pk=pk)
    if desk.programme is None:
        raise ValueError("a desk found by its programme has one")
    desk.programme.assessment = desk.assessment
    return desk, desk.programme


def show(request: StaffRequest, desk: Desk, status: int = 200, **more: Any) -> HttpResponse:
    """The page with everything that it needs."""
    programme, lines = desk.programme, desk.lines
    context: dict[str, Any] = {
        "client": desk.assessment.client,
        "assessment": desk.assessment,
        "programme": programme,
        "judged": desk.judged,
        "stopped": desk.judged.proposal.outcome is Outcome.STOP_ALL,
        "now": [one for one in lines if one.item.stage == Stage.NOW.value and not one.out],
        "later": [one for one in lines if one.item.stage == Stage.LATER.value and not one.out],
        "out": [one for one in lines if one.out],
        "waiting": sum(one.waiting for one in lines),
        "changed": desk.changed,
        "minutes_given": desk.minutes_given,
        "library": _library(desk, {one.item.exercise_id for one in lines}),
        "editable": programme is not None and not programme.is_issued,
        "in_charge": desk.assessment.clinician_id == request.user.pk,
        "today": timezone.localdate(),
    }
    if programme is not None:
        first = {"review_on": programme.review_on, "agreed": programme.agreed}
        context["agreement"] = AgreementForm(initial=first)
        context["advice_form"] = AdviceForm()
        context["advice"] = programme.advice.all()
        context["obstacles"] = services.obstacles(programme, desk.judged.proposal)
        context["plan"] = desk.judged.proposal.cadence_plan
    return render(request, "exercises/programme_open.html", context | more, status=status)


def _library(desk: Desk, taken: set[str]) -> dict[str, list[Exercise]]:
    """Exercises that are not in the programme, by area."""
    found: dict[str, list[Exercise]] = {}
    for one in desk.edition.exercises.values():
        if one.code not in taken:
            found.setdefault(one.area.replace("_", " ").capitalize(), []).append(one)
    return found


def back(desk: Desk, anchor: str = "") -> HttpResponse:
    address = reverse("programme-open", args=[desk.assessment.pk])
    return redirect(f"{address}{'#' + anchor if anchor else ''}")


@allowed(Role.CLINICIAN)
@require_safe
def programme_open(request: StaffRequest, pk: int) -> HttpResponse:
    desk = desk_or_404(request, pk=pk)
    row = desk.programme or desk.assessment
    trail.record(TrailAction.VIEW, by=request.user, row=row, client=desk.assessment.client)
    return show(request, desk)


@allowed(Role.CLINICIAN)
@require_POST
def programme_take(request: StaffRequest, pk: int) -> HttpResponse:
    desk = desk_or_404(request, pk=pk)
    try:
        services.take_over(
            assessment=desk.assessment,
            proposal=desk.judged.proposal,
            edition=desk.edition,
            by=request.user,
        )
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    return back(desk)


@allowed(Role.CLINICIAN)
@require_POST
def programme_accept(request: StaffRequest, pk: int) -> HttpResponse:
    desk, programme = desk_of_programme(request, pk)
    try:
        many = services.accept_all(
            programme=programme, by=request.user, value=desk.value, edition=desk.edition
        )
        messages.success(request, f"{many} accepted.")
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    return back(desk)


@allowed(Role.CLINICIAN)
@require_POST
def programme_add(request: StaffRequest, pk: int) -> HttpResponse:
    desk, programme = desk_of_programme(request, pk)
    try:
        item = services.add_exercise(
            programme=programme,
            code=request.POST.get("exercise", ""),
            by=request.user,
            value=desk.value,
            edition=desk.edition,
        )
    except ValidationError as refusal:
        return show(request, desk, 422, add_problem=" ".join(refusal.messages))
    return back(desk, f"item-{item.pk}")


@allowed(Role.CLINICIAN)
@require_POST
def programme_item(request: StaffRequest, pk: int) -> HttpResponse:
    """One act on one line: decide, move, tick, shown."""
    desk = desk_or_404(request, programme__items__pk=pk)
    item = ProgrammeItem.objects.select_related("programme__assessment").get(pk=pk)
    act = request.POST.get("act", "")
    if act not in ACTS:
        desk.problems[pk] = "Press one of the buttons of the line."
        return show(request, desk, 422)
    try:
        ACTS[act](request, desk, item)
    except StaleError:
        desk.problems[pk] = STALE
        return show(request, desk, 409)
    except ValidationError as refusal:
        desk.problems[pk] = " ".join(refusal.messages)
        return show(request, desk, 422)
    return back(desk, f"item-{pk}")


Act = Callable[[StaffRequest, Desk, ProgrammeItem], object]


def _decide(request: StaffRequest, desk: Desk, item: ProgrammeItem, **fields: Any) -> None:
    seen = request.POST.get("seen", "")
    services.decide(
        item=item,
        seen=int(seen) if seen.isdecimal() else 0,
        by=request.user,
        value=desk.value,
        edition=desk.edition,
        reason=request.POST.get("reason", ""),
        **fields,
    )


def _accept(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    _decide(request, desk, item, decision=Decision.ACCEPTED)


def _decline(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    _decide(request, desk, item, decision=Decision.DECLINED)


def _adjust(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    stored = ProgrammeItem.objects.get(pk=item.pk)
    form = DoseForm(request.POST, instance=stored)
    desk.forms[item.pk] = form
    if not form.is_valid():
        raise ValidationError("The dose is not changed: see what is allowed beside the numbers.")
    if not form.changed:
        raise ValidationError("Change a number of the dose first.")
    _decide(request, desk, item, decision=Decision.ADJUSTED, dose=form.changed)


def _up(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    services.arrange(item=item, by=request.user, edition=desk.edition, up=True)


def _down(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    services.arrange(item=item, by=request.user, edition=desk.edition, up=False)


def _stage(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    services.arrange(item=item, by=request.user, edition=desk.edition)


def _tick(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    services.tick(item=item, by=request.user, on=timezone.localdate())


def _shown(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    services.set_shown(item=item, shown=not item.shown_and_tried, by=request.user)


ACTS: dict[str, Act] = {
    "accept": _accept,
    "adjust": _adjust,
    "decline": _decline,
    "up": _up,
    "down": _down,
    "stage": _stage,
    "tick": _tick,
    "shown": _shown,
}


@allowed(Role.CLINICIAN)
@require_POST
def programme_agreement(request: StaffRequest, pk: int) -> HttpResponse:
    desk, programme = desk_of_programme(request, pk)
    form = AgreementForm(request.POST)
    if form.is_valid():
        try:
            services.set_agreement(
                programme=programme, seen=programme.version, by=request.user, **form.cleaned_data
            )
            return back(desk, "issue")
        except ValidationError as refusal:
            show_refusal(form, refusal)
    return show(request, desk, 422, agreement=form, form=form)


@allowed(Role.CLINICIAN)
@require_POST
def programme_advice(request: StaffRequest, pk: int) -> HttpResponse:
    desk, programme = desk_of_programme(request, pk)
    form = AdviceForm(request.POST)
    if form.is_valid():
        try:
            services.add_advice(programme=programme, by=request.user, **form.cleaned_data)
            return back(desk, "advice")
        except ValidationError as refusal:
            form.add_error(None, " ".join(refusal.messages))
    return show(request, desk, 422, advice_form=form, form=form)


@allowed(Role.CLINICIAN)
@require_POST
def programme_issue(request: StaffRequest, pk: int) -> HttpResponse:
    desk, programme = desk_of_programme(request, pk)
    try:
        issue_with_handout(
            programme=programme,
            proposal=desk.judged.proposal,
            value=desk.value,
            edition=desk.edition,
            by=request.user,
        )
        messages.success(request, "The programme is issued and its handout is kept.")
    except ValidationError as refusal:
        return show(request, desk, 422, issue_problems=refusal.messages)
    return back(desk, "issue")


def _draft(request: StaffRequest, desk: Desk, programme: Programme) -> Handout:
    return handout_value(
        programme, proposal=desk.judged.proposal, edition=desk.edition, by=request.user
    )


def _print_line(request: StaffRequest, desk: Desk, paper: Paper | None) -> None:
    trail.record(
        TrailAction.PRINT,
        by=request.user,
        row=paper or desk.programme,
        client=desk.assessment.client,
        draft=paper is None,
    )


@allowed(Role.CLINICIAN)
@require_safe
def handout_print(request: StaffRequest, pk: int) -> HttpResponse:
    """The stored bytes once it is issued, a draft before."""
    desk, programme = desk_of_programme(request, pk)
    paper = stored_handout(programme)
    try:
        pdf = (
            stored_pdf(paper)
            if paper
            else handout_pdf(_draft(request, desk, programme), desk.assessment.edition_id)
        )
    except ValidationError as refusal:
        return show(request, desk, 422, issue_problems=refusal.messages)
    _print_line(request, desk, paper)
    name = f"handout-{desk.assessment.client.number}-{programme.pk}.pdf"
    return HttpResponse(
        pdf,
        content_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}"'},
    )


@allowed(Role.CLINICIAN)
@require_http_methods(["GET"])
def handout_page(request: StaffRequest, pk: int) -> HttpResponse:
    """The same handout as a page."""
    desk, programme = desk_of_programme(request, pk)
    stored = stored_handout(programme)
    paper = Handout.from_json(stored.content) if stored else _draft(request, desk, programme)
    trail.record(
        TrailAction.VIEW,
        by=request.user,
        row=stored or programme,
        client=desk.assessment.client,
    )
    edition_id = desk.assessment.edition_id
    drawn = [
        (one, mark_safe(figure_svg(edition_id, one.code)))  # noqa: S308  # our own drawing
        for one in paper.exercises
    ]
    context = {
        "client": desk.assessment.client,
        "programme": programme,
        "paper": paper,
        "drawn": drawn,
    }
    return render(request, "exercises/programme_handout.html", context)
