"""The programme page: take over, decide, arrange, issue; and its handout."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from assessments.domain.rounding import half_up
from assessments.domain.vocabulary import Stage
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
from clinic.web.programme_desk import Desk, Line
from exercises.domain.decisions import Decision
from exercises.domain.handout import Handout
from exercises.figure_cache import figure_svg
from exercises.forms.programmes import LIMITS, AdviceForm, AgreementForm, DoseForm
from exercises.models import Programme, ProgrammeItem
from exercises.services import programmes as services

STALE = "Somebody else changed this line meanwhile: it now says {}. Yours stands in the fields."


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
    programme, lines = desk.programme, list(desk.lines())
    context = {
        "client": desk.assessment.client,
        "assessment": desk.assessment,
        "programme": programme,
        "judged": desk.judged,
        "stopped": desk.stopped,
        "unscreened": desk.unscreened,
        "now": [one for one in lines if one.item.stage == Stage.NOW.value and not one.out],
        "later": [one for one in lines if one.item.stage == Stage.LATER.value and not one.out],
        "out": [one for one in lines if one.out],
        "waiting": sum(one.waiting for one in lines),
        "not_shown": [one for one in lines if one.not_shown],
        "differences": desk.differences,
        "minutes_given": desk.minutes_given,
        "editable": programme is not None and not programme.is_issued,
        "in_charge": desk.assessment.clinician_id == request.user.pk,
    }
    if programme is not None:
        context |= _decided(desk, programme, lines)
    return render(request, "exercises/programme_open.html", context | more, status=status)


def _decided(desk: Desk, programme: Programme, lines: list[Line]) -> dict[str, Any]:
    """What the page needs once the proposal was taken over."""
    first = {"review_on": programme.review_on, "agreed": programme.agreed}
    given = desk.minutes_given
    return {
        "agreement": AgreementForm(initial=first | {"seen": programme.version}),
        "advice_form": AdviceForm(),
        "advice": programme.advice.all(),
        "obstacles": services.obstacles(programme, desk.judged.proposal),
        "stamp": services.stamp(programme, [one.item for one in lines]),
        "library": desk.library({one.item.exercise_id for one in lines}),
        "too_long": given is not None and programme.minutes_a_day > given,
        "first_plus": _plus(programme, programme.cadence_first_target),
        "second_plus": _plus(programme, programme.cadence_second_target),
    }


def _plus(programme: Programme, target: int | None) -> int | None:
    """Steps a minute more than the rounded cadence measured. Source: EVALUATION.md, 15."""
    measured = programme.cadence_measured
    return None if target is None or measured is None else target - int(half_up(measured))


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
            programme=programme,
            by=request.user,
            value=desk.value,
            edition=desk.edition,
            seen=request.POST.get("stamp", ""),
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
            code=desk.code_of(request.POST.get("exercise", "")),
            by=request.user,
            value=desk.value,
            edition=desk.edition,
        )
    except ValidationError as refusal:
        typed = request.POST.get("exercise", "")
        problem = " ".join(refusal.messages)
        return show(request, desk, 422, add_problem=problem, add_typed=typed)
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
        stored = next(one for one in desk.lines() if one.item.pk == pk)
        said = f"{stored.word}, {stored.dose}"
        desk.problems[pk] = STALE.format(said)
        return show(request, desk, 409)
    except ValidationError as refusal:
        _beside(refusal, desk, pk)
        return show(request, desk, 422)
    return back(desk, f"item-{pk}")


def _beside(refusal: ValidationError, desk: Desk, pk: int) -> None:
    """Put each refusal beside its field, or on top of the line where it has none."""
    form, general = desk.forms.get(pk), []
    for name, sentences in getattr(refusal, "message_dict", {"": refusal.messages}).items():
        if form is not None and name in form.fields:
            form.add_error(name, sentences)
        else:
            general += sentences
    desk.problems[pk] = " ".join(general)


Act = Callable[[StaffRequest, Desk, ProgrammeItem], object]


def _decide(request: StaffRequest, desk: Desk, item: ProgrammeItem, **fields: Any) -> None:
    seen = request.POST.get("seen", "")
    services.decide(
        item=item,
        seen=int(seen) if seen.isdecimal() else 0,
        by=request.user,
        value=desk.value,
        edition=desk.edition,
        **fields,
    )


def _take(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    """Accept the line with the dose that stands in its fields."""
    reason = request.POST.get("reason", "")
    if item.decision in services.OUT and reason.strip() == item.reason:
        reason = ""  # why it was left out is no reason for taking it
    dose: dict[str, Any] = {}
    if LIMITS.keys() & request.POST.keys():
        form = DoseForm(request.POST, instance=ProgrammeItem.objects.get(pk=item.pk))
        desk.forms[item.pk] = form
        if not form.is_valid():
            raise ValidationError("The dose is not saved: see what is allowed under the numbers.")
        dose = form.changed
    _decide(request, desk, item, decision=Decision.ACCEPTED, reason=reason, dose=dose)


def _decline(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    desk.forms[item.pk] = DoseForm(request.POST, instance=ProgrammeItem.objects.get(pk=item.pk))
    reason = request.POST.get("reason", "")
    _decide(request, desk, item, decision=Decision.DECLINED, reason=reason)


def _up(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    services.move(item=item, up=True, by=request.user)


def _down(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    services.move(item=item, up=False, by=request.user)


def _now(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    services.set_stage(item=item, stage=Stage.NOW, by=request.user, edition=desk.edition)


def _later(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    services.set_stage(item=item, stage=Stage.LATER, by=request.user, edition=desk.edition)


def _tick(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    services.tick(item=item, by=request.user, on=timezone.localdate())


def _shown(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    services.set_shown(item=item, shown=True, by=request.user)


def _not_shown(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    services.set_shown(item=item, shown=False, by=request.user)


ACTS: dict[str, Act] = {
    "accept": _take,
    "decline": _decline,
    "up": _up,
    "down": _down,
    "now": _now,
    "later": _later,
    "tick": _tick,
    "shown": _shown,
    "not_shown": _not_shown,
}


@allowed(Role.CLINICIAN)
@require_POST
def programme_agreement(request: StaffRequest, pk: int) -> HttpResponse:
    desk, programme = desk_of_programme(request, pk)
    form = AgreementForm(request.POST)
    if form.is_valid():
        try:
            services.set_agreement(programme=programme, by=request.user, **form.cleaned_data)
            return back(desk, "issue")
        except StaleError:
            form = form.after(programme)
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
    if request.POST.get("stamp") != services.stamp(programme, programme.items.all()):
        return show(request, desk, 409, issue_problems=[services.UNSEEN])
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
