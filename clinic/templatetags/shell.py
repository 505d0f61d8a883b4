"""What every page needs around its own content."""

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any, NamedTuple
from uuid import uuid4

from django import template
from django.conf import settings
from django.db.models import Q
from django.forms import BaseForm, BaseFormSet, CheckboxSelectMultiple, RadioSelect
from django.forms.boundfield import BoundField
from django.template.context import Context
from django.urls import NoReverseMatch, Resolver404, resolve, reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from clinic import time_limits
from clinic.domain.vocabulary import AlertKind, HoldScope
from clinic.factors import FIRST, KNOWN
from clinic.middleware import act_of
from clinic.models import Alert, Client, Hold, Staff, record_links
from clinic.models.limits import shown_above
from clinic.unsent import person_of, shown_to

register = template.Library()

PLACES = [
    ("Today", "today"),
    ("Clients", "client-list"),
    ("Diary", "diary"),
    ("Due", "due-list"),
    ("Library", "library"),
    ("Trail", "trail-list"),
    ("Staff", "staff-list"),
    ("Sites", "site-list"),
]


ALERTS_FIRST: dict[str, int] = {kind: rank for rank, kind in enumerate(AlertKind)}


class Place(NamedTuple):
    word: str
    address: str
    current: str


class Told(NamedTuple):
    """One line of the error summary and the id of the field it leads to."""

    sentence: str
    target: str


@register.simple_tag
def address(name: str, *args: Any) -> str:
    """Address of a named page, or nothing where the site has no such page."""
    try:
        return reverse(name, args=args)
    except NoReverseMatch:
        return ""


@register.simple_tag(takes_context=True)
def act(context: Context) -> SafeString:
    """The id of what a form does, in a hidden field: pressed twice it is done once."""
    posted = act_of(context["request"].POST.get("act", ""))
    return format_html('<input type="hidden" name="act" value="{}">', posted or uuid4())


@register.simple_tag(takes_context=True)
def shown(context: Context) -> str:
    """Proof that this page was shown to this person."""
    request = context["request"]
    return shown_to(request.user, request.path)


@register.simple_tag(takes_context=True)
def places(context: Context) -> list[Place]:
    """The places of the site that exist and that this person may open."""
    request = context["request"]
    shown = []
    for word, name in PLACES:
        where = address(name)
        if where and _may_open(where, request.user):
            current = _current(where, request.path, of_client="client" in context)
            shown.append(Place(word, where, current))
    return shown


def _may_open(where: str, staff: Staff) -> bool:
    try:
        roles = getattr(resolve(where).func, "roles", staff.roles)
    except Resolver404:
        return False
    return bool(staff.roles & roles)


def _current(where: str, path: str, *, of_client: bool) -> str:
    """Value of aria-current: this very page, or a page inside this place."""
    if path == where:
        return "page"
    inside = where != "/" and path.startswith(where)
    return "true" if inside or (of_client and where == address("client-list")) else ""


@register.inclusion_tag("clinic/_client_strip.html", takes_context=True)
def client_strip(context: Context) -> dict[str, Any]:
    """Who the page is about, with alerts for everybody and holds for clinicians."""
    client, request = context.get("client"), context.get("request")
    if not isinstance(client, Client) or client.pk is None or request is None:
        return {}
    today = timezone.localdate()
    clinical = request.user.is_clinician
    told = _told_of(client, request.user)
    return {
        "client": client,
        "joined_to": told["joined_to"],
        "joined_to_key": told["joined_to_key"],
        "age": client.age_on(client.died_on or today),
        "alerts": _alerts(client, today),
        "clinical": clinical,
        "holds": _holds(client, clinical=clinical),
        "record": address("client-open", client.pk),
        "limits": told,
        "restriction": restriction_address(client, request.user),
        "csrf_token": context.get("csrf_token"),
    }


def _told_of(client: Client, staff: Staff) -> dict[str, Any]:
    """What it is joined to, whether it is restricted, this person's emergency opening: one query.

    Asked anew, because most pages read their client without it.
    """
    shown = shown_above(staff)
    found = Client.objects.filter(pk=client.pk).for_record().annotate(**shown)
    return dict(found.values(*shown, "joined_to", "joined_to_key").get())


@register.simple_tag
def restriction_address(client: Client, staff: Staff) -> str:
    """The page of who may open the record, for those who may look at it."""
    where = address("restriction-open", client.pk)
    return where if where and _may_open(where, staff) else ""


