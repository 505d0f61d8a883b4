"""The programme page: take over, decide, arrange, issue; and its handout."""

from collections.abc import Callable
from http import HTTPStatus
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
from clinic.middleware import ACT
from clinic.models import Paper
from clinic.models.limits import of_my_clients
from clinic.saving import is_script, part
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
from exercises.services import programme_lines, programme_rows
from exercises.services import programmes as services

STALE = (
    "Somebody else changed this line meanwhile: it now says {}. Yours stands in the fields. "
    "Choose which of the two stands."
)
CHOICES = {"line.keep", "line.take"}


def desk_or_404(request: StaffRequest, **found: Any) -> Desk:
    assessment = get_object_or_404(
        of_my_clients(Assessment.objects.for_page(), request.user).prefetch_related(
            "trials", "observations", "tests", "scores"
        ),
        **found,
    )
    programme = Programme.objects.filter(assessment=assessment).first()
    if programme is not None:
        programme.assessment = assessment  # with what it was found with, not once more
    return Desk(assessment, programme)


def desk_of_programme(request: StaffRequest, pk: int) -> tuple[Desk, Programme]:
    desk = desk_or_404(request, programme__pk=pk)
    if desk.programme is None:
        raise ValueError("a desk found by its programme has one")
    return desk, desk.programme


def show(request: StaffRequest, desk: Desk, status: int = 200, **more: Any) -> HttpResponse:
    """The page with everything that it needs."""
    context = _page(request, desk) | more
    return render(request, "exercises/programme_open.html", context, status=status)


def _page(request: StaffRequest, desk: Desk) -> dict[str, Any]:
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
        "editable": programme is not None
        and not programme.is_issued
        and not desk.assessment.is_retracted,
        "in_charge": desk.assessment.clinician_id == request.user.pk,
    }
    if programme is not None:
        context |= _decided(desk, programme, lines)
    return context


