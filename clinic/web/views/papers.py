"""Letters and other papers: drafting, editing, signing, printing, sending, new versions."""

from http import HTTPStatus
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse, HttpResponseBadRequest
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from assessments.models import Assessment
from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.letter import Addressee, Letter
from clinic.domain.vocabulary import PaperKind, Role, TrailAction
from clinic.forms.people import show_refusal
from clinic.forms.signatures import SignatureForm
from clinic.middleware import ACT
from clinic.models import Paper, Staff
from clinic.models.limits import of_my_clients
from clinic.saving import is_script, part
from clinic.services import papers, trail
from clinic.services.people import StaleError
from clinic.web import letters
from clinic.web.forms.letters import LetterNewForm, ReferralNewForm, SendForm
from clinic.web.letter_parts import referral_notes
from clinic.web.letter_saving import Saving, save_parts, shown
from clinic.web.letter_signing import missing_parts, sign_letter
from clinic.web.paper_kinds import drawn_of, pdf_of, value_of
from clinic.web.resting import NOT_USED, is_retracted, letters_about, with_rest
from exercises.policies import edition_line

LETTERS = (PaperKind.LETTER.value, PaperKind.REFERRAL.value)


def paper_or_404(staff: Staff, pk: int) -> Paper:
    """A paper of a record that this person may open, without its bytes."""
    mine = of_my_clients(Paper.objects.without_bytes(), staff)
    return get_object_or_404(
        with_rest(mine).select_related("client__site", "client__doctor", "signed_by", "replaces"),
        pk=pk,
    )


