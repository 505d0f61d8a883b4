"""What a form held whose sending failed: shown again, to be sent again or copied.

A browser does not keep the fields of a page that must not be stored, so going back may lose them.
"""

from typing import NamedTuple

from django.http import HttpRequest, HttpResponse
from django.middleware.csrf import CsrfViewMiddleware, get_token

LARGEST = 200_000  # signs in all; more is not drawn again
# never drawn: what opens something
SECRET_WORDS = ("password", "code", "secret", "token", "credential")


class Typed(NamedTuple):
    """Address, permission and fields of what is sent again."""

    to: str
    token: str
    fields: list[tuple[str, str]]

    @property
    def shown(self) -> list[tuple[str, str]]:
        """Name in words and text of what a person typed or chose."""
        return [
            (name.replace("_", " "), value)
            for name, value in self.fields
            if value.strip() and name != "act" and not name.startswith("was.")
        ]


def typed_of(request: HttpRequest) -> Typed | None:
    """What the request would send again; None if there is nothing that may be."""
    if request.method != "POST" or request.path_info.startswith("/accounts/"):
        return None
    if request.FILES or not _is_own(request):
        return None
    fields = [
        (name, str(value))
        for name, values in request.POST.lists()
        if name != "csrfmiddlewaretoken" and not any(it in name.lower() for it in SECRET_WORDS)
        for value in values
    ]
    if sum(len(value) for _, value in fields) > LARGEST:
        return None
    # one slash alone: an address that begins with two names another host
    return Typed("/" + request.get_full_path().lstrip("/"), get_token(request), fields)


def _is_own(request: HttpRequest) -> bool:
    """Whether a page of ours sent it: the failure may have come before that was looked at."""
    check = CsrfViewMiddleware(_nothing)
    check.process_request(request)
    refusal: HttpResponse | None = check.process_view(request, _nothing, (), {})
    return refusal is None


def _nothing(_: HttpRequest) -> HttpResponse:
    return HttpResponse()
