"""Sites of the clinic and their rooms."""

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from clinic.domain.sites import KINDS, is_zone
from clinic.domain.vocabulary import TrailAction
from clinic.models import AppointmentKind, Room, Site, Staff
from clinic.public_holidays import regions
from clinic.services import trail
from clinic.services.merging import what_was_changed


@transaction.atomic
def add_site(*, by: Staff | None, **fields: Any) -> Site:
    """Save and return a site with the usual kinds of appointment; its maker works there too.

    Raises ValidationError.
    """
    site = Site(**fields)
    _check(site)
    site.save()
    for code, name, minutes, treadmill in KINDS:
        AppointmentKind.objects.create(
            site=site, code=code, name=name, minutes=minutes, needs_treadmill=treadmill
        )
    if by:
        by.sites.add(site)
    trail.record(TrailAction.CREATE, by=by, row=site, site=site)
    return site


def _check(site: Site) -> None:
    if not is_zone(site.time_zone):
        raise ValidationError({"time_zone": "There is no such time zone. Choose one of the list."})
    if site.holiday_region and site.holiday_region not in regions():
        raise ValidationError(
            {
                "holiday_region": f"Public holidays of {site.holiday_region} are not known. "
                "Choose a country or a part of one from the list, or none."
            }
        )
    site.full_clean()


@transaction.atomic
def change_site(*, site: Site, seen: Mapping[str, Any], by: Staff, **fields: Any) -> list[str]:
    """Save what a page changed of a site; return the names of the fields.

    Appointments keep the zone in which they were agreed. Raises ValidationError, also for a value
    that somebody else changed since the page was opened.
    """
    locked = Site.objects.select_for_update(no_key=True).get(pk=site.pk)
    stored = {name: getattr(locked, name) for name in fields}
    wanted = what_was_changed(stored, seen=seen, typed=fields)
    for name, value in wanted.items():
        setattr(locked, name, value)
    _check(locked)
    if wanted:
        locked.save(update_fields=list(wanted))
        trail.record(TrailAction.CHANGE, by=by, row=locked, site=locked, fields=sorted(wanted))
    return sorted(wanted)


@transaction.atomic
def save_room(*, room: Room, by: Staff | None, **fields: Any) -> Room:
    """Save and return a new or changed room of a site; raises ValidationError."""
    action = TrailAction.CHANGE if room.pk else TrailAction.CREATE
    changed = trail.changes(room, fields)
    if room.pk and not changed:
        return room
    for name, value in fields.items():
        setattr(room, name, value)
    same = Room.objects.filter(site=room.site_id, name__iexact=room.name).exclude(pk=room.pk)
    if same.exists():
        raise ValidationError({"name": "The site has a room of this name."})
    room.full_clean()
    room.save()
    trail.record(action, by=by, row=room, site=room.site, fields=changed)
    return room
