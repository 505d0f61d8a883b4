"""Who may open what. Roles are sign-in groups; every page names the roles that may open it."""

from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404

from clinic.domain.vocabulary import Role
from clinic.models import Client, Staff


class StaffRequest(HttpRequest):
    """A request of a signed-in member of staff."""

    user: Staff


View = Callable[Concatenate[StaffRequest, ...], HttpResponse]
EVERYBODY = frozenset(Role)
# everybody but the auditor, who looks and changes nothing
STAFF = EVERYBODY - {Role.AUDITOR}


def allowed(*roles: Role) -> Callable[[View], View]:
    """Only people with one of these roles get in; the roles stay readable on the view."""

    def decorate(view: View) -> View:
        @wraps(view)
        def guarded(request: StaffRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if not request.user.roles & guarded.roles:  # type: ignore[attr-defined]
                raise PermissionDenied
            return view(request, *args, **kwargs)

        guarded.roles = frozenset(roles)  # type: ignore[attr-defined]
        return guarded

    return decorate


def client_or_404(staff: Staff, pk: int) -> Client:
    """A client of this person's sites; the same answer for "not yours" and "does not exist"."""
    return get_object_or_404(Client.objects.for_staff(staff).for_record(), pk=pk)
