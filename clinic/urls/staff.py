"""Addresses of accounts, invitations, sites and rooms."""

from django.urls import path

from clinic.views import sites, staff

urlpatterns = [
    path("staff/", staff.staff_list, name="staff-list"),
    path("staff/new/", staff.staff_new, name="staff-new"),
    path("staff/<int:pk>/", staff.staff_open, name="staff-open"),
    path("staff/<int:pk>/link/", staff.staff_link, name="staff-link"),
    path("staff/<int:pk>/close/", staff.staff_close, name="staff-close"),
    path("staff/<int:pk>/reopen/", staff.staff_reopen, name="staff-reopen"),
    path("staff/<int:pk>/factor/", staff.staff_factor, name="staff-factor"),
    path("staff/<int:pk>/sign-out/", staff.staff_sign_out, name="staff-sign-out"),
    path("invitations/<str:token>/", staff.invitation_open, name="invitation-open"),
    path("sites/", sites.site_list, name="site-list"),
    path("sites/new/", sites.site_new, name="site-new"),
    path("sites/<int:pk>/", sites.site_open, name="site-open"),
    path("sites/<int:pk>/rooms/new/", sites.room_new, name="room-new"),
    path("rooms/<int:pk>/", sites.room_edit, name="room-edit"),
]
