"""The assessment page: five areas, tests, scores, and what they add up to."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from hashlib import sha256
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.cache import patch_vary_headers
from django.views.decorators.http import require_http_methods

from assessments import addenda, grid
from assessments.domain.tables import TestRow
from assessments.editions import newest, tables_of
from assessments.facts import assessment_value
from assessments.forms.assessments import AssessmentForm, TrialForm
from assessments.grid_html import cell_html, section_html
from assessments.models import Assessment, Trial
from assessments.services import answers
from assessments.services import assessments as services
from assessments.stored_answers import Stored, stored
from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import ConsentPurpose, Role, TrailAction
from clinic.forms.signatures import SignatureForm
from clinic.middleware import ACT
from clinic.models import Client, TrailEntry
from clinic.models.limits import of_my_clients
from clinic.saving import is_script, once, part
from clinic.services import consents, trail
from clinic.views.joined import led_to_kept
from exercises.editions import edition_of
from exercises.proposals import Judged, judged
from exercises.services.holds import refresh_holds

KEYS_OFF = "single_keys_off"


@dataclass(frozen=True)
class Consult:
    """One assessment with its rows, the trial in hand and what it adds up to."""

    held: Stored
    trial: Trial

    @property
    def assessment(self) -> Assessment:
        return self.held.assessment

    def judged(self) -> Judged:
        return judged(assessment_value(self.assessment), edition_of(self.assessment.edition_id))


def consult_or_404(request: StaffRequest, pk: int) -> Consult:
    assessment = get_object_or_404(services.for_consult(request.user), pk=pk)
    held = stored(assessment)
    wanted = request.POST.get("trial") or request.GET.get("trial")
    return Consult(held, held.trial(wanted))


def link(name: str, *args: Any) -> str:
    """Address of a page of another part, empty while there is none."""
    try:
        return reverse(name, args=args)
    except NoReverseMatch:
        return ""


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
@once(lambda line: reverse("assessment-open", args=[line.object_key]))
def assessment_open_new(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    led = led_to_kept(request, client)
    if led:
        return led
    latest = services.latest_assessment(client)
    form, trial_form = _new_forms(request, client, latest)
    if request.method == "POST" and all([form.is_valid(), trial_form.is_valid()]):
        try:
            assessment = services.open_assessment(
                client=client,
                by=request.user,
                trial=trial_form.settings(),
                **form.cleaned_data,
            )
            return redirect("assessment-open", assessment.pk)
        except ValidationError as error:
            form.add_error(None, error)
    context = {
        "client": client,
        "form": form,
        "trial_form": trial_form,
        "stopped": assessing_stopped(client),
    }
    context |= _basis(client, timezone.localdate())
    return render(request, "assessments/assessment_open_new.html", context)


def assessing_stopped(client: Client) -> str:
    """Why no assessment is opened, empty where it may be."""
    if consents.stopped(client, ConsentPurpose.ASSESSMENT):
        return consents.refusal_of(ConsentPurpose.ASSESSMENT)
    return ""


def _new_forms(
    request: StaffRequest, client: Client, latest: Assessment | None
) -> tuple[AssessmentForm, TrialForm]:
    today = timezone.localdate()
    first = {"kind": services.usual_kind(latest), "assessed_on": today}
    form = AssessmentForm(request.POST or None, client=client, today=today, initial=first)
    settings = services.trial_settings(latest)
    return form, TrialForm(request.POST or None, prefix="trial", initial=settings)


def _basis(client: Client, day: date) -> dict[str, Any]:
    screening = services.newest_screening(client, day)
    return {
        "history": services.newest_history(client, day),
        "screening": screening,
        "screening_days": (day - screening.screened_on).days if screening else None,
        "screening_limit": edition_of(newest().pk).screening_days,
    }


@allowed(Role.CLINICIAN)
@require_http_methods(["GET"])
def assessment_open(request: StaffRequest, pk: int) -> HttpResponse:
    consult = consult_or_404(request, pk)
    trail.record(
        TrailAction.VIEW,
        by=request.user,
        row=consult.assessment,
        client=consult.assessment.client,
    )
    return _whole_page(request, page(request, consult))


def _whole_page(request: StaffRequest, context: dict[str, Any], status: int = 200) -> HttpResponse:
    """The page with all its lines."""
    assessment, sections = context["assessment"], context["sections"]
    warned = cautions(context["judged"], sections)
    context["parts"] = [
        {
            "section": one,
            "html": section_html(
                one,
                address=reverse("assessment-answers", args=[assessment.pk]),
                editable=context["editable"],
                cautions=warned,
            ),
        }
        for one in sections
    ]
    return render(request, "assessments/assessment_open.html", context, status=status)


def page(
    request: StaffRequest,
    consult: Consult,
    saving: answers.Saving | None = None,
    keys: Iterable[str] = (),
    **more: Any,
) -> dict[str, Any]:
    """Context of the whole page, or of the sections that hold the cells of `keys`."""
    assessment, held = consult.assessment, consult.held
    shown, tables = consult.judged(), tables_of(assessment.edition_id)
    if keys:
        sections = grid.sections_of(keys, held, consult.trial, tables)
    else:
        sections = grid.sections(held, consult.trial, tables)
    if saving and saving.refused:
        sections = [_with_refused(one, saving, request.POST) for one in sections]
    return {
        "assessment": assessment,
        "client": assessment.client,
        "sections": sections,
        "trial": consult.trial,
        "trials": held.trials,
        "judged": shown,
        "narrative": _narrative(assessment),
        "editable": not services.why_fixed(assessment),
        "keys_off": request.session.get(KEYS_OFF, False),
        "programme_link": link("programme-open", assessment.pk),
        "referral_link": link("referral-new", assessment.pk),
        **_ages(assessment),
        **addenda.standing(held, tables),
        **more,
    }


def _ages(assessment: Assessment) -> dict[str, Any]:
    screening, history = assessment.screening, assessment.history
    day = assessment.assessed_on
    newer = (assessment.newest_history, assessment.newest_screening) != (  # type: ignore[attr-defined]
        assessment.history_id,
        assessment.screening_id,
    )
    return {
        "screening_days": (day - screening.screened_on).days if screening else None,
        "screening_limit": edition_of(assessment.edition_id).screening_days,
        "history_open": history is not None and assessment.history_confirmed_on is None,
        "newer_basis": newer,
    }


def _narrative(assessment: Assessment) -> list[dict[str, Any]]:
    return [
        {"name": name, "label": label, "help": text, "text": getattr(assessment, name)}
        for name, (label, text) in grid.NARRATIVE.items()
    ]


def cautions(shown: Judged, sections: Iterable[grid.Section]) -> list[str]:
    """Codes of the tests that a hold in force advises against."""
    in_force = shown.stop_codes
    return [
        line.measure.code
        for section in sections
        for line in section.lines
        if isinstance(line.measure, TestRow) and in_force & set(line.measure.stop_if)
    ]


def _with_refused(
    section: grid.Section, saving: answers.Saving, post: Mapping[str, str]
) -> grid.Section:
    typed = {one.key: one.state for one in answers.typed_answers(post)}
    lines = tuple(
        replace(
            line,
            cells=tuple(
                grid.with_errors(
                    cell,
                    typed[cell.key],
                    saving.refused[cell.key],
                    overtaken=cell.key in saving.overtaken,
                )
                if cell.key in saving.refused
                else cell
                for cell in line.cells
            ),
        )
        for line in section.lines
    )
    return replace(section, lines=lines)


@allowed(Role.CLINICIAN)
@require_http_methods(["POST"])
def assessment_answers(request: StaffRequest, pk: int) -> HttpResponse:
    # asked before the rows are read: an act that is stored between the two is then seen by both
    done = trail.earlier(ACT.get(), request.user)
    consult = consult_or_404(request, pk)
    name = answers.is_words(request.POST)
    if name:
        return _words_saved(request, consult, name, done)
    if done:  # sent again, because the answer to it got lost
        return _part(request, consult, answers.Saving())
    saving = _answers_saved(request, consult)
    if saving.raced:
        done = trail.earlier(ACT.get(), request.user)
        consult = consult_or_404(request, pk)
        saving = answers.Saving() if done else _answers_saved(request, consult)
    if is_script(request):
        return _part(request, consult, saving)
    if saving.refused:
        return _whole_page(request, page(request, consult, saving), status=422)
    messages.success(request, f"Saved at {timezone.localtime():%H:%M:%S}.")
    return redirect(_back(consult, request.POST.get("area", "")))


def _answers_saved(request: StaffRequest, consult: Consult) -> answers.Saving:
    return answers.save_answers(
        held=consult.held,
        trial=consult.trial,
        typed=answers.typed_answers(request.POST),
        by=request.user,
        tables=tables_of(consult.assessment.edition_id),
    )


def _back(consult: Consult, area: str) -> str:
    address = reverse("assessment-open", args=[consult.assessment.pk])
    return f"{address}?trial={consult.trial.position}#{area}"


def _part(request: StaffRequest, consult: Consult, saving: answers.Saving) -> HttpResponse:
    """The cell that was answered, and out of band what it changes elsewhere."""
    keys = answers.keys_in(request.POST)
    context = page(request, consult, saving, keys)
    context["cells"] = [
        {"cell": cell, "html": cell_html(line, cell, editable=context["editable"])}
        for section in context["sections"]
        for line in section.lines
        for cell in line.cells
        if cell.key in keys
    ]
    status = 409 if saving.overtaken else 422 if saving.refused else 200
    return part(request, "assessments/_grid_answer.html", context, status)


def _words_saved(
    request: StaffRequest, consult: Consult, name: str, done: TrailEntry | None
) -> HttpResponse:
    refused = "" if done or _taken(request, name) else _words_refused(request, consult, name)
    if refused == answers.MEANWHILE:
        done = trail.earlier(ACT.get(), request.user)
        consult = consult_or_404(request, consult.assessment.pk)
        refused = "" if done else _words_refused(request, consult, name)
    one = next(it for it in _narrative(consult.assessment) if it["name"] == name)
    if refused:
        overtaken = refused not in services.FIXED
        one |= {"error": refused, "typed": request.POST[f"w.{name}"], "overtaken": overtaken}
    else:
        one["saved"] = f"saved at {timezone.localtime(done.at if done else None):%H:%M:%S}"
    if is_script(request):
        context = {"one": one, "assessment": consult.assessment, "editable": True}
        return part(request, "assessments/_grid_words.html", context, 409 if refused else 200)
    if not refused:
        return redirect(_back(consult, "narrative"))
    context = page(request, consult)
    texts = _narrative(consult.assessment)
    context["narrative"] = [one if it["name"] == name else it for it in texts]
    return _whole_page(request, context, status=422)


def _words_refused(request: StaffRequest, consult: Consult, name: str) -> str:
    return answers.save_words(
        assessment=consult.assessment,
        by=request.user,
        name=name,
        text=request.POST[f"w.{name}"],
        seen=request.POST.get(f"w.{name}.seen", ""),
    )


def _taken(request: StaffRequest, name: str) -> bool:
    """Whether the stored text was chosen over one's own."""
    return f"w.{name}.take" in request.POST


