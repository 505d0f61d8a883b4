"""Addresses of the assessment page."""

from django.urls import path

from clinic.web.views import consult, measuring

urlpatterns = [
    path(
        "clients/<int:pk>/assessments/new/",
        consult.assessment_open_new,
        name="assessment-open-new",
    ),
    path("assessments/<int:pk>/", consult.assessment_open, name="assessment-open"),
    path("assessments/<int:pk>/answers/", consult.assessment_answers, name="assessment-answers"),
    path("assessments/<int:pk>/basis/", consult.assessment_basis, name="assessment-basis"),
    path("assessments/<int:pk>/sign/", consult.assessment_sign, name="assessment-sign"),
    path("assessments/<int:pk>/trials/new/", consult.trial_new, name="trial-new"),
    path("trials/<int:pk>/edit/", consult.trial_edit, name="trial-edit"),
    path("trials/<int:pk>/measure/", measuring.trial_measure, name="trial-measure"),
    path("keys/", consult.keys_set, name="keys-set"),
]
