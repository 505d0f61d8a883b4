"""Addresses of the running history."""

from django.urls import path

from clinic.web.views import histories

urlpatterns = [path("clients/<int:pk>/history/", histories.history_open, name="history-open")]
