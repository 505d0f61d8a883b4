"""Addresses of sign-ins: how long they last."""

from django.urls import path

from clinic.views import sign_ins

urlpatterns = [
    path("sign-in/left/", sign_ins.sign_in_left, name="sign-in-left"),
    path("sign-in/extend/", sign_ins.sign_in_extend, name="sign-in-extend"),
]
