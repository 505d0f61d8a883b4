"""Doctors, therapists and coaches who send clients or get letters."""

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from clinic.domain.people import normalised
from clinic.domain.vocabulary import TrailAction
from clinic.models import Referrer, Site, Staff
from clinic.services import trail
from clinic.services.merging import what_was_changed


@transaction.atomic
def add_referrer(*, site: Site, by: Staff, **fields: Any) -> Referrer:
    """Save and return a referrer of the site; raises ValidationError for one that is listed."""
    referrer = Referrer(site=site, **fields)
    _refuse_double(referrer)
    referrer.full_clean()
    referrer.save()
    trail.record(TrailAction.CREATE, by=by, row=referrer, site=site)
    return referrer


@transaction.atomic
def change_referrer(
    *, referrer: Referrer, seen: Mapping[str, Any], by: Staff, **fields: Any
) -> list[str]:
    """Save what a page changed of a referrer; return the names of the fields.

    seen: the values that the page showed. Papers that are written stay as they are. Raises
    ValidationError, also for a value that somebody else changed since the page was opened.
    """
    locked = Referrer.objects.select_for_update(of=("self",), no_key=True).get(pk=referrer.pk)
    stored = {name: getattr(locked, name) for name in fields}
    wanted = what_was_changed(stored, seen=seen, typed=fields)
    for name, value in wanted.items():
        setattr(locked, name, value)
    if not wanted:
        return []
    _refuse_double(locked)
    locked.full_clean()
    locked.save(update_fields=list(wanted))
    trail.record(TrailAction.CHANGE, by=by, row=locked, site=locked.site, fields=sorted(wanted))
    return sorted(wanted)


def _refuse_double(referrer: Referrer) -> None:
    wanted = normalised(referrer.name), normalised(referrer.practice)
    others = Referrer.objects.filter(site=referrer.site_id).exclude(pk=referrer.pk)
    for name, practice in others.values_list("name", "practice"):
        if (normalised(name), normalised(practice)) == wanted:
            raise ValidationError({"name": "This name stands in the list already."})
