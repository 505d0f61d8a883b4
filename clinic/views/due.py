"""What is due: the list, reminders, and what will not be booked."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clinic.access import STAFF, StaffRequest, allowed, client_or_404
from clinic.domain.diary import late_words
from clinic.domain.vocabulary import Channel, ReassessmentState, ReminderOutcome, Role
from clinic.forms.diary import CloseForm, DueForm
from clinic.forms.people import show_refusal
from clinic.models import Reassessment, Reminder, Site, Staff
from clinic.models.limits import of_my_clients, told_to
from clinic.services import free_times, reassessments, reminders
from clinic.services.reminders import Way, agreed_to_email, way_to
from clinic.views.joined import led_to_kept

PAGE = 50
# what the list can be narrowed to, in words
NARROWED = {
    "": "all that are open",
    "late": "late",
    Channel.TELEPHONE.value: "to telephone",
    Channel.LETTER.value: "to write to",
    Channel.EMAIL.value: "to e-mail",
    "booked": "booked",
    "closed": "declined or lost",
}
OUTCOMES = {
    (Channel.EMAIL.value, ReminderOutcome.SENT.value),
    (Channel.LETTER.value, ReminderOutcome.PRINTED.value),
    (Channel.TELEPHONE.value, ReminderOutcome.REACHED.value),
    (Channel.TELEPHONE.value, ReminderOutcome.NOT_REACHED.value),
}


@dataclass(frozen=True)
class Due:
    """One line of the list: what is due, how late, how to remind, when that was done last."""

    row: Reassessment
    late: bool
    words: str
    way: Way
    reminded: Reminder | None

    def goes_by(self, channel: str) -> bool:
        """Whether this client is reminded in this way; untold of a record that is closed."""
        return self.row.client.pk is not None and self.way.channel == channel


def _home(staff: Staff) -> Site:
    if staff.home_site is None:
        raise PermissionDenied
    return staff.home_site


@require_safe
@allowed(*STAFF)
def due_list(request: StaffRequest) -> HttpResponse:
    narrowed = request.GET.get("show", "")
    narrowed = narrowed if narrowed in NARROWED else ""
    today = reassessments.today_at(_home(request.user))
    rows = _narrowed(request.user, narrowed, today)
    # how to reach somebody follows from the record and its consents, so it is not asked in SQL
    by_channel = narrowed in set(Channel)
    found = (
        [it for it in _lines(request.user, rows, today) if it.goes_by(narrowed)]
        if by_channel
        else rows
    )
    page = Paginator(found, PAGE).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "rows": page.object_list if by_channel else _lines(request.user, page.object_list, today),
        "today": today,
        "shown": narrowed,
        "choices": NARROWED.items(),
    }
    return render(request, "clinic/due_list.html", context)


def _narrowed(staff: Staff, narrowed: str, today: date) -> Any:
    mine = Reassessment.objects.filter(site__in=staff.sites.all(), client__died_on__isnull=True)
    if narrowed == "booked":
        mine = mine.filter(state=ReassessmentState.BOOKED)
    elif narrowed == "closed":
        mine = mine.filter(state__in=[ReassessmentState.DECLINED, ReassessmentState.LOST])
    else:
        mine = mine.waiting()
    if narrowed == "late":
        mine = mine.filter(due_on__lt=today)
    return mine.for_listing().select_related("appointment")


def _lines(staff: Staff, rows: Any, today: date) -> list[Due]:
    """Everything that a line shows, in three queries."""
    found = told_to(rows, staff)
    agreed = agreed_to_email(row.client_id for row in found)
    last: dict[int, Reminder] = {}
    for reminder in Reminder.objects.filter(reassessment__in=found).order_by("made_at"):
        last[reminder.reassessment_id] = reminder
    return [
        Due(
            row,
            row.state == ReassessmentState.OPEN and row.due_on < today,
            late_words(row.due_on, today),
            way_to(row.client, agreed=row.client_id in agreed),
            last.get(row.pk),
        )
        for row in found
    ]


def _due_or_404(staff: Staff, pk: int) -> Reassessment:
    mine = of_my_clients(Reassessment.objects.all(), staff)
    return get_object_or_404(mine.select_related("client__site", "clinician"), pk=pk)


@require_POST
@allowed(*STAFF)
def due_remind(request: StaffRequest, pk: int) -> HttpResponse:
    """One press: e-mailed, a letter printed, reached by telephone or not."""
    due = _due_or_404(request.user, pk)
    said = (request.POST.get("channel", ""), request.POST.get("outcome", ""))
    try:
        if said not in OUTCOMES:
            raise ValidationError("Press one of the buttons of the list.")
        reminders.remind(
            reassessment=due,
            channel=Channel(said[0]),
            outcome=ReminderOutcome(said[1]),
            by=request.user,
        )
    except ValidationError as refusal:
        messages.error(request, f"{due.client}: {' '.join(refusal.messages)}")
    else:
        messages.success(request, f"{due.client}: kept that the clinic reminded.")
    shown = request.POST.get("show", "")
    where = reverse("due-list")
    return redirect(f"{where}?show={shown}" if shown in NARROWED else where)


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
def due_letters(request: StaffRequest) -> HttpResponse:
    """All letters that are to be written, one on each printed page."""
    today = reassessments.today_at(_home(request.user))
    found = [
        it
        for it in _lines(request.user, _narrowed(request.user, "", today), today)
        if it.goes_by(Channel.LETTER) and it.row.due_on <= today + reassessments.AHEAD
    ]
    if request.method == "POST":
        printed = set(request.POST.getlist("due"))
        chosen = [it.row for it in found if str(it.row.pk) in printed]
        for row in chosen:
            reminders.remind(
                reassessment=row,
                channel=Channel.LETTER,
                outcome=ReminderOutcome.PRINTED,
                by=request.user,
            )
        messages.success(request, f"Kept that the clinic wrote: {len(chosen)}.")
        return redirect("due-list")
    letters = [it.row for it in found]
    return render(request, "clinic/due_letters.html", {"letters": letters, "today": today})


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
def due_close(request: StaffRequest, pk: int) -> HttpResponse:
    due = _due_or_404(request.user, pk)
    form = CloseForm(request.POST or None)
    if form.is_valid():
        try:
            reassessments.close_reassessment(
                reassessment=due, by=request.user, **form.cleaned_data
            )
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, f"{due.client} is no longer on the list.")
            return redirect("due-list")
    context = {"client": due.client, "due": due, "form": form}
    return render(request, "clinic/due_close.html", context)


@require_POST
@allowed(*STAFF)
def due_reopen(request: StaffRequest, pk: int) -> HttpResponse:
    due = _due_or_404(request.user, pk)
    try:
        reassessments.reopen_reassessment(reassessment=due, by=request.user)
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    else:
        messages.success(request, f"{due.client} is on the list again.")
    return redirect("due-list")


@require_http_methods(["GET", "POST"])
@allowed(Role.CLINICIAN)
def due_edit(request: StaffRequest, pk: int) -> HttpResponse:
    """The clinician's choice of the day, without a programme or against its review date."""
    client = client_or_404(request.user, pk)
    led = led_to_kept(request, client)
    if led:
        return led
    standing = reassessments.standing(client).waiting().first()
    form = DueForm(
        request.POST or None,
        today=timezone.localdate(),
        clinicians=free_times.clinicians_of(client.site),
        initial={
            "due_on": standing and standing.due_on,
            "clinician": standing.clinician_id if standing else request.user.pk,
        },
    )
    if form.is_valid():
        try:
            reassessments.open_reassessment(client=client, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "Kept. It is on the due list.")
            return redirect("client-open", client.pk)
    return render(request, "clinic/due_edit.html", {"client": client, "form": form})
