"""The destruction of one record: every row goes, the number stays, two people decided it."""

import json
from collections.abc import Mapping
from datetime import date
from hashlib import sha256
from pathlib import Path

from django.conf import settings
from django.contrib.sessions.backends.db import SessionStore
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.db.models import Count, F, Subquery, Value
from django.utils import timezone

from clinic import kept_files
from clinic.domain.vocabulary import DestructionDecision, TrailAction
from clinic.models import Client, Destruction, Staff, TrailEntry
from clinic.models.people import EMPTIED
from clinic.services import trail
from clinic.services.reassessments import today_at
from clinic.web.backups import erasures
from clinic.web.person_rows import Table, belongs, paths
from clinic.web.retaining import locked, refuse_decided, refuse_half, refuse_unripe, standing_of

STAYS = (Client, Destruction, TrailEntry)
CHANGED = (
    "The record has changed since it was reviewed ({what}): the review counts no longer. Decide "
    "that it is not destroyed, then review it again."
)
OVERTAKEN = "Something was entered after you opened this page: look again, then confirm."


def tables() -> list[tuple[Table, str]]:
    """The tables whose rows go, children before the rows that they hang on."""
    found = [(table, path) for table, path in paths().items() if table not in STAYS]
    return sorted(found, key=lambda one: (-one[1].count("__"), one[0]._meta.label))


def going(client: Client) -> dict[str, int]:
    """How many rows of each table would go, by the table's label, in one query."""
    columns = {
        table._meta.label.replace(".", "_"): Subquery(
            table._base_manager.filter(belongs(table, path, [client.pk]))
            .order_by()
            .annotate(all=Value(1))
            .values("all")
            .annotate(number=Count("pk"))
            .values("number")
        )
        for table, path in tables()
    }
    found = Client.objects.filter(pk=client.pk).annotate(**columns).values(*columns).get()
    return {name.replace("_", ".", 1): count or 0 for name, count in found.items()}


def stamp_of(counts: Mapping[str, int]) -> str:
    """What a page showed of a record, as a short text that comes back with its form."""
    return sha256(json.dumps(counts, sort_keys=True).encode()).hexdigest()


@transaction.atomic
def confirm(*, destruction: Destruction, by: Staff, seen: str | None = None) -> Destruction:
    """Destroy the reviewed record and return the line that stays; raises ValidationError.

    `by` is a manager and not the person who reviewed. seen: the stamp of what the page showed.
    """
    client = locked(destruction.client)
    found = Destruction.objects.select_for_update(of=("self",)).get(pk=destruction.pk)
    refuse_decided(found)
    if not by.is_manager:
        raise ValidationError("A manager confirms a destruction.")
    if found.reviewed_by_id == by.pk:
        raise ValidationError("You reviewed this record: a second person confirms.")
    today = today_at(client.site)
    _refuse_changed(client, found, today)
    if seen is not None and seen != stamp_of(going(client)):
        raise ValidationError(OVERTAKEN)
    found.decision = DestructionDecision.CONFIRMED.value
    found.decided_by, found.decided_at = by, timezone.now()
    found.full_clean()
    try:
        with transaction.atomic():
            found.save(update_fields=["decision", "decided_by", "decided_at"])
    except IntegrityError as refused:  # what the guards know and this page did not
        raise ValidationError(CHANGED.format(what="an entry was made")) from refused
    email = client.email
    erase(client=client, destruction=found, on=today, by=by)
    transaction.on_commit(lambda: clean_up(email))
    return found


def _refuse_changed(client: Client, found: Destruction, today: date) -> None:
    standing = standing_of(client)
    # an earlier end of care is no reason to keep: a joined record was destroyed before this one
    if standing.ended > found.care_ended or standing.kept.until > found.keep_until:
        what = "the client came again" if standing.ended > found.care_ended else "its dates"
        raise ValidationError(CHANGED.format(what=what))
    refuse_unripe(standing, found.basis, today)
    refuse_half(standing)


@transaction.atomic
def erase(*, client: Client, destruction: Destruction, on: date, by: Staff | None) -> None:
    """Delete every row of a record whose destruction is confirmed, and empty the client's row."""
    counts: dict[str, int] = {}
    for table, path in tables():
        # without the framework's collector: it would load every paper, and refuses versions that
        # name one another
        rows = table._base_manager.filter(belongs(table, path, [client.pk]))
        gone = rows._raw_delete(rows.db)  # noqa: SLF001  # see above
        if gone:
            counts[table._meta.label] = gone
    Client.objects.filter(pk=client.pk).update(
        **EMPTIED, destroyed_on=on, version=F("version") + 1
    )
    destruction.done_on, destruction.counts = on, counts
    destruction.full_clean(exclude=["reviewed_by"])  # nobody, after a restore
    destruction.save(update_fields=["done_on", "counts"])
    trail.record(
        TrailAction.DESTROY,
        by=by,
        row=destruction,
        client=client,
        basis=destruction.basis,
        rows=sum(counts.values()),
        tables=len(counts),
    )


# What lies beside the tables


def clean_up(email: str) -> None:
    """After the commit: no file, free page or list of this machine holds the person any more."""
    remove_mail(email)
    kept_files.drop_old()
    # what was searched for lies in a sign-in, which ends after 12 hours at the latest
    SessionStore.clear_expired()
    data = Path(settings.DATA_DIR)
    data.mkdir(parents=True, exist_ok=True, mode=0o700)
    erasures.write(data, erasures.merged(erasures.read(data), erasures.listed()))
    overwrite_deleted()


def remove_mail(email: str) -> int:
    """Delete the e-mails to this address that lie as files, where no server sends them."""
    removed, folder = 0, Path(settings.EMAIL_FILE_PATH)
    if not email or not folder.is_dir():
        return removed
    for file in sorted(folder.glob("*.log")):
        if email.encode() in file.read_bytes():
            file.unlink()
            removed += 1
    return removed


def overwrite_deleted() -> None:
    """Have nothing deleted left in SQLite's log of changes; its pages are overwritten at once.

    Pages: SQLITE_OPTIONS in clinic/web/settings.py. PostgreSQL: clinic/DEPLOYMENT.md.
    """
    if connection.vendor == "sqlite" and not connection.in_atomic_block:
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
