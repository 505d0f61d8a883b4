"""Check SS-02: which passwords are taken, and how they are kept.

Expected verdicts: OWASP ASVS 5.0.0, 6.2.1 to 6.2.12; NIST SP 800-63B-4 (15 characters, 64 allowed,
no composition rule). Least work of the hash: ASVS appendix C, argon2id t=2, m=19 MiB.
"""

import pytest
from django.contrib.auth import password_validation
from django.contrib.auth.hashers import check_password, make_password
from django.core.exceptions import ValidationError
from django.urls import reverse

from clinic.passwords import Argon2Hasher, common_passwords
from tests.factories import SiteFactory, StaffFactory
from tests.factories.clinic import PASSWORD

SHORT = "of at least 15 characters"
COMMON = "among the first that anybody tries"
OURS = "made of a name"
TAKEN = ""
LONG = "kettle orchard window under nine slow herons"
CASES = {
    "7 characters": ("kettle7", SHORT),
    "14 characters": ("kettle orchard", SHORT),
    "15 characters": ("kettle orchards", TAKEN),
    "64 characters": ((LONG + " and a brass lamp at home")[:64], TAKEN),
    "65 characters": ((LONG + " and a brass lamp at home")[:65], TAKEN),
    "200 characters": ((LONG + " ") * 5, TAKEN),
    "small letters only": ("kettleorchardwindow", TAKEN),
    "figures only": ("840277193326015", TAKEN),
    "spaces": (" kettle  orchard  window ", TAKEN),
    "accents": ("crème brûlée pour Zoë", TAKEN),
    "another alphabet": ("полёт над городом", TAKEN),
    "common, short": ("password", COMMON),
    "common, long": ("1q2w3e4r5t6y7u8i9o0p", COMMON),
    "common, repeated": ("iloveyouiloveyou", COMMON),
    "common, padded": ("Password1234567!", COMMON),
    "row of keys": ("qwertyuiopasdfgh", COMMON),
    "one key": ("aaaaaaaaaaaaaaaa", COMMON),
    "clinic": ("Larkfield Running Clinic", OURS),
    "clinic and year": ("larkfieldrunning2026", OURS),
    "site": ("Mill Lane, Mill Lane", OURS),
    "own name": ("Ines Marlow 1990", OURS),
    "own account": ("imarlow-imarlow-1", OURS),
}


@pytest.fixture
def staff(db):
    SiteFactory()
    return StaffFactory(
        username="imarlow", first_name="Ines", last_name="Marlow", email="ines.m@example.org"
    )


def verdict(password, staff):
    try:
        password_validation.validate_password(password, staff)
    except ValidationError as refusal:
        return " ".join(refusal.messages)
    return TAKEN


@pytest.mark.parametrize("case", CASES)
def test_verdict(staff, case):
    password, expected = CASES[case]

    said = verdict(password, staff)

    assert (expected in said) if expected else (said == "")


def test_lengths_of_the_cases_are_what_they_say():
    lengths = {
        name: len(password)
        for name, (password, _) in CASES.items()
        if name.endswith("characters") and not name.startswith("200")
    }

    assert lengths == {f"{size} characters": size for size in (7, 14, 15, 64, 65)}


def test_list_holds_the_most_common_ones():
    # the ten that head the published lists of recent years, from memory
    heads = {"123456", "password", "123456789", "12345678", "12345", "qwerty", "abc123", "111111"}

    assert heads <= common_passwords()
    assert len(common_passwords()) >= 3000  # ASVS 6.2.4


@pytest.mark.parametrize("size", [15, 64, 65, 1000])
def test_long_password_counts_to_its_last_character(size):
    hasher = Argon2Hasher()
    password = "k" * (size - 1) + "z"

    stored = hasher.encode(password, hasher.salt())

    assert hasher.verify(password, stored)
    assert not hasher.verify(password[:-1], stored)
    assert not hasher.verify(password[:-1] + "y", stored)


def test_keyboards_that_compose_differently_open_the_same_account():
    hasher = Argon2Hasher()

    stored = hasher.encode("cr\u00e8me br\u00fbl\u00e9e pour", hasher.salt())

    assert hasher.verify("cre\u0300me bru\u0302le\u0301e pour", stored)


def test_stored_form_is_argon2id_above_the_least(settings):
    settings.PASSWORD_HASHERS = ["clinic.passwords.Argon2Hasher"]
    stored = make_password(PASSWORD)

    assert stored.startswith("argon2$argon2id$v=19$m=102400,t=2,p=8$")
    assert PASSWORD not in stored
    assert check_password(PASSWORD, stored)


def change(browser, staff, new):
    browser.force_login(staff)
    typed = {"oldpassword": PASSWORD, "password1": new, "password2": new}
    return browser.post(reverse("account_change_password"), typed)


def test_page_says_why_it_refuses(client, staff):
    page = change(client, staff, "Mill Lane").content.decode()

    assert "It has 9 of at least 15 characters" in page
    assert "made of a name of the clinic, of a site or of your own" in page
    assert "<title>Error: Change your password" in page


def test_page_takes_a_long_one_whole(client, staff):
    new = CASES["200 characters"][0]

    response = change(client, staff, new)

    staff.refresh_from_db()
    assert response.status_code == 302
    assert staff.check_password(new)
    assert not staff.check_password(new.strip())


def test_fields_let_a_manager_of_passwords_paste(client, staff):
    client.force_login(staff)

    page = client.get(reverse("account_change_password")).content.decode()

    assert page.count('autocomplete="new-password"') == 2
    assert 'autocomplete="current-password"' in page
    assert "maxlength" not in page
    assert "onpaste" not in page
