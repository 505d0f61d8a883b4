"""Opening, changing and discharging an episode with its goals."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from assessments.models import Episode, Goal
from clinic.domain.vocabulary import TrailAction
from clinic.models import Client, Staff
from clinic.services import record_links, trail
from clinic.services.people import save_as_seen

COMPLAINT = {"complaint_present", "complaint_region", "complaint_side", "goal", "onset_on"}


def _check(episode: Episode) -> None:
    today = timezone.localdate()
    if episode.opened_on > today:
        raise ValidationError({"opened_on": "This day lies in the future."})
    if episode.onset_on and episode.onset_on > episode.opened_on:
        raise ValidationError({"onset_on": "The complaint began after the episode was opened."})
    if episode.discharged_on and episode.opened_on > episode.discharged_on:
        raise ValidationError({"opened_on": "The episode was discharged before this day."})
    if episode.referrer and episode.referrer.site_id != episode.site_id:
        raise ValidationError({"referrer": "Choose a referrer from the list of this site."})
    episode.full_clean()


def _save_goals(episode: Episode, goals: Sequence[Goal]) -> int:
    """Save new and changed goals; how many there were."""
    for goal in goals:
        goal.site_id, goal.episode = episode.site_id, episode
        if goal.reached_on and not goal.set_on <= goal.reached_on <= timezone.localdate():
            raise ValidationError(f"“{goal.text}”: reached between the day it was set and today.")
        goal.full_clean()
        if goal.pk:
            goal.save(update_fields=["text", "by", "reached_on"])
        else:
            goal.save()
    return len(goals)


@transaction.atomic
def open_episode(
    *, client: Client, by: Staff, goals: Sequence[Goal] = (), **fields: Any
) -> Episode:
    """Save and return an episode with its goals; raises ValidationError."""
    record_links.refuse_joined(client)
    episode = Episode(site_id=client.site_id, client=client, clinician=by, **fields)
    _check(episode)
    episode.save()
    saved = _save_goals(episode, goals)
    trail.record(TrailAction.CREATE, by=by, row=episode, client=client, goals=saved)
    return episode


@transaction.atomic
def change_episode(
    *, episode: Episode, seen: int, by: Staff, goals: Sequence[Goal] = (), **fields: Any
) -> Episode:
    """Save fields and goals and return the row.

    Raises ValidationError, and StaleError when the row is newer than `seen`.
    A signed assessment keeps the proposal it was judged by, so its complaint may change here; the
    line in the trail says how many signed assessments there were.
    """
    stored = Episode.objects.select_related("client", "referrer").get(pk=episode.pk)
    changed = trail.changes(stored, fields)
    for name, value in fields.items():
        setattr(stored, name, value)
    _check(stored)
    save_as_seen(stored, seen, changed)
    saved = _save_goals(stored, goals)
    after = stored.assessments.signed().count() if COMPLAINT & set(changed) else 0
    trail.record(
        TrailAction.CHANGE,
        by=by,
        row=stored,
        client=stored.client,
        fields=changed,
        goals=saved,
        signed_assessments=after,
    )
    return stored


@transaction.atomic
def discharge_episode(*, episode: Episode, by: Staff, on: date, reason: str) -> None:
    """Date the end of an episode with its reason; raises ValidationError."""
    if on > timezone.localdate():
        raise ValidationError({"on": "This day lies in the future."})
    if on < episode.opened_on:
        raise ValidationError({"on": "The discharge lies before the opening."})
    if not reason.strip():
        raise ValidationError({"reason": "Say why the episode ends."})
    standing = Episode.objects.open().filter(pk=episode.pk)
    seen = standing.values_list("version", flat=True).first()
    if seen is None:
        raise ValidationError("This episode was discharged already.")
    standing.update(discharged_on=on, discharge_reason=reason, version=seen + 1)
    episode.version = seen + 1
    trail.record(
        TrailAction.CHANGE,
        by=by,
        row=episode,
        client=episode.client,
        fields=["discharge_reason", "discharged_on"],
    )
