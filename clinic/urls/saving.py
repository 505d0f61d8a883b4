"""Addresses that pages ask while they save what is typed."""

from django.urls import path

from clinic.views import saving

urlpatterns = [
    path("pages/opened/", saving.page_opened, name="page-opened"),
    path("pages/closed/", saving.page_closed, name="page-closed"),
    path("pages/unsent/", saving.unsent_pages, name="unsent-pages"),
]
