"""The line in the trail, written in the same transaction as what it records."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import connection, models, transaction
from django.utils import timezone

from clinic.domain.chain import COLUMNS, GENESIS, line_hash
from clinic.domain.vocabulary import TrailAction
from clinic.middleware import ACT, ACT_KEPT, ORIGIN
from clinic.models import Client, Site, Staff, TrailEntry, TrailHead


# without a savepoint: it takes part in the transaction of what it records
@transaction.atomic(savepoint=False)
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
    """Append one act to the chain of its site and return its line.

    row: what it was done to; kind: a word where there is no row (a search, a list).
    detail: names of fields, codes and numbers. Free clinical text never goes in here.
    """
    site_id = client.site_id if client else site.pk if site else by.home_site_id if by else None
    line = TrailEntry(
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
        act=_act_for(action),
    )
    _join_chain(line, site_id or 0)
    line.save(force_insert=True)
    return line


def _act_for(action: TrailAction) -> UUID | None:
    """The id of the request, for the first line that says what the request did."""
    act = ACT.get()
    if act is None or action is TrailAction.VIEW or ACT_KEPT.get():
        return None
    ACT_KEPT.set(True)
    return act


def _join_chain(line: TrailEntry, chain: int) -> None:
    """Give a line its place after the newest of its chain; a trigger then moves the head."""
    head = _locked_head(chain)
    line.chain, line.number, line.prev_hash = chain, 1, GENESIS
    if head:
        line.number, line.prev_hash = head.number + 1, head.hash
    line.hash = line_hash({name: getattr(line, name) for name in COLUMNS})


def _locked_head(chain: int) -> TrailHead | None:
    """The newest line of a chain, which nobody else moves before this transaction ends.

    Each chain has its own lock. SQLite has one for the whole file, taken when a transaction
    begins.
    """
    heads = TrailHead.objects.select_for_update().filter(chain=chain)
    head = heads.first()
    if head is None and connection.vendor == "postgresql":
        # the first line of a chain has no row to lock
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(hashtext('trail'), %s)", [chain])
        head = heads.first()
    return head


def earlier(act: UUID | None, by: Staff) -> TrailEntry | None:
    """The line of an act that this person's page sent before; None when it is new."""
    if act is None:
        return None
    return TrailEntry.objects.filter(actor=by, act=act).first()


def moved(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, list[str]]:
    """Old and new of each value that differs, as plain texts: codes, numbers and days only."""
    return {
        name: [_text(before.get(name)), _text(value)]
        for name, value in sorted(after.items())
        if before.get(name) != value
    }


def _text(value: Any) -> str:
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    if isinstance(value, list):
        return ", ".join(value)
    return "" if value is None else str(value)


def changes(before: models.Model, after: dict[str, Any]) -> list[str]:
    """Names of the fields whose values differ."""
    return sorted(name for name, value in after.items() if getattr(before, name) != value)
