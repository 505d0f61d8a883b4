"""Addresses of sign-ins: how long they last, which stand, which end."""

from django.urls import path

from clinic.views import sign_ins

urlpatterns = [
    # instead of the package's page, by which people would change it without a trace
    path("accounts/email/", sign_ins.own_email, name="own-email"),
    path("accounts/2fa/webauthn/keys/<int:pk>/remove/", sign_ins.key_remove, name="key-remove"),
    path("accounts/sessions/", sign_ins.sign_in_list, name="sign-in-list"),
    path("accounts/sessions/end/", sign_ins.sign_in_end, name="sign-in-end"),
    path("sign-in/left/", sign_ins.sign_in_left, name="sign-in-left"),
    path("sign-in/extend/", sign_ins.sign_in_extend, name="sign-in-extend"),
]
