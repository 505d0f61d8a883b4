"""What every page gets beside its own context."""

from typing import Any

from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from clinic.domain.vocabulary import Role
from exercises.policies import line_in_force

# pages that show findings, programmes or papers; all others ask nothing for the line
MODULES = (
    "assessments.views.",
    "exercises.views.",
    "clinic.web.views.consult",
    "clinic.web.views.programme",
    "clinic.web.views.letter",
    "clinic.web.views.handout",
    "clinic.web.views.paper",
)
READERS = frozenset({Role.CLINICIAN, Role.MANAGER, Role.AUDITOR})


def page(request: HttpRequest) -> dict[str, Any]:
    """The line of an edition that is not confirmed, asked for only where a page prints it."""
    return {"edition_line": SimpleLazyObject(lambda: _edition_line(request))}


def _edition_line(request: HttpRequest) -> str:
    match = request.resolver_match
    if match is None or not match.func.__module__.startswith(MODULES):
        return ""
    roles: frozenset[Role] = getattr(request.user, "roles", frozenset())
    return line_in_force() if roles & READERS else ""
