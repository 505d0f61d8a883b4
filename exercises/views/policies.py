"""The policy points of the edition in force, and their confirmation."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role
from clinic.models import Edition as StoredEdition
from clinic.models import PolicyConfirmation
from exercises.domain.edition import Edition
from exercises.domain.library import PolicyRow
from exercises.editions import edition_of
from exercises.policies import confirm_point
from exercises.views.library import plain

NEWER = "A newer edition is in force since you opened the page: read the point again."


@dataclass(frozen=True)
class PointLine:
    """One point with what it affects in words, and its confirmation."""

    point: PolicyRow
    answer: str
    affects: tuple[str, ...]
    confirmation: PolicyConfirmation | None


@dataclass(frozen=True)
class Topic:
    """The points of one topic, those that are open first."""

    name: str
    lines: list[PointLine]
    open: int


@require_safe
@allowed(Role.CLINICIAN, Role.MANAGER, Role.AUDITOR)
def policy_open(request: StaffRequest) -> HttpResponse:
    stored = StoredEdition.objects.newest().first()
    topics = _topics(stored) if stored else []
    context = {
        "stored": stored,
        "topics": topics,
        "open": sum(topic.open for topic in topics),
        "count": sum(len(topic.lines) for topic in topics),
        "may_confirm": request.user.is_clinician and bool(request.user.registration_number),
    }
    return render(request, "exercises/policy_open.html", context)


def _topics(stored: StoredEdition) -> list[Topic]:
    """Topics in file order, those with open points first."""
    edition = edition_of(stored.pk)
    confirmed = {
        row.code: row for row in stored.confirmations.select_related("confirmed_by").all()
    }
    topics = []
    for name, points in groupby(edition.policy, lambda point: point.topic):
        lines = [
            PointLine(
                point,
                _answer(point),
                tuple(affected(point, edition)),
                confirmed.get(point.code),
            )
            for point in points
        ]
        lines.sort(key=lambda line: line.confirmation is not None)
        topics.append(Topic(plain(name), lines, sum(not line.confirmation for line in lines)))
    return sorted(topics, key=lambda topic: topic.open == 0)


def _answer(point: PolicyRow) -> str:
    """What the edition does, codes as words; the name of a table's column stays as it is."""
    return point.default if ".csv" in point.default else plain(point.default)


def affected(point: PolicyRow, edition: Edition) -> Iterable[str]:
    """What a point affects, in words: rules, screening questions, settings."""
    flags = edition.tables.flags
    settings = [plain(code.partition(":")[2]) for code in point.affects if ":" in code]
    questions = [plain(flags[code].alias) for code in point.affects if code in flags]
    rules = [code for code in point.affects if ":" not in code and code not in flags]
    for one, many, found in (
        ("rule", "rules", rules),
        ("screening for", "screening for", questions),
        ("setting", "settings", settings),
    ):
        if found:
            yield f"{one if len(found) == 1 else many} {', '.join(found)}"


@require_POST
@allowed(Role.CLINICIAN)
def policy_confirm(request: StaffRequest, code: str) -> HttpResponse:
    stored = get_object_or_404(StoredEdition.objects.newest())
    if code not in {point.code for point in edition_of(stored.pk).policy}:
        raise Http404
    if request.POST.get("edition") != str(stored.number):
        messages.error(request, NEWER)
        return redirect("policy-open")
    try:
        confirm_point(edition=stored, code=code, by=request.user)
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    else:
        messages.success(request, "Confirmed, with your name and the date.")
    return redirect("policy-open")
