"""Who works here and what they may do: nobody changes their own rights, a manager always stays."""

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from allauth.mfa.models import Authenticator
from django.contrib.auth.models import Group
from django.core.exceptions import ValidationError
from django.db import transaction

from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Site, Staff
from clinic.services import trail
from clinic.services.invitations import invite, withdraw
from clinic.services.merging import what_was_changed
from clinic.services.sign_ins import end_sign_ins


@transaction.atomic
def change_roles(*, staff: Staff, roles: Iterable[Role], by: Staff | None) -> None:
    """Give a person these roles and no others; raises ValidationError.

    The same roles again change nothing and leave no line.
    """
    wanted = frozenset(roles)
    if not wanted:
        raise ValidationError("Everybody has a role; close the account of somebody who left.")
    _take_turns()
    locked = Staff.objects.get(pk=staff.pk)
    before = locked.roles
    if wanted == before:
        return
    if staff == by:
        raise ValidationError({"roles": "Nobody changes their own roles: ask another manager."})
    if Role.MANAGER in before - wanted:
        _keep_a_manager(staff)
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


def _take_turns() -> None:
    """Changes of rights one after another: of two managers who take each other's, one is refused.

    All accounts in one order, before anything else; not their keys, which every line of the trail
    takes a share of.
    """
    list(Staff.objects.select_for_update(no_key=True).order_by("pk").values_list("pk", flat=True))


def _keep_a_manager(staff: Staff) -> None:
    """Raise ValidationError if nobody but this person could manage the clinic."""
    managers = Staff.objects.filter(groups__name=Role.MANAGER.value, is_active=True)
    if not managers.exclude(pk=staff.pk).exists():
        raise ValidationError("This is the last manager: make somebody else a manager first.")


@transaction.atomic
def invite_person(
    *,
    username: str,
    roles: Collection[Role],
    sites: Collection[Site],
    by: Staff | None,
    **fields: Any,
) -> tuple[Staff, str]:
    """Open an account without a password; return it and the token of its invitation.

    Raises ValidationError, also for a name or an e-mail address that another account has.
    """
    staff = Staff(username=username.strip().lower(), **fields)
    staff.set_unusable_password()
    _check(staff, roles, sites)
    if Staff.objects.filter(username__iexact=staff.username).exists():
        raise ValidationError({"username": "Another account has this name. Choose another one."})
    staff.full_clean()
    staff.save()
    staff.sites.set(sites)
    change_roles(staff=staff, roles=roles, by=by)
    return staff, invite(staff=staff, by=by)


def _check(staff: Staff, roles: Collection[Role], sites: Collection[Site]) -> None:
    """What holds for every account, whoever opens or changes it."""
    if not (staff.first_name.strip() and staff.last_name.strip()):
        raise ValidationError("A person has a given and a family name: both print on papers.")
    if staff.home_site not in sites:
        raise ValidationError({"home_site": "The home site is one of the sites. Tick it as well."})
    if Role.CLINICIAN in roles and not staff.profession.strip():
        raise ValidationError({"profession": "A clinician's profession prints on papers."})
    same = Staff.objects.filter(email__iexact=staff.email).exclude(pk=staff.pk)
    if staff.email and same.exists():
        raise ValidationError({"email": "Another account has this address."})


@transaction.atomic
def change_person(
    *,
    staff: Staff,
    seen: Mapping[str, Any],
    roles: Collection[Role],
    sites: Collection[Site],
    by: Staff,
    **fields: Any,
) -> list[str]:
    """Save what a page changed of an account; return the names of the fields.

    seen: the values that the page showed, by field. Only what differs from them is saved, and a
    value that somebody else changed meanwhile is not written over. Raises ValidationError.
    """
    _take_turns()
    locked = Staff.objects.get(pk=staff.pk)
    typed = fields | {"roles": sorted(roles), "sites": sorted(site.pk for site in sites)}
    stored = values_of(locked)
    wanted = what_was_changed(stored, seen=seen, typed=typed)
    if staff == by and "sites" in wanted:
        raise ValidationError({"sites": "Nobody changes their own sites: ask another manager."})
    columns = [name for name in wanted if name in fields]
    for name in columns:
        setattr(locked, name, fields[name])
    _check(locked, roles, sites)
    locked.full_clean()
    locked.save(update_fields=columns)
    changed = [name for name in wanted if name != "roles" and stored[name] != typed[name]]
    if "sites" in changed:
        locked.sites.set(sites)
    if changed:
        detail: dict[str, Any] = {"fields": sorted(changed)}
        if "sites" in changed:
            detail["sites"] = sorted(site.code for site in sites)
        site = locked.home_site
        trail.record(TrailAction.CHANGE, by=by, row=locked, site=site, **detail)
    if "roles" in wanted:
        change_roles(staff=locked, roles=roles, by=by)
    return sorted(wanted)


def values_of(staff: Staff) -> dict[str, Any]:
    """What the page of an account shows, by field, as plain values."""
    names = ("first_name", "last_name", "email", "profession", "registration_number")
    return {name: getattr(staff, name) for name in names} | {
        "home_site_id": staff.home_site_id,
        "sites": sorted(staff.sites.values_list("pk", flat=True)),
        "roles": sorted(staff.roles),
    }


@transaction.atomic
def close_account(*, staff: Staff, by: Staff) -> None:
    """Let nobody in by this account, from this moment; what it signed stays.

    Raises ValidationError for one's own and for the last manager's.
    """
    _take_turns()
    if staff == by:
        raise ValidationError("Nobody closes their own account: ask another manager.")
    if Role.MANAGER in staff.roles:
        _keep_a_manager(staff)
    if not Staff.objects.filter(pk=staff.pk, is_active=True).update(is_active=False):
        return
    withdraw(staff=staff)
    end_sign_ins(staff=staff, by=by)
    _record_open(staff, by, is_open=False)


@transaction.atomic
def open_account(*, staff: Staff, by: Staff) -> None:
    """Let a person in again, with the password and the factor of before."""
    if Staff.objects.filter(pk=staff.pk, is_active=False).update(is_active=True):
        _record_open(staff, by, is_open=True)


def _record_open(staff: Staff, by: Staff, *, is_open: bool) -> None:
    trail.record(TrailAction.CHANGE, by=by, row=staff, site=staff.home_site, open=is_open)


@transaction.atomic
def reset_factor(*, staff: Staff, by: Staff | None) -> None:
    """Take away a lost second factor: the person sets up another at the next sign-in.

    The password is asked as before. Raises ValidationError for one's own and where there is none.
    """
    if staff == by:
        raise ValidationError("Nobody takes away their own factor here: ask another manager.")
    removed, _ = Authenticator.objects.filter(user=staff).delete()
    if not removed:
        raise ValidationError("There is no second factor to take away.")
    end_sign_ins(staff=staff, by=by)
    trail.record(
        TrailAction.CHANGE, by=by, row=staff, site=staff.home_site, fields=["second factor"]
    )
