"""Addresses of how long records are kept, of legal holds and of destruction."""

from django.urls import path

from clinic.web.views import destructions, retention

urlpatterns = [
    path("retention/", retention.retention_list, name="retention-list"),
    path("clients/<int:pk>/retention/", retention.retention_open, name="retention-open"),
    path("clients/<int:pk>/retention/hold/", retention.legal_hold_new, name="legal-hold-new"),
    path("legal-holds/<int:pk>/end/", retention.legal_hold_end, name="legal-hold-end"),
    path(
        "clients/<int:pk>/retention/review/", retention.retention_review, name="retention-review"
    ),
    path("clients/<int:pk>/retention/keep/", retention.retention_keep, name="retention-keep"),
    path("clients/<int:pk>/retention/refuse/", retention.erasure_refuse, name="erasure-refuse"),
    path("destructions/<int:pk>/", destructions.destruction_open, name="destruction-open"),
    path("destructions/<int:pk>/keep/", destructions.destruction_keep, name="destruction-keep"),
    path(
        "destructions/<int:pk>/confirm/",
        destructions.destruction_confirm,
        name="destruction-confirm",
    ),
]
