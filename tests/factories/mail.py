"""A way of sending mail that never works."""

from django.core.mail.backends.base import BaseEmailBackend


class Broken(BaseEmailBackend):
    def send_messages(self, email_messages):
        raise ConnectionRefusedError("nobody listens")