# Drafting


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def letter_new(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    form = LetterNewForm(request.POST or None, client=client)
    if form.is_valid():
        assessment = _assessment_or_404(request.user, form.cleaned_data["assessment"].pk)
        kind = PaperKind(form.cleaned_data["kind"])
        return _drafted(request, assessment, kind, form.addressee, form.cleaned_data["to"])
    return render(request, "clinic/letter_new.html", {"client": client, "form": form})


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def referral_new(request: StaffRequest, pk: int) -> HttpResponse:
    assessment = _assessment_or_404(request.user, pk)
    judged = letters.judged_of(assessment)
    form = ReferralNewForm(request.POST or None, client=assessment.client)
    if form.is_valid():
        to = form.addressee
        return _drafted(request, assessment, PaperKind.REFERRAL, to, form.cleaned_data["to"])
    context = {
        "client": assessment.client,
        "assessment": assessment,
        "form": form,
        "notes": referral_notes(judged),
    }
    return render(request, "clinic/letter_referral_new.html", context)


def _assessment_or_404(staff: Staff, pk: int) -> Assessment:
    mine = of_my_clients(Assessment.objects.standing().for_page(), staff)
    return get_object_or_404(mine, pk=pk)


def _drafted(
    request: StaffRequest,
    assessment: Assessment,
    kind: PaperKind,
    to: Addressee | None,
    reader: str,
) -> HttpResponse:
    """Draft the paper and open it; what is there already is opened and left as it is."""
    about = f"{letters_about(assessment)}{reader}"
    same = assessment.client.papers.without_bytes().filter(kind=kind.value, about=about)
    there = same.order_by("-version").first()
    if there is not None:
        messages.info(request, "This letter is there already.")
        return redirect("paper-open", there.pk)
    letter = _collected(assessment, kind, to, request.user)
    paper = papers.draft_paper(
        client=assessment.client,
        kind=kind,
        about=about,
        title=f"{letter.title} to {letter.to.name}" if letter.to.name else letter.title,
        dated=letter.head.dated,
        content=letter.to_json(),
        by=request.user,
    )
    return redirect("paper-open", paper.pk)


def _collected(assessment: Assessment, kind: PaperKind, to: Addressee | None, by: Staff) -> Letter:
    line = edition_line(assessment.edition_id)
    if kind is PaperKind.REFERRAL or to is None:
        return letters.collect_referral(assessment, to, by, edition_line=line)
    return letters.collect_letter(assessment, to, by, edition_line=line)


# One paper


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def paper_open(request: StaffRequest, pk: int) -> HttpResponse:
    paper = paper_or_404(request.user, pk)
    if request.method == "POST":
        return _saved(request, paper)
    trail.record(TrailAction.VIEW, by=request.user, row=paper, client=paper.client)
    return _page(request, paper)


def _saved(request: StaffRequest, paper: Paper) -> HttpResponse:
    if paper.kind not in LETTERS or (paper.is_signed and not is_script(request)):
        messages.error(request, papers.SIGNED_ALREADY)
        return redirect("paper-open", paper.pk)
    done = trail.earlier(ACT.get(), request.user)
    try:
        # sent again, because the answer to it got lost: nothing is saved twice
        saving = (
            shown(paper)
            if done
            else save_parts(paper=paper, post=request.POST.dict(), by=request.user)
        )
    except ValidationError as refusal:  # what the form lets through and the model does not
        return HttpResponseBadRequest(" ".join(refusal.messages))
    saving.paper.client = paper.client
    if is_script(request):
        return _part(request, saving)
    if saving.status == HTTPStatus.OK:
        messages.success(request, "Saved.")
        return redirect("paper-open", paper.pk)
    return _page(request, paper_or_404(request.user, paper.pk), saving)


def _part(request: StaffRequest, saving: Saving) -> HttpResponse:
    """The part that was typed, and out of band the letter as it reads now."""
    sent = [one for one in saving.parts() if one.name in request.POST]
    if len(sent) != 1:
        return HttpResponseBadRequest("Send one part.")
    letter = Letter.from_json(saving.paper.content)
    context = {
        "client": saving.paper.client,
        "row": saving.paper,
        "paper": letter,
        "drawn": drawn_of(letter),
        "missing": missing_parts(letter),
        "one": sent[0],
        "now": timezone.localtime() if saving.status == HTTPStatus.OK else None,
        "replace": True,
    }
    return part(request, "clinic/_letter_saved.html", context, saving.status)


def _page(
    request: StaffRequest,
    paper: Paper,
    saving: Saving | None = None,
    *,
    status: int = 200,
    **more: Any,
) -> HttpResponse:
    value = value_of(paper)
    editable = not paper.is_signed and isinstance(value, Letter)
    if saving:
        status = saving.status
    elif editable:
        saving = shown(paper)
    context = {
        "client": paper.client,
        "row": paper,
        "paper": value,
        "drawn": drawn_of(value),
        "form": saving.form if saving else None,
        "parts": saving.parts() if saving and editable else (),
        "overtaken": saving.overtaken if saving else (),
        "editable": editable,
        "signature": SignatureForm(by=request.user) if editable else None,
        "missing": missing_parts(value) if isinstance(value, Letter) else (),
        "sendings": paper.sendings.select_related("sent_by") if paper.is_signed else (),
        "sending_stopped": papers.sending_stopped(paper) if paper.is_signed else "",
        "send_form": SendForm() if paper.is_signed else None,
        "replaced_by": Paper.objects.without_bytes().filter(replaces=paper).first(),
        **more,
    }
    return render(request, "clinic/paper_open.html", context, status=status)


@allowed(Role.CLINICIAN)
@require_POST
def paper_sign(request: StaffRequest, pk: int) -> HttpResponse:
    paper = paper_or_404(request.user, pk)
    if paper.kind not in LETTERS:
        messages.error(request, "This paper is signed where it is issued.")
        return redirect("paper-open", paper.pk)
    if request.POST.get("edits") != str(paper.edits):
        messages.error(request, "The letter was changed after you opened it: read it again.")
        return redirect("paper-open", paper.pk)
    signature = SignatureForm(request.POST, by=request.user)
    if not signature.is_valid():
        return _page(request, paper, status=422, signature=signature)
    try:
        sign_letter(paper=paper, by=request.user)
    except StaleError:
        messages.error(request, "The letter was changed in this moment: read it again.")
    except ValidationError as refusal:
        for sentence in refusal.messages:
            messages.error(request, sentence)
    else:
        messages.success(request, "Signed. The PDF is kept as it is now.")
    return redirect("paper-open", paper.pk)


@allowed(Role.CLINICIAN, Role.AUDITOR)
@require_safe
def paper_pdf(request: StaffRequest, pk: int) -> HttpResponse:
    paper = paper_or_404(request.user, pk)
    try:
        pdf = pdf_of(paper)
    except ValidationError as refusal:
        messages.error(request, refusal.messages[0])
        return redirect("paper-open", paper.pk)
    trail.record(TrailAction.PRINT, by=request.user, row=paper, client=paper.client)
    response = HttpResponse(pdf, content_type="application/pdf")
    name = f"{paper.kind}-{paper.pk}-version-{paper.version}.pdf"
    response["Content-Disposition"] = f'inline; filename="{name}"'
    return response


@allowed(Role.CLINICIAN, Role.AUDITOR)
@require_safe
def paper_page(request: StaffRequest, pk: int) -> HttpResponse:
    paper = paper_or_404(request.user, pk)
    trail.record(TrailAction.VIEW, by=request.user, row=paper, client=paper.client)
    value = value_of(paper)
    context = {"client": paper.client, "row": paper, "paper": value, "drawn": drawn_of(value)}
    return render(request, "clinic/paper_page.html", context)


@allowed(Role.CLINICIAN)
@require_POST
def paper_send(request: StaffRequest, pk: int) -> HttpResponse:
    paper = paper_or_404(request.user, pk)
    form = SendForm(request.POST)
    if form.is_valid():
        try:
            papers.send_paper(paper=paper, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, f"Sent to {form.cleaned_data['recipient']}.")
            return redirect("paper-open", paper.pk)
    return _page(request, paper, status=422, send_form=form)


@allowed(Role.CLINICIAN)
@require_POST
def paper_version(request: StaffRequest, pk: int) -> HttpResponse:
    paper = paper_or_404(request.user, pk)
    try:
        if is_retracted(paper):
            raise ValidationError(NOT_USED)
        following = papers.new_version(paper=paper, by=request.user)
    except (ValidationError, StaleError) as refusal:
        said = getattr(refusal, "messages", ["A newer version of this paper exists."])
        messages.error(request, said[0])
        return redirect("paper-open", paper.pk)
    return redirect("paper-open", following.pk)
