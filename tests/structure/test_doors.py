"""Nothing opens without sign-in, and each page opens for exactly the roles it names."""

import pytest
from django.core.cache import cache

from clinic.domain.vocabulary import Role
from tests.factories import StaffFactory
from tests.structure.doors import Door, World, all_doors, our_doors

# what a person needs before being signed in; nothing here shows anything about a client
OPEN = {
    "account_login",
    "account_logout",
    "account_signup",
    "account_inactive",
    "account_email_verification_sent",
    "account_confirm_email",
    "account_confirm_login_code",
    "account_reset_password",
    "account_reset_password_done",
    "account_reset_password_from_key",
    "account_reset_password_from_key_done",
    "mfa_authenticate",
    "invitation-open",
    "health",
    # opened by the secret in its address; it names no client
    "calendar-feed",
}
# pages of ours that look at no role, because everybody or nobody is meant
WITHOUT_ROLE = {"health", "calendar-feed", "invitation-open"}
# words of addresses under which clinical content stands
CLINICAL_WORDS = {
    "assessments",
    "trials",
    "episodes",
    "holds",
    "screening",
    "history",
    "programme",
    "items",
    "keys",
}
# addresses of other packages that take arguments: nothing is behind a wrong one
FOREIGN_ARGUMENTS = {
    "account_confirm_email": {"key": "none"},
    "account_reset_password_from_key": {"uidb36": "1", "key": "none"},
    "mfa_remove_webauthn": {"pk": 1},
    "mfa_edit_webauthn": {"pk": 1},
}


def by_name(doors):
    return pytest.mark.parametrize("door", doors, ids=lambda door: door.name or door.route)


@pytest.fixture
def staff_of(db):
    yield {role: StaffFactory(role=role) for role in Role}
    cache.clear()


@pytest.fixture
def world(staff_of, edition):
    return World(staff_of[Role.CLINICIAN], edition)


def address_of(door, world):
    if door.name in FOREIGN_ARGUMENTS:
        from django.urls import reverse

        return reverse(door.name, kwargs=FOREIGN_ARGUMENTS[door.name])
    return door.address(world)


def test_tree_of_addresses_is_walked():
    names = {door.name for door in all_doors()}

    assert {"account_login", "mfa_index", "client-list"} <= names


@by_name(all_doors())
def test_page_is_named(door):
    assert door.name


@by_name([door for door in all_doors() if door.name not in OPEN])
def test_page_refuses_without_sign_in(client, world, door):
    address = address_of(door, world)

    for response in (client.get(address), client.post(address)):
        assert response.status_code == 302
        assert response.url.startswith("/accounts/login/?next=")


@by_name([door for door in our_doors() if door.name not in WITHOUT_ROLE])
def test_page_names_its_roles(door):
    assert door.view.roles <= frozenset(Role)
    assert door.view.roles


def is_clinical(door):
    """Whether a word of the address says so; one's own account has keys of another kind."""
    return bool(CLINICAL_WORDS & set(door.route.split("/"))) and "accounts/" not in door.route


@by_name([door for door in our_doors() if is_clinical(door)])
def test_clinical_page_is_closed_to_reception(door):
    assert Role.RECEPTION not in door.view.roles


def test_unknown_argument_is_named(world):
    door = Door("unicorns/<int:pk>/", "unicorn-open", view=None)

    with pytest.raises(LookupError, match="'unicorns', 'pk'"):
        door.address(world)
