"""Exports: who may have which, the line in the trail, the file."""

from datetime import date
from enum import StrEnum
from typing import IO, Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from clinic.domain.vocabulary import ConsentPurpose, TrailAction
from clinic.models import Client, Consent, Staff
from clinic.models.record_links import others, person
from clinic.services import consents, trail
from clinic.web.fhir.bundle import Tally, write_bundle
from clinic.web.fhir.reading import Wish, clients_of_period, closed_in_period, sheet_for
from clinic.web.verification import one_moment


class Reader(StrEnum):
    """Whom an export of one client is for."""

    PROFESSIONAL = "professional"
    CLINIC = "clinic"


NO_CONSENT = (
    "The client has not agreed to sharing: ask, and enter the answer under consents, before "
    "anything goes to another professional."
)
LIMITS_UNREAD = (
    "Read the limits of the client's consent, and say below that the export keeps them."
)


def standing_consent(client: Client) -> Consent | None:
    """The answer to sharing that stands, given or refused."""
    return consents.standing(client, ConsentPurpose.SHARING)


def refuse_export(*, client: Client, by: Staff, reader: Reader, limits_kept: bool) -> None:
    """Raise ValidationError where this person may not have this export.

    For another professional the client's consent to sharing must stand. The clinic's own use,
    such as moving to another system, is the manager's.
    """
    if reader is Reader.CLINIC:
        if not by.is_manager:
            raise ValidationError({"reader": "An export for the clinic's own use is a manager's."})
        return
    consent = standing_consent(client)
    if consent is None or not consent.given:
        raise ValidationError({"reader": NO_CONSENT})
    if consent.limits and not limits_kept:
        raise ValidationError({"limits_kept": LIMITS_UNREAD})


def export_client(
    *,
    client: Client,
    by: Staff,
    wish: Wish,
    reader: Reader,
    limits_kept: bool,
    out: IO[str],
) -> Tally:
    """Write one client's bundle with its line; raises ValidationError and UnsoundError."""
    refuse_export(client=client, by=by, reader=reader, limits_kept=limits_kept)
    # one person, all records that are joined
    tally = _written(sorted(person(client.pk)), client, wish, out)
    with transaction.atomic():
        # the consent may have been withdrawn while the file was written
        refuse_export(client=client, by=by, reader=reader, limits_kept=limits_kept)
        for row in (client, *others(client.pk)):
            trail.record(
                TrailAction.EXPORT,
                by=by,
                row=row,
                client=row,
                format="fhir",
                reader=str(reader),
                **_wished(wish),
            )
    return tally


def export_period(*, by: Staff, first: date, last: date, wish: Wish, out: IO[str]) -> Tally:
    """Write what lies in a period of all clients whose records a manager may open.

    Each gets a line; restricted records that do not name the manager are left out, and counted in
    the line of the whole. Raises ValidationError and UnsoundError.
    """
    if not by.is_manager:
        raise ValidationError("An export of a period is a manager's.")
    if last < first:
        raise ValidationError({"last": "The last day lies before the first."})
    clients = list(clients_of_period(by, wish))
    if not clients:
        raise ValidationError("Nothing of any client lies in these days.")
    tally = _written([one.pk for one in clients], clients[0], wish, out)
    tally.left_out = closed_in_period(by, wish)
    days = {"first": first.isoformat(), "last": last.isoformat()}
    left_out: dict[str, Any] = {"restricted_left_out": tally.left_out} if tally.left_out else {}
    said: dict[str, Any] = {"format": "fhir", **days, **_wished(wish)}
    with transaction.atomic():
        trail.record(
            TrailAction.EXPORT, by=by, kind="period", clients=len(clients), **left_out, **said
        )
        for client in clients:
            trail.record(TrailAction.EXPORT, by=by, row=client, client=client, **said)
    return tally


def _wished(wish: Wish) -> dict[str, Any]:
    return {"drafts": wish.drafts, "papers": wish.papers}


def _written(pks: list[int], first: Client, wish: Wish, out: IO[str]) -> Tally:
    """The bundle, read at one moment and without a lock: nobody waits for an export.

    Its line is written afterwards, and before anybody gets the file.
    """
    with one_moment():
        sheet = sheet_for(first.site)
        return write_bundle(clients=pks, wish=wish, sheet=sheet, at=timezone.now(), out=out)
