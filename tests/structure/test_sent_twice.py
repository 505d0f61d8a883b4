"""A form that makes something, pressed twice: one thing is made, and both presses lead to it."""

import pytest
from django.apps import apps
from django.core.cache import cache
from django.test import Client as Browser

from clinic.domain.vocabulary import Role
from tests.factories import AppointmentKindFactory, StaffFactory
from tests.factories.consult import make_episode
from tests.structure.doors import World, our_doors
from tests.structure.forms import forms_of

# the page, who presses, what is typed beyond what stands in it, what is made
MADE = {
    "alert-new": (Role.RECEPTION, "clinic.Alert", {"text": "Cannot hear on the left"}),
    "assessment-open-new": (Role.CLINICIAN, "assessments.Assessment", {}),
    "client-new": (
        Role.RECEPTION,
        "clinic.Client",
        {"given_names": "Wren", "family_name": "Hale", "birth_date": "1990-05-04"},
    ),
    "consent-new": (Role.CLINICIAN, "clinic.Consent", {}),
    "episode-new": (Role.CLINICIAN, "assessments.Episode", {"reason": "my calf aches"}),
    "hours-change-new": (
        Role.MANAGER,
        "clinic.HoursChange",
        {"first_day": "2027-03-12", "last_day": "2027-03-12"},
    ),
    "referrer-new": (Role.RECEPTION, "clinic.Referrer", {"name": "Dr Wren Hale"}),
    "room-new": (Role.MANAGER, "clinic.Room", {"name": "Hill room"}),
    "site-new": (Role.MANAGER, "clinic.Site", {"name": "Hill", "code": "HI", "address": "1 Hill"}),
    "staff-new": (
        Role.MANAGER,
        "clinic.Staff",
        {"username": "wren", "profession": "physiotherapist"},
    ),
    "waiting-new": (Role.RECEPTION, "clinic.WaitingEntry", {}),
}


@pytest.mark.django_db
@pytest.mark.parametrize("name", MADE)
def test_a_form_pressed_twice_makes_one(edition, name):
    role, kind, typed = MADE[name]
    staff = {one: StaffFactory(role=one) for one in Role}
    world = World(staff[Role.CLINICIAN], edition)
    AppointmentKindFactory(site=world.runner.site)
    make_episode(world.runner, world.staff)
    (door,) = [one for one in our_doors() if one.name == name]
    address = door.address(world)
    tab = Browser()
    tab.force_login(staff[role])
    (form,) = [
        one for one in forms_of(tab.get(address).content.decode(), address) if "act" in one.fields
    ]
    made = apps.get_model(kind)._base_manager
    before = made.count()

    first, second = form.send(tab, **typed), form.send(tab, **typed)

    shown = [it.context["form"].errors for it in (first, second) if "form" in (it.context or ())]
    assert made.count() == before + 1, shown
    assert second.status_code == 302
    assert tab.get(second.url).status_code == 200
    cache.clear()