def _decided(desk: Desk, programme: Programme, lines: list[Line]) -> dict[str, Any]:
    """What the page needs once the proposal was taken over."""
    first = {"review_on": programme.review_on, "agreed": programme.agreed}
    given = desk.minutes_given
    return {
        "agreement": AgreementForm(initial=first | {"seen": programme.version}),
        "advice_form": AdviceForm(),
        "advice": programme.advice.all(),
        "obstacles": services.obstacles(programme, desk.judged.proposal),
        "stamp": programme_lines.stamp(programme, [one.item for one in lines]),
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
        many = programme_lines.accept_all(
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
        item = programme_lines.add_exercise(
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
    act = request.POST.get("act", "keep" if CHOICES & request.POST.keys() else "")
    if is_script(request):
        return _fields_answer(request, desk, item)
    if act not in ACTS:
        desk.problems[pk] = "Press one of the buttons of the line."
        return show(request, desk, 422)
    try:
        ACTS[act](request, desk, item)
    except StaleError:
        _overtake(desk, pk)
        return show(request, desk, 409)
    except ValidationError as refusal:
        _beside(refusal, desk, pk)
        return show(request, desk, 422)
    return back(desk, f"item-{pk}")


def _fields_answer(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> HttpResponse:
    """The fields of a line, saved as they are typed, and out of band what follows from them."""
    pk, done = item.pk, trail.earlier(ACT.get(), request.user)
    known = _is_current(request, desk)
    status = HTTPStatus.OK
    try:
        if not done:  # else sent again, because the answer to it got lost
            _keep(request, desk, item)
        desk.forms.pop(pk, None)
    except StaleError:
        _overtake(desk, pk)
        status = HTTPStatus.CONFLICT
    except ValidationError as refusal:
        _beside(refusal, desk, pk)
        status = HTTPStatus.UNPROCESSABLE_ENTITY
    context = _after(request, desk, known=known, status=status, unit=pk)
    shown = (*context["now"], *context["later"], *context["out"])
    context["line"] = next(one for one in shown if one.item.pk == pk)
    return part(request, "exercises/_programme_saved.html", context, status)


def _is_current(request: StaffRequest, desk: Desk) -> bool:
    """Whether the page showed all that stands; only then may it accept or issue what follows."""
    programme = desk.programme
    return programme is not None and request.POST.get("was.stamp") == programme_lines.stamp(
        programme, programme.items.all()
    )


def _after(
    request: StaffRequest, desk: Desk, *, known: bool, status: int, unit: int | str
) -> dict[str, Any]:
    """Context of a saved unit: what the page may accept or issue now, and the sums beside it."""
    if desk.programme is not None:
        desk.programme.refresh_from_db()
    context = _page(request, desk)
    lines = (*context["now"], *context["later"], *context["out"])
    units = [*(one.item.pk for one in lines), "agreement"]
    context |= {
        "known": known,
        "stamped": [one for one in units if one != unit],
        "saved_at": timezone.localtime() if status == HTTPStatus.OK else None,
        "replace": True,
    }
    if not known:
        context["stamp"] = request.POST.get("was.stamp", "")
    return context


def _overtake(desk: Desk, pk: int) -> None:
    stored = next(one for one in desk.lines() if one.item.pk == pk)
    desk.problems[pk] = STALE.format(f"{stored.word}, {stored.dose}")
    desk.overtaken.add(pk)


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
    programme_lines.decide(
        item=item,
        seen=_seen(request),
        by=request.user,
        value=desk.value,
        edition=desk.edition,
        **fields,
    )


def _seen(request: StaffRequest) -> int:
    seen = request.POST.get("was.version", "")
    return int(seen) if seen.isdecimal() else 0


def _keep(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    """Save what was typed without deciding; nothing where the stored line was chosen."""
    if "line.take" in request.POST:
        return
    form = DoseForm(request.POST, instance=ProgrammeItem.objects.get(pk=item.pk))
    desk.forms[item.pk] = form
    if not form.is_valid():
        raise ValidationError("See what is allowed under the numbers.")
    programme_lines.keep_fields(
        item=item,
        seen=_seen(request),
        by=request.user,
        value=desk.value,
        edition=desk.edition,
        reason=form.cleaned_data["reason"],
        dose=form.changed,
    )


def _take(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    """Accept the line with the dose that stands in its fields."""
    reason = request.POST.get("reason", "")
    if item.decision in programme_rows.OUT and reason.strip() == item.reason:
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
    programme_lines.move(item=item, up=True, by=request.user)


def _down(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    programme_lines.move(item=item, up=False, by=request.user)


def _now(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    programme_lines.set_stage(item=item, stage=Stage.NOW, by=request.user, edition=desk.edition)


def _later(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    programme_lines.set_stage(item=item, stage=Stage.LATER, by=request.user, edition=desk.edition)


def _tick(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    programme_lines.tick(item=item, by=request.user, on=timezone.localdate())


def _shown(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    programme_lines.set_shown(item=item, shown=True, by=request.user)


def _not_shown(request: StaffRequest, desk: Desk, item: ProgrammeItem) -> None:
    del desk
    programme_lines.set_shown(item=item, shown=False, by=request.user)


ACTS: dict[str, Act] = {
    "keep": _keep,
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
    known = _is_current(request, desk)
    form = _agreed(request, programme)
    if is_script(request):
        return _agreement_answer(request, desk, form, known=known)
    if form is None:
        return back(desk, "issue")
    return show(request, desk, 422, agreement=form, form=form)


def _agreed(request: StaffRequest, programme: Programme) -> AgreementForm | None:
    """Save date and agreement; the form where something stands in the way."""
    if "line.take" in request.POST or trail.earlier(ACT.get(), request.user):
        return None
    form = AgreementForm(request.POST)
    if not form.is_valid():
        return form
    try:
        services.set_agreement(programme=programme, by=request.user, **form.cleaned_data)
    except StaleError:
        return form.after(programme)
    except ValidationError as refusal:
        show_refusal(form, refusal)
        return form
    return None


def _agreement_answer(
    request: StaffRequest, desk: Desk, form: AgreementForm | None, *, known: bool
) -> HttpResponse:
    status = HTTPStatus.OK
    if form is not None:
        overtaken = form.overtaken
        status = HTTPStatus.CONFLICT if overtaken else HTTPStatus.UNPROCESSABLE_ENTITY
    context = _after(request, desk, known=known, status=status, unit="agreement")
    context |= {"agreement": form} if form is not None else {}
    return part(request, "exercises/_programme_agreed.html", context, status)


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
    if request.POST.get("stamp") != programme_lines.stamp(programme, programme.items.all()):
        return show(request, desk, 409, issue_problems=[programme_lines.UNSEEN])
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
