"""The first site and the first manager of a clinic that has neither."""

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from clinic.domain.sites import ROOM
from clinic.domain.vocabulary import Role
from clinic.models import Room, Staff
from clinic.services.sites import add_site, save_room
from clinic.services.staff import invite_person


@transaction.atomic
def open_clinic(*, site: Mapping[str, Any], manager: Mapping[str, Any]) -> tuple[Staff, str]:
    """Save the site with a room, and the manager's account; return it and its invitation's token.

    site, manager: fields of either. Raises ValidationError, also where a manager is there already.
    """
    if Staff.objects.filter(groups__name=Role.MANAGER.value).exists():
        raise ValidationError(
            "The clinic has a manager: invite people at /staff/, or help a manager with "
            "help_account."
        )
    place = add_site(by=None, **site)
    save_room(room=Room(site=place), by=None, name=ROOM, has_treadmill=True)
    return invite_person(roles=[Role.MANAGER], sites=[place], home_site=place, by=None, **manager)
