"""Addresses of the whole site; each part has a module of its own."""

from django.urls import include, path

PARTS = [
    "clinic.web.urls_health",
    "clinic.web.urls_today",
    "clinic.urls.saving",
    "clinic.urls.sign_ins",
    "clinic.urls.staff",
    "clinic.urls.people",
    "clinic.urls.limits",
    "clinic.urls.diary",
    "clinic.urls.trail",
    "clinic.web.urls_record",
    "clinic.web.urls_histories",
    "clinic.web.urls_screenings",
    "clinic.web.urls_consult",
    "clinic.web.urls_addenda",
    "clinic.web.urls_record_links",
    "clinic.web.urls_record_requests",
    "clinic.web.urls_retention",
    "clinic.web.urls_programme",
    "clinic.web.urls_papers",
    "clinic.web.urls_exchange",
    "exercises.urls",
]

urlpatterns = [
    *(path("", include(part)) for part in PARTS),
    path("accounts/", include("allauth.urls")),
]

handler400 = "clinic.web.views.errors.bad_request"
handler403 = "clinic.web.views.errors.not_allowed"
handler404 = "clinic.web.views.errors.not_found"
handler500 = "clinic.web.views.errors.failed"
