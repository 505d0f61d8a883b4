"""Addresses of the screening."""

from django.urls import path

from clinic.web.views import screenings

urlpatterns = [
    path("clients/<int:pk>/screening/", screenings.screening_open, name="screening-open"),
    path("screening-answers/<int:pk>/lift/", screenings.screening_lift, name="screening-lift"),
]
