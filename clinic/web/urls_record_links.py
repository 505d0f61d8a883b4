"""Addresses of joining two records of one person, and of parting them."""

from django.urls import path

from clinic.web.views import record_links as views

urlpatterns = [
    path("clients/<int:pk>/join/", views.record_join, name="record-join"),
    path("links/<int:pk>/part/", views.record_part, name="record-part"),
]
