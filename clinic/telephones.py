"""Telephone numbers from files: one way of writing for all, readable, with the country."""

from functools import cache
from importlib.resources import files

from clinic.models import Site

KEPT_AS_TYPED = "kept as typed: no number of that country"
LONGEST = 30


def region_of(site: Site) -> str:
    """The country (ISO 3166) whose numbers are written at a site without a country code."""
    country = site.holiday_region.partition("-")[0]
    return country or _countries().get(site.time_zone, "GB")


@cache
def _countries() -> dict[str, str]:
    """Country of each time zone. Source: zone.tab of the IANA time zone database."""
    table = files("tzdata").joinpath("zoneinfo", "zone.tab").read_text(encoding="utf-8")
    rows = (line.split("\t") for line in table.splitlines() if not line.startswith("#"))
    return {row[2]: row[0] for row in rows}


def international(typed: str, region: str) -> tuple[str, str]:
    """The number with its country code in readable groups, and a note where it stays as typed.

    typed: one number as people write it. region: where it is written without a country code.
    Its digits are those of E.164 (ITU-T), so that one number is stored in one way.
    """
    import phonenumbers  # slow import

    try:
        number = phonenumbers.parse(typed, region)
    except phonenumbers.NumberParseException:
        return typed, KEPT_AS_TYPED
    if not phonenumbers.is_possible_number(number):
        return typed, KEPT_AS_TYPED
    words = phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.INTERNATIONAL)
    return (words, "") if len(words) <= LONGEST else (typed, KEPT_AS_TYPED)


def is_region(region: str) -> bool:
    """Whether numbers of this country are known."""
    import phonenumbers  # slow import

    return region in phonenumbers.SUPPORTED_REGIONS
