"""Addresses of clients and those around them; the record page belongs to the roof."""

from django.urls import path

from clinic.views import imports, people, referrers

urlpatterns = [
    path("clients/", people.client_list, name="client-list"),
    path("clients/new/", people.client_new, name="client-new"),
    path("clients/import/", imports.client_import, name="client-import"),
    path("clients/import/columns/", imports.client_import_columns, name="client-import-columns"),
    path("clients/import/check/", imports.client_import_check, name="client-import-check"),
    path("clients/import/report/", imports.client_import_report, name="client-import-report"),
    path("clients/<int:pk>/edit/", people.client_edit, name="client-edit"),
    path("clients/<int:pk>/consents/", people.consent_list, name="consent-list"),
    path("clients/<int:pk>/consents/<slug:purpose>/", people.consent_new, name="consent-new"),
    path("consents/<int:pk>/withdraw/", people.consent_withdraw, name="consent-withdraw"),
    path("clients/<int:pk>/alerts/new/", people.alert_new, name="alert-new"),
    path("alerts/<int:pk>/end/", people.alert_end, name="alert-end"),
    path("referrers/new/", people.referrer_new, name="referrer-new"),
    path("referrers/<int:pk>/edit/", referrers.referrer_edit, name="referrer-edit"),
]
