"""A line of the trail in words."""

from django import template

from clinic.domain.trail_words import act_words, detail_words, object_words
from clinic.domain.vocabulary import TrailAction
from clinic.models import TrailEntry

register = template.Library()


@register.filter
def who(entry: TrailEntry) -> str:
    """Name and role; a failure under a name that nobody has is nobody's."""
    if entry.actor_id is None and entry.action == TrailAction.SIGN_FAIL:
        return "somebody under an unknown name"
    return f"{entry.actor_name} ({entry.role})" if entry.role else entry.actor_name


@register.filter
def act(entry: TrailEntry) -> str:
    return act_words(entry.action)


@register.filter
def thing(entry: TrailEntry) -> str:
    return object_words(entry.object_kind, entry.object_key, entry.object_version)


@register.filter
def details(entry: TrailEntry) -> str:
    return detail_words(entry.detail)
