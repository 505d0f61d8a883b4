"""Addresses of the diary, of appointments and of the due list."""

from django.urls import path

from clinic.views import diary

urlpatterns = [
    path("diary/", diary.diary_day, name="diary"),
    path("diary/week/", diary.diary_week, name="diary-week"),
    path("clients/<int:pk>/book/", diary.appointment_find, name="appointment-find"),
    path("appointments/<int:pk>/", diary.appointment_open, name="appointment-open"),
    path("appointments/<int:pk>/move/", diary.appointment_move, name="appointment-move"),
    path("appointments/<int:pk>/cancel/", diary.appointment_cancel, name="appointment-cancel"),
    path(
        "appointments/<int:pk>/state/<slug:act>/",
        diary.appointment_state,
        name="appointment-state",
    ),
    path("due/", diary.due_list, name="due-list"),
    path("due/<int:pk>/close/", diary.due_close, name="due-close"),
]
