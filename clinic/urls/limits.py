"""Addresses of restricted records, teams and emergency openings."""

from django.urls import path

from clinic.views import emergencies, restrictions, teams

urlpatterns = [
    path("clients/<int:pk>/restriction/", restrictions.restriction_open, name="restriction-open"),
    path(
        "clients/<int:pk>/restriction/end/", restrictions.restriction_end, name="restriction-end"
    ),
    path(
        "restriction-ends/<int:pk>/seen/", restrictions.restriction_seen, name="restriction-seen"
    ),
    path(
        "restrictions/<int:pk>/owner/",
        restrictions.restriction_hand_on,
        name="restriction-hand-on",
    ),
    path("teams/", teams.team_list, name="team-list"),
    path("sites/<int:pk>/teams/new/", teams.team_new, name="team-new"),
    path("teams/<int:pk>/", teams.team_open, name="team-open"),
    path("teams/<int:pk>/close/", teams.team_close, name="team-close"),
    path("emergency/", emergencies.emergency_open, name="emergency-open"),
    path("emergency/<int:pk>/end/", emergencies.emergency_end, name="emergency-end"),
    path("openings/", emergencies.emergency_list, name="emergency-list"),
    path("openings/<int:pk>/seen/", emergencies.emergency_seen, name="emergency-seen"),
]
