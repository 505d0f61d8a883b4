"""The line in the trail, written in the same transaction as what it records."""

from typing import Any

from django.db import models
from django.utils import timezone

from clinic.domain.vocabulary import TrailAction
from clinic.middleware import ORIGIN
from clinic.models import Client, Site, Staff, TrailEntry


def record(
    action: TrailAction,
    *,
    by: Staff | None,
    row: models.Model | None = None,
    client: Client | None = None,
    site: Site | None = None,
    kind: str = "",
    **detail: Any,
) -> TrailEntry:
    """Append one act.

    row: what it was done to; kind: a word where there is no row (a search, a list).
    detail: names of fields, codes and numbers. Free clinical text never goes in here.
    """
    site_id = client.site_id if client else site.pk if site else by.home_site_id if by else None
    return TrailEntry.objects.create(
        site_id=site_id,
        at=timezone.now(),
        actor=by,
        actor_name=str(by) if by else "the system",
        role=", ".join(sorted(by.roles)) if by else "",
        action=action,
        client=client,
        object_kind=kind or (row._meta.model_name or "" if row else ""),
        object_key=str(row.pk) if row else "",
        object_version=getattr(row, "version", None),
        origin=ORIGIN.get(),
        detail=detail,
    )


def changes(before: models.Model, after: dict[str, Any]) -> list[str]:
    """Names of the fields whose values differ."""
    return sorted(name for name, value in after.items() if getattr(before, name) != value)
