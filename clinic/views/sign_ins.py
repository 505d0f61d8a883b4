"""How long a sign-in lasts, for the page that warns before its end; the list of those open."""

from allauth.mfa.adapter import get_adapter
from allauth.mfa.models import Authenticator
from allauth.mfa.webauthn.views import remove_webauthn
from django.contrib import messages
from django.http import HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clinic.access import EVERYBODY, StaffRequest, allowed
from clinic.services.sign_ins import end_sign_ins, standing
from clinic.time_limits import left, passive
from clinic.unsent import person_of


def told(request: StaffRequest) -> HttpResponse:
    """Seconds left, whose sign-in it is, and the present token against forged requests."""
    seconds = left(request.session)
    person, token = person_of(request.user), get_token(request)
    return JsonResponse(seconds._asdict() | {"person": person, "token": token})


@passive
@allowed(*EVERYBODY)
@require_safe
def sign_in_left(request: StaffRequest) -> HttpResponse:
    return told(request)


@allowed(*EVERYBODY)
@require_POST
def sign_in_extend(request: StaffRequest) -> HttpResponse:
    """A person is at the page; the request itself is the use that counts."""
    return told(request)


@allowed(*EVERYBODY)
@require_safe
def own_email(request: StaffRequest) -> HttpResponse:
    """E-mail addresses belong to the account, which the manager keeps."""
    messages.info(request, "Your e-mail address is changed by the clinic’s manager.")
    return redirect("mfa_index")


@allowed(*EVERYBODY)
@require_http_methods(["GET", "HEAD", "POST"])
def key_remove(request: StaffRequest, pk: int) -> HttpResponse:
    """The package's page, but for the last factor of somebody who has not just shown it."""
    keys = Authenticator.objects.filter(user=request.user, type=Authenticator.Type.WEBAUTHN)
    key = keys.filter(pk=pk).first()
    if key is None:
        return redirect("mfa_list_webauthn")
    adapter = get_adapter()
    if not adapter.can_delete_authenticator(key):
        messages.error(request, adapter.error_messages["cannot_delete_authenticator"])
        return redirect("mfa_list_webauthn")
    answer: HttpResponse = remove_webauthn(request, pk=pk)
    return answer


@allowed(*EVERYBODY)
@require_safe
def sign_in_list(request: StaffRequest) -> HttpResponse:
    """Where this person is signed in."""
    found = standing(request.user)
    return render(
        request,
        "clinic/sign_in_list.html",
        {"sign_ins": found, "here": request.session.session_key},
    )


@allowed(*EVERYBODY)
@require_POST
def sign_in_end(request: StaffRequest) -> HttpResponse:
    """End one of one's own sign-ins, or all but this one."""
    number = request.POST.get("number", "")
    ended = end_sign_ins(
        staff=request.user,
        by=request.user,
        keep=request.session.session_key or "",
        only=int(number) if number.isascii() and number.isdigit() else None,
    )
    several = "" if ended == 1 else "s"
    messages.success(request, f"{ended} sign-in{several} ended." if ended else "None was left.")
    return redirect("sign-in-list")
