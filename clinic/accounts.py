"""Accounts are opened by the clinic's manager; nobody signs themselves up."""

from allauth.account.adapter import DefaultAccountAdapter
from django.http import HttpRequest


class ClosedAccounts(DefaultAccountAdapter):
    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False
