"""What a member of staff may do."""

from collections.abc import Iterable

from django.contrib.auth.models import Group
from django.core.exceptions import ValidationError
from django.db import transaction

from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Staff
from clinic.services import trail


@transaction.atomic
def change_roles(*, staff: Staff, roles: Iterable[Role], by: Staff) -> None:
    """Give a person these roles and no others; raises ValidationError for none.

    The same roles again change nothing and leave no line.
    """
    wanted = frozenset(roles)
    if not wanted:
        raise ValidationError("Everybody has a role; close the account of somebody who left.")
    locked = Staff.objects.select_for_update().get(pk=staff.pk)  # two changes at once: in turn
    before = locked.roles
    if wanted == before:
        return
    known = {role.value for role in Role}
    others = locked.groups.exclude(name__in=known)
    locked.groups.set([*others, *Group.objects.filter(name__in=wanted)])
    staff.__dict__.pop("roles", None)  # kept since it was read
    trail.record(
        TrailAction.ROLE,
        by=by,
        row=staff,
        site=staff.home_site,
        before=sorted(before),
        after=sorted(wanted),
    )
