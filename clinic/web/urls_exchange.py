"""Addresses of exports."""

from django.urls import path

from clinic.web.views import copies, exports

urlpatterns = [
    path("clients/<int:pk>/export/", exports.client_export, name="client-export"),
    path("clients/<int:pk>/copy/", copies.client_copy, name="client-copy"),
    path("export/", exports.period_export, name="period-export"),
]
