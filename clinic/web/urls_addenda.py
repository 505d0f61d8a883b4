"""Addresses of addenda and versions of a signed assessment."""

from django.urls import path

from clinic.web.views import addenda

urlpatterns = [
    path("assessments/<int:pk>/addenda/new/", addenda.addendum_new, name="addendum-new"),
    path(
        "assessments/<int:pk>/versions/<int:number>/",
        addenda.addendum_version,
        name="addendum-version",
    ),
]