@allowed(Role.CLINICIAN)
@require_http_methods(["POST"])
def assessment_basis(request: StaffRequest, pk: int) -> HttpResponse:
    assessment = get_object_or_404(services.for_consult(request.user), pk=pk)
    try:
        services.take_newest_basis(assessment=assessment, by=request.user)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("assessment-open", pk)


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def assessment_sign(request: StaffRequest, pk: int) -> HttpResponse:
    consult = consult_or_404(request, pk)
    form = SignatureForm(by=request.user)
    problem, status = "", 200
    if request.method == "POST":
        form, problem = _signed(request, consult)
        if form.is_bound and not form.errors and not problem:
            return redirect("assessment-open", pk)
        status = 409 if problem else 422
    context = page(request, consult, problem=problem, stamp=stamp(consult), form=form)
    context["in_charge"] = consult.assessment.clinician_id == request.user.pk
    return render(request, "assessments/assessment_sign.html", context, status=status)


def _signed(request: StaffRequest, consult: Consult) -> tuple[SignatureForm, str]:
    """The form with what is wrong in it, and what else stands in the way of signing."""
    if consult.assessment.clinician_id != request.user.pk:
        raise PermissionDenied
    form = SignatureForm(request.POST, by=request.user)
    if request.POST.get("stamp") != stamp(consult):
        again = "Something was changed after this page was opened. Read it again, then sign."
        return SignatureForm(by=request.user), again
    if form.is_valid():
        try:
            sign(consult, consult.judged(), request)
        except ValidationError as error:
            return SignatureForm(by=request.user), " ".join(error.messages)
    return form, ""