def _alerts(client: Client, today: date) -> list[Alert]:
    """Alerts that stand today, those that can hurt first."""
    of_person = Alert.objects.filter(client__in=record_links.person(client.pk))
    standing = of_person.filter(Q(ended_on__isnull=True) | Q(ended_on__gt=today))
    return sorted(standing, key=lambda alert: ALERTS_FIRST.get(alert.kind, len(ALERTS_FIRST)))


def _holds(client: Client, *, clinical: bool) -> list[dict[str, str]] | bool:
    """Open holds in words; for everybody else only whether there are any."""
    of_person = record_links.person(client.pk)
    holds = Hold.objects.open().filter(client__in=of_person).select_related("client")
    if not clinical:
        return holds.exists()
    gravest_first = sorted(holds, key=lambda hold: list(HoldScope).index(HoldScope(hold.scope)))
    return [strip_hold(hold, client) for hold in gravest_first]


def strip_hold(hold: Hold, client: Client) -> dict[str, str]:
    """A hold as the strip says it, with the screening and the record that it lies in."""
    words = f"{hold.get_scope_display()}: {hold.sentence}"
    if hold.client_id != client.pk:
        words = f"{words} (record {hold.client.number})"
    return {"words": words, "where": address("screening-open", hold.client_id)}


@register.inclusion_tag("clinic/_error_summary.html")
def error_summary(*forms: Any) -> dict[str, list[Told]]:
    """All errors of these forms and formsets, each leading to its field."""
    return {"errors": [told for form in forms for told in _told(form)]}


def _told(form: Any) -> Iterator[Told]:
    if isinstance(form, BaseFormSet) and form.is_bound:
        yield from (Told(str(sentence), "") for sentence in form.non_form_errors())
        for member in form.forms:
            yield from _told(member)
    elif isinstance(form, BaseForm) and form.errors:
        # the form prints its own general errors only where no summary has
        form.summarised = True  # type: ignore[attr-defined]
        yield from (Told(str(sentence), "") for sentence in form.non_field_errors())
        for field in form:
            yield from (Told(f"{field.label}: {it}", _target(field)) for it in field.errors)


def _target(field: BoundField) -> str:
    """Id of the control that takes the focus; a group of choices is entered at its first."""
    if isinstance(field.field.widget, RadioSelect | CheckboxSelectMultiple):
        return f"{field.auto_id}_0"
    return field.id_for_label or field.auto_id


@register.simple_tag(takes_context=True)
def same_page(context: Context, **changed: Any) -> str:
    """The query of this page with some values changed."""
    query = context["request"].GET.copy()
    for name, value in changed.items():
        query[name] = value
    return f"?{query.urlencode()}"


@register.filter
def entry(values: Mapping[Any, Any], key: Any) -> Any:
    """The value of one key, None where there is none."""
    return values.get(key)


@register.filter
def sign_in_end(why: str) -> str:
    """Why a sign-in ended; nothing that an address says is repeated."""
    if why == "unused":
        return f"nothing was done for {settings.IDLE_SECONDS // 60} minutes"
    return "it was twelve hours old"


@register.simple_tag(takes_context=True)
def clock(context: Context) -> time_limits.Left | None:
    """What is left of the sign-in, for the page to warn in time."""
    request = context.get("request")
    session = getattr(request, "session", None)
    if request is None or session is None or not request.user.is_authenticated:
        return None
    return time_limits.left(session)


@register.simple_tag(takes_context=True)
def first_factor(context: Context) -> bool:
    """Whether this person gets no further before a second factor is set up."""
    session = context["request"].session
    return bool(session.get(FIRST)) and not session.get(KNOWN)


@register.simple_tag
def asks_second_factor() -> bool:
    return bool(settings.SECOND_FACTOR)


@register.filter
def in_fours(code: str) -> str:
    """A long code in groups that are easier to copy."""
    return " ".join(code[start : start + 4] for start in range(0, len(code), 4))


@register.filter
def person(staff: Staff) -> str:
    """Tells a page whether somebody else is signed in now."""
    return person_of(staff)


@register.filter
def without_hints(form: BaseForm) -> BaseForm:
    """The form without the grey words inside its fields, which only repeat the labels."""
    for field in form.fields.values():
        field.widget.attrs.pop("placeholder", None)
    return form
