"""Standard codes of exports: check digits and numbers as the standards define them."""

import csv

import pytest

from clinic.web.fhir.reading import CODES

LOINC, SNOMED, IEEE = "http://loinc.org", "http://snomed.info/sct", "urn:iso:std:iso:11073:10101"
# IEEE 11073-10101: terms of partition 129, health and fitness
TERMS = {"MDC_HF_CAD": 111, "MDC_HF_SPEED": 110, "MDC_HF_INCLINE": 112}


def rows(system):
    with CODES.open(encoding="utf-8", newline="") as text:
        found = [row for row in csv.DictReader(text) if row["system"] == system]
    return pytest.mark.parametrize("row", found, ids=lambda row: f"{row['local']}-{row['code']}")


def luhn(digits):
    """Check digit of LOINC (Regenstrief, LOINC Users' Guide, appendix on check digits: mod 10)."""
    total = 0
    for place, digit in enumerate(reversed(digits)):
        doubled = int(digit) * (2 if place % 2 == 0 else 1)
        total += sum(int(part) for part in str(doubled))
    return -total % 10


def verhoeff(digits):
    """0 for a number that holds its check digit (J. Verhoeff 1969; SNOMED CT identifiers).

    The group of order 10 (symmetries of a pentagon), and the permutation applied by position.
    """
    permutation = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4]
    found = 0
    for place, digit in enumerate(reversed(digits)):
        turned = int(digit)
        for _ in range(place % 8):
            turned = permutation[turned]
        found = product(found, turned)
    return found


def product(one, other):
    """Turns 0 to 4 and mirrored turns 5 to 9 of a pentagon, one after the other."""
    if one < 5:
        return (one + other) % 5 if other < 5 else 5 + (one + other - 5) % 5
    return 5 + (one - 5 - other) % 5 if other < 5 else (one - other) % 5


@rows(LOINC)
def test_loinc_code_holds_its_check_digit(row):
    number, _, check = row["code"].partition("-")

    assert luhn(number) == int(check)


@rows(SNOMED)
def test_snomed_code_holds_its_check_digit(row):
    assert verhoeff(row["code"]) == 0


@rows(IEEE)
def test_ieee_code_is_partition_and_term(row):
    assert int(row["code"]) == 129 * 65536 + TERMS[row["standard_display"]]


def test_wrong_digits_are_found():
    assert luhn("8302") == 2
    assert luhn("8303") != 2
    # 236 with its check digit 3 is the example of the method's description
    assert verhoeff("2363") == 0
    assert verhoeff("2364") != 0
    assert verhoeff("3263") != 0


def test_every_code_has_a_known_system_and_a_source():
    with CODES.open(encoding="utf-8", newline="") as text:
        table = list(csv.DictReader(text))

    assert {row["system"] for row in table} == {"", LOINC, SNOMED, IEEE}
    assert all(row["source"] for row in table)
    assert all(bool(row["system"]) == bool(row["code"]) for row in table)
    names = [row["local"] for row in table]
    assert len(names) == len(set(names))