@transaction.atomic
def sign(consult: Consult, shown: Judged, request: StaffRequest) -> None:
    """Fix the assessment and keep the client's holds in step with what it says."""
    assessment = consult.assessment
    services.sign_assessment(
        assessment=assessment, findings=shown.proposal.findings, by=request.user
    )
    refresh_holds(
        client=assessment.client,
        proposal=shown.proposal,
        edition=edition_of(assessment.edition_id),
        on=assessment.assessed_on,
        by=request.user,
    )


def stamp(consult: Consult) -> str:
    """Changes whenever anything that a signature fixes changes."""
    rows = sorted((*key, str(row.version)) for key, row in consult.held.rows.items())
    trials = [(one.pk, one.version) for one in consult.held.trials]
    text = repr((consult.assessment.version, trials, rows))
    return sha256(text.encode()).hexdigest()[:16]


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def trial_new(request: StaffRequest, pk: int) -> HttpResponse:
    consult = consult_or_404(request, pk)
    settings = {name: getattr(consult.trial, name) for name in services.TRIAL_FIELDS}
    form = TrialForm(request.POST or None, initial=settings)
    if form.is_valid():
        try:
            trial = services.add_trial(
                assessment=consult.assessment, by=request.user, **form.settings()
            )
            return redirect(_at(trial))
        except ValidationError as error:
            form.add_error(None, error)
    return _trial_page(request, consult.assessment, form, None)


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def trial_edit(request: StaffRequest, pk: int) -> HttpResponse:
    mine = of_my_clients(Trial.objects.all(), request.user, "assessment__client__")
    trial = get_object_or_404(
        mine.select_related("assessment__client__site", "assessment__retraction"), pk=pk
    )
    form = TrialForm(request.POST or None, instance=trial)
    if form.is_valid():
        try:
            services.edit_trial(
                trial=trial,
                by=request.user,
                seen=form.cleaned_data["seen"] or 0,
                **form.settings(),
            )
            return redirect(_at(trial))
        except ValidationError as error:
            form.add_error(None, error)
    return _trial_page(request, trial.assessment, form, trial)


def _at(trial: Trial) -> str:
    address = reverse("assessment-open", args=[trial.assessment_id])
    return f"{address}?trial={trial.position}"


def _trial_page(
    request: StaffRequest, assessment: Assessment, form: TrialForm, trial: Trial | None
) -> HttpResponse:
    context = {
        "assessment": assessment,
        "client": assessment.client,
        "form": form,
        "trial": trial,
    }
    in_place = request.htmx and request.method == "GET"  # type: ignore[attr-defined]
    name = "assessments/_trial_form.html" if in_place else "assessments/assessment_trial.html"
    response = render(request, name, context, status=422 if form.errors else 200)
    patch_vary_headers(response, ["HX-Request"])
    return response


@allowed(Role.CLINICIAN)
@require_http_methods(["POST"])
def keys_set(request: StaffRequest) -> HttpResponse:
    """Single keys on or off, for as long as this person is signed in (WCAG 2.1.4)."""
    request.session[KEYS_OFF] = request.POST.get("keys") != "on"
    return HttpResponse(status=204)
