"""Addresses of requests about the record."""

from django.urls import path

from clinic.web.views import record_requests as views

urlpatterns = [
    path("requests/", views.record_request_list, name="record-request-list"),
    path("clients/<int:pk>/requests/new/", views.record_request_new, name="record-request-new"),
    path("requests/<int:pk>/", views.record_request_open, name="record-request-open"),
    path("requests/<int:pk>/answer/", views.record_request_answer, name="record-request-answer"),
    path(
        "requests/<int:pk>/steps/<slug:step>/",
        views.record_request_step,
        name="record-request-step",
    ),
]
