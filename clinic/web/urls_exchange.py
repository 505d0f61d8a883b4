"""Addresses of exports."""

from django.urls import path

from clinic.web.views import exports

urlpatterns = [
    path("clients/<int:pk>/export/", exports.client_export, name="client-export"),
    path("export/", exports.period_export, name="period-export"),
]
