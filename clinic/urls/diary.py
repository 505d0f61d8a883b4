"""Addresses of the diary, of appointments and of the due list."""

from django.urls import path

from clinic.views import (
    booking,
    calendars,
    diary,
    diary_import,
    diary_missed,
    diary_rooms,
    due,
    hours,
    waiting_list,
)

urlpatterns = [
    path("diary/", diary.diary_day, name="diary"),
    path("diary/week/", diary.diary_week, name="diary-week"),
    path("diary/rooms/", diary_rooms.diary_rooms, name="diary-rooms"),
    path("diary/rooms/week/", diary_rooms.diary_rooms_week, name="diary-rooms-week"),
    path("diary/missed/", diary_missed.diary_missed, name="diary-missed"),
    path("diary/import/", diary_import.diary_import_new, name="diary-import"),
    path("clients/<int:pk>/book/", booking.appointment_find, name="appointment-find"),
    path("clients/<int:pk>/book/keep/", booking.time_keep, name="time-keep"),
    path("clients/<int:pk>/book/let-go/", booking.time_let_go, name="time-let-go"),
    path("appointments/<int:pk>/", booking.appointment_open, name="appointment-open"),
    path("appointments/<int:pk>/move/", booking.appointment_move, name="appointment-move"),
    path("appointments/<int:pk>/cancel/", booking.appointment_cancel, name="appointment-cancel"),
    path(
        "appointments/<int:pk>/state/<slug:act>/",
        booking.appointment_state,
        name="appointment-state",
    ),
    path("waiting/", waiting_list.waiting_open, name="waiting-list"),
    path("clients/<int:pk>/wait/", waiting_list.waiting_new, name="waiting-new"),
    path("waiting/<int:pk>/end/", waiting_list.waiting_end, name="waiting-end"),
    path("hours/", hours.hours_open, name="hours-open"),
    path("hours/weeks/<int:pk>/", hours.hours_weekly, name="hours-weekly"),
    path("hours/changes/new/", hours.hours_change_new, name="hours-change-new"),
    path("hours/changes/<int:pk>/remove/", hours.hours_change_remove, name="hours-change-remove"),
    path("hours/kinds/<int:pk>/", hours.kind_edit, name="kind-edit"),
    path("due/", due.due_list, name="due-list"),
    path("due/letters/", due.due_letters, name="due-letters"),
    path("due/<int:pk>/remind/", due.due_remind, name="due-remind"),
    path("due/<int:pk>/reopen/", due.due_reopen, name="due-reopen"),
    path("clients/<int:pk>/due/", due.due_edit, name="due-edit"),
    path(
        "appointments/<int:pk>/calendar/",
        calendars.appointment_calendar,
        name="appointment-calendar",
    ),
    path("appointments/<int:pk>/send/", calendars.appointment_send, name="appointment-send"),
    path("calendar/", calendars.calendar_open, name="calendar-open"),
    path("calendars/<str:secret>/", calendars.calendar_feed, name="calendar-feed"),
    path("due/<int:pk>/close/", due.due_close, name="due-close"),
]
