"""What counts as easy to guess, and what must not."""

import pytest

from clinic.domain import passwords

COMMON = {"password", "dragon", "iloveyou", "sunshine", "letmein", "trustno1"}
NAMES = ["Larkfield Running Clinic", "Mill Lane", "Ines Marlow", "imarlow", "Ines", "Marlow"]


@pytest.mark.parametrize(
    ("password", "short"),
    [
        ("sevenab", True),
        ("a" * 14, True),
        ("a" * 15, False),
        ("é" * 15, False),
        ("😀" * 15, False),
    ],
)
def test_characters_are_counted(password, short):
    assert passwords.is_short(password) == short


def test_composed_and_taken_apart_are_one():
    # é as one sign and as e with a mark (Unicode Standard Annex 15, figure 3)
    assert passwords.normalised("caf\u00e9") == passwords.normalised("cafe\u0301") == "caf\u00e9"


@pytest.mark.parametrize(
    "password",
    [
        "password",
        "PassWord",
        "passwordpassword",
        "password-password",
        "Password123456!",
        "123 password 456",
        "dragondragondragon",
        "1234567890 dragon 1234567890",
        "123456789012345",
        "987654321098765",
        "abcdefghijklmnop",
        "qwertyuiopasdfghjkl",
        "qwertyuiop1234567",
        "aaaaaaaaaaaaaaaa",
        "abababababababab",
        "aaaaabbbbbcccccd",
        "................",
    ],
)
def test_common_ways_are_seen(password):
    assert passwords.is_common(password, COMMON)


@pytest.mark.parametrize(
    "password",
    [
        "kettle orchard window",
        "three easy miles before tea",
        "a dragon under the sunshine",
        "840277193326015",
        "84027719338 dragon",
        "correcthorsebatterystaple",
        "crème brûlée für Zoë",
        "полёт над городом",
    ],
)
def test_what_is_hard_to_guess_passes(password):
    assert not passwords.is_common(password, COMMON)
    assert not passwords.is_of_the_clinic(password, NAMES)


@pytest.mark.parametrize(
    "password",
    [
        "Larkfield Running Clinic",
        "larkfieldrunning2026",
        "LARKFIELD-clinic-2026!",
        "we all love larkfield running clinic",
        "Mill Lane Mill Lane",
        "ines marlow 1990-04-12",
        "imarlow.imarlow.imarlow",
        "Inès Marlow rocks",
        "welcome to mill lane",
    ],
)
def test_names_of_the_clinic_are_seen(password):
    assert passwords.is_of_the_clinic(password, NAMES)


@pytest.mark.parametrize(
    "password",
    [
        "windmills over the harbour",
        "larkfield ate my porridge",
        "no name of ours at all",
        "8402771",
    ],
)
def test_a_name_beside_enough_else_passes(password):
    assert not passwords.is_of_the_clinic(password, NAMES)


def test_clinic_without_names_refuses_no_password_for_it():
    assert not passwords.is_of_the_clinic("kettle orchard window", ["", " "])
