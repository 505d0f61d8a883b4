"""An assessment that does not count: retracted, with the papers that rest on it named."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from assessments.forms.retractions import RetractionForm
from assessments.models import Assessment
from assessments.services.assessments import RETRACTED, for_consult
from assessments.services.retractions import retract_assessment
from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role
from clinic.forms.people import show_refusal
from clinic.models import Paper
from clinic.saving import once
from clinic.web.resting import handout_about, letters_about
from exercises.models import Programme


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
@once(lambda line: reverse("assessment-open", args=[line.detail["assessment"]]))
def assessment_retract(request: StaffRequest, pk: int) -> HttpResponse:
    assessment = get_object_or_404(for_consult(request.user), pk=pk)
    if assessment.is_retracted:
        messages.error(request, RETRACTED)
        return redirect("assessment-open", pk)
    form = RetractionForm(request.POST or None, by=request.user)
    if request.method == "POST" and form.is_valid():
        try:
            retract_assessment(assessment=assessment, by=request.user, **form.given())
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "The assessment is retracted: it does not count any more.")
            return redirect("client-open", assessment.client_id)
    context = {
        "assessment": assessment,
        "client": assessment.client,
        "form": form,
        "papers": papers_of(assessment),
    }
    status = 422 if form.is_bound else 200
    return render(request, "assessments/assessment_retract.html", context, status=status)


def papers_of(assessment: Assessment) -> list[Paper]:
    """Letters and handouts that were written from an assessment, the newest first."""
    resting = Q(about__startswith=letters_about(assessment))
    programme = Programme.objects.filter(assessment=assessment).first()
    if programme:
        resting |= Q(about=handout_about(programme))
    return list(assessment.client.papers.for_listing().filter(resting))
