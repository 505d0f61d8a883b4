"""Addresses of the trail."""

from django.urls import path

from clinic.views import trail

urlpatterns = [
    path("trail/", trail.trail_list, name="trail-list"),
    path("clients/<int:pk>/trail/", trail.client_trail, name="client-trail"),
]
