"""Addresses of the library and of the policy points."""

from django.urls import path

from exercises.views import library, policies

urlpatterns = [
    path("library/", library.library_open, name="library-open"),
    path("library/", library.library_open, name="library"),  # its place in the site strip
    path("library/policy/", policies.policy_open, name="policy-open"),
    path("library/policy/<slug:code>/", policies.policy_confirm, name="policy-confirm"),
    path("library/<slug:code>/", library.exercise_open, name="exercise-open"),
]
