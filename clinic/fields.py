"""Model fields that the domain's own words need."""

from enum import StrEnum


def choices(words: type[StrEnum]) -> list[tuple[str, str]]:
    """Model choices of a domain enum: its value, and its value as words."""
    return [(word.value, word.value.replace("_", " ")) for word in words]


def values(words: type[StrEnum]) -> list[str]:
    """Plain values of a domain enum, for constraints: a migration must not import the enum."""
    return [word.value for word in words]
