"""The screening page: what is asked, what a yes stops, and how a hold is lifted."""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse, HttpResponseBadRequest
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods
from django.views.decorators.vary import vary_on_headers

from assessments.editions import newest
from assessments.facts import intake_value
from assessments.forms.screenings import LiftForm
from assessments.models import Screening, ScreeningAnswer
from assessments.screening_rows import HOW_SOON, ScreeningRow, answers_of, groups_of, row_of
from assessments.services import screenings as services
from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import Role, TrailAction
from clinic.forms.people import show_refusal
from clinic.middleware import ACT
from clinic.models import Client
from clinic.models.limits import of_my_clients
from clinic.saving import is_script, part
from clinic.services import trail
from clinic.web.pages import back_to
from exercises.domain.edition import Edition
from exercises.domain.proposals import Proposal, propose
from exercises.domain.sentences import hold_sentence
from exercises.editions import edition_of
from exercises.services.holds import refresh_holds

# the pain zone is judged at an assessment; the questions here do not ask for pain
UNTOLD = frozenset({"R04"})
# buttons that leave the page open
STAYS = {"others", "save"}


def evaluated(client: Client, screening: Screening | None, on: date) -> tuple[Proposal, Edition]:
    """What stands before anything was seen: only its holds and lifts matter here."""
    edition = edition_of(newest().pk)
    value = intake_value(
        client,
        on=on,
        episode=client.episodes.open().first(),
        history=client.histories.first(),
        screening=screening,
    )
    return propose(value, edition), edition


def amounts(proposal: Proposal, edition: Edition, asked: int) -> dict[str, Any]:
    """The holds in words, what is lifted, and how much was not asked yet."""
    holds = [
        {
            "code": hold.code,
            "sentence": hold_sentence(hold, edition).page,
            "to": hold.to or "",
            "how_soon": HOW_SOON.get(hold.urgency, "") if hold.urgency else "",
        }
        for hold in proposal.holds
    ]
    return {
        "holds": holds,
        "lifted": proposal.lifted,
        "not_asked": len(edition.tables.flags) - asked,
    }


def after_saving(
    client: Client, screening: Screening, request: StaffRequest
) -> tuple[Proposal, Edition]:
    """Evaluate the round and keep the client's holds in step with it."""
    today = timezone.localdate()
    proposal, edition = evaluated(client, screening, today)
    refresh_holds(
        client=client,
        proposal=proposal,
        edition=edition,
        on=today,
        by=request.user,
        untold=UNTOLD,
    )
    return proposal, edition


def asked_in(held: dict[str, ScreeningAnswer]) -> int:
    return sum(one.answer != "not_asked" for one in held.values())


def former_answers(client: Client, today: date) -> dict[str, ScreeningAnswer]:
    former = client.screenings.filter(screened_on__lt=today).newest_first().first()
    return answers_of(former)


@vary_on_headers("HX-Request", "X-Act")
@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def screening_open(request: StaffRequest, pk: int) -> HttpResponse:
    """Today's round; another day starts an empty one."""
    client = client_or_404(request.user, pk)
    today = timezone.localdate()
    if request.method == "POST":
        return _saved(request, client, today)
    screening = services.round_of(client, today)
    shown = screening or services.newest_round(client)
    trail.record(TrailAction.VIEW, by=request.user, row=shown, client=client, kind="screening")
    return _whole_page(request, client, screening, evaluated(client, shown, today))


def _saved(request: StaffRequest, client: Client, today: date) -> HttpResponse:
    flags = edition_of(newest().pk).tables.flags
    posted = [code for code in flags if code in request.POST]
    if is_script(request) and len(posted) != 1:
        return HttpResponseBadRequest("Send one answer.")
    typed, seen = typed_in(request, posted)
    if request.POST.get("others") == "no":
        held = answers_of(services.round_of(client, today))
        rest = unanswered(flags, held, typed)
        typed = {code: word for code, word in typed.items() if code not in rest}
        typed |= dict.fromkeys(rest, "no")
        seen |= dict.fromkeys(rest, "not_asked")
    done = trail.earlier(ACT.get(), request.user)
    try:
        # sent again, because the answer to it got lost: nothing is asked of the round twice
        screening = (done and services.round_of(client, today)) or services.answer_flags(
            client=client, on=today, answers=typed, by=request.user, seen=seen
        )
    except ValidationError as refusal:
        return HttpResponseBadRequest(" ".join(refusal.messages))
    outcome = after_saving(client, screening, request)
    held_now = answers_of(screening)
    late = {} if done else {c: word for c, word in typed.items() if answer_in(held_now, c) != word}
    if is_script(request):
        shown = row_of(flags[posted[0]], held_now, former_answers(client, today), late)
        return _row_answer(request, client, shown, outcome, asked_in(held_now))
    if late:
        return _whole_page(request, client, screening, outcome, late)
    messages.success(request, "The answers are saved.")
    stay = STAYS & request.POST.keys() or posted_choice(request)
    return redirect(request.get_full_path() if stay else back_to(request, client))


