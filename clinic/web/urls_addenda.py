"""Addresses of what follows an assessment: addenda, versions, its retraction."""

from django.urls import path

from clinic.web.views import addenda, retractions

urlpatterns = [
    path(
        "assessments/<int:pk>/retract/",
        retractions.assessment_retract,
        name="assessment-retract",
    ),
    path("assessments/<int:pk>/addenda/new/", addenda.addendum_new, name="addendum-new"),
    path(
        "assessments/<int:pk>/versions/<int:number>/",
        addenda.addendum_version,
        name="addendum-version",
    ),
]
