"""Public holidays of a region, from the library that follows national rules."""

import re
from datetime import date
from functools import lru_cache

from django.core.exceptions import ValidationError

# ISO 3166-1 alpha-2, and a part by ISO 3166-2; the library knows some towns by other names
CODE = re.compile(r"[A-Z]{2}(-[A-Z0-9]{1,3})?")


@lru_cache(maxsize=1)
def regions() -> dict[str, str]:
    """Codes whose holidays the library knows, each with its name in words, sorted by name."""
    import holidays  # slow import
    from holidays.registry import COUNTRIES  # slow import

    names = {codes[1]: name.replace("_", " ").title() for name, codes in COUNTRIES.items()}
    found = {}
    for country, parts in holidays.list_supported_countries(include_aliases=False).items():
        found[country] = names.get(country, country)
        known = getattr(holidays, country).subdivisions_aliases
        words = {code: name for name, code in known.items()}
        for part in parts:
            found[f"{country}-{part}"] = f"{found[country]}, {words.get(part, part)}"
    return {
        code: found[code]
        for code in sorted(found, key=lambda it: found[it])
        if CODE.fullmatch(code)
    }


@lru_cache(maxsize=64)
def public_holidays(region: str, year: int) -> dict[date, str]:
    """Days and their names in English where there are such; empty without a region.

    region: ISO 3166, country or country-part such as GB-ENG. Raises ValidationError.
    """
    if not region:
        return {}
    import holidays  # slow import

    country, _, part = region.partition("-")
    try:
        found = holidays.country_holidays(country, subdiv=part or None, years=year)
    except NotImplementedError as unknown:
        raise ValidationError(
            f"Public holidays of {region} are not known. Write a country such as GB, "
            "or a part of one such as GB-ENG."
        ) from unknown
    return {day: str(name) for day, name in found.items() if day.year == year}


def holidays_between(region: str, first: date, last: date) -> dict[date, str]:
    """Public holidays from one day to another, both days part of it."""
    years = range(first.year, last.year + 1)
    return {
        day: name
        for year in years
        for day, name in public_holidays(region, year).items()
        if first <= day <= last
    }
