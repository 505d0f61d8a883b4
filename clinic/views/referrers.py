"""Correcting a doctor or referrer; adding one is a step of the forms that name one."""

import json
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from clinic.access import STAFF, StaffRequest, allowed
from clinic.forms.people import ReferrerEditForm, show_refusal
from clinic.models import Referrer
from clinic.services.referrers import change_referrer


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(*STAFF)
def referrer_edit(request: StaffRequest, pk: int) -> HttpResponse:
    referrer = get_object_or_404(Referrer.objects.filter(site__staff=request.user), pk=pk)
    values = {name: getattr(referrer, name) for name in ReferrerEditForm.Meta.fields}
    first = values | {"seen": json.dumps(values)}
    form = ReferrerEditForm(request.POST or None, instance=referrer, initial=first)
    if form.is_valid():
        seen: dict[str, Any] = form.cleaned_data["seen"]
        try:
            change_referrer(referrer=referrer, seen=seen, by=request.user, **form.said())
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "Saved. Letters that are written stay as they are.")
            return redirect("referrer-edit", pk)
    return render(request, "clinic/referrer_edit.html", {"form": form, "name": values["name"]})