def _row_answer(
    request: StaffRequest,
    client: Client,
    row: ScreeningRow,
    outcome: tuple[Proposal, Edition],
    asked: int,
) -> HttpResponse:
    """The question that was answered, and out of band what it changes elsewhere."""
    context: dict[str, Any] = {"client": client, "row": row, "replace": True}
    context |= {"saved": not row.late, "now": timezone.localtime()}
    context |= amounts(*outcome, asked)
    status = 409 if row.late else 200
    return part(request, "assessments/_screening_saved.html", context, status)


def _whole_page(
    request: StaffRequest,
    client: Client,
    screening: Screening | None,
    outcome: tuple[Proposal, Edition],
    late: Mapping[str, str] | None = None,
) -> HttpResponse:
    """late: answers that others overtook, by flag."""
    held, today = answers_of(screening), timezone.localdate()
    groups = groups_of(outcome[1].tables, held, former_answers(client, today), late or {})
    context = {
        "client": client,
        "screening": screening,
        "newest": services.newest_round(client),
        "groups": groups,
        "late": late,
        "back": back_to(request, client),
        "today": today,
    }
    context |= amounts(*outcome, asked_in(held))
    page = "assessments/screening_open.html"
    return render(request, page, context, status=409 if late else 200)


def posted_choice(request: StaffRequest) -> bool:
    """Whether one of two answers was chosen, which leaves the page open."""
    return any(name.endswith((".keep", ".take")) for name in request.POST)


def typed_in(
    request: StaffRequest, posted: Iterable[str]
) -> tuple[dict[str, str], dict[str, str]]:
    """Answers that differ from what the page showed, and what it showed.

    Where the stored answer was chosen over one's own, `take` is sent, and it is left alone.
    """
    posted = [code for code in posted if f"{code}.take" not in request.POST]
    shown = {code: request.POST[f"was.{code}"] for code in posted if f"was.{code}" in request.POST}
    typed = {code: request.POST[code] for code in posted}
    return {code: word for code, word in typed.items() if word != shown.get(code)}, shown


def unanswered(
    flags: Iterable[str], held: dict[str, ScreeningAnswer], typed: dict[str, str]
) -> list[str]:
    """Flags that neither the round nor this page answers."""
    return [
        code
        for code in flags
        if answer_in(held, code) == "not_asked" and typed.get(code, "not_asked") == "not_asked"
    ]


def answer_in(held: dict[str, ScreeningAnswer], code: str) -> str:
    return held[code].answer if code in held else "not_asked"


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def screening_lift(request: StaffRequest, pk: int) -> HttpResponse:
    answers = ScreeningAnswer.objects.select_related("screening__client__site", "flag")
    mine = of_my_clients(answers, request.user, "screening__client__")
    answer = get_object_or_404(mine.filter(answer="yes"), pk=pk)
    client, today = answer.screening.client, timezone.localdate()
    flag = edition_of(newest().pk).tables.flags[answer.flag_id]
    form = LiftForm(request.POST or None, needed=flag.lifted_when, initial={"lifted_on": today})
    if form.is_valid():
        fields = form.cleaned_data
        try:
            services.lift_flag(
                answer=answer,
                on=fields["lifted_on"],
                reason=fields["reason"],
                keeps=fields["keeps"],
                by=request.user,
                today=today,
            )
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            after_saving(client, answer.screening, request)
            messages.success(request, "The hold is lifted.")
            return redirect("screening-open", client.pk)
    context = {"client": client, "form": form, "flag": flag, "answer": answer}
    status = 422 if form.errors else 200
    return render(request, "assessments/screening_lift.html", context, status=status)
