"""What a site of a clinic starts with, and in which zone its clocks run."""

from zoneinfo import available_timezones

# code, name, minutes, whether a treadmill is needed; rule of this clinic, changed on its page
KINDS = (
    ("first", "First assessment", 60, True),
    ("reassessment", "Reassessment", 45, True),
    ("follow_up", "Follow-up", 30, False),
    ("telephone", "Telephone call", 15, False),
)
ROOM = "Treadmill room"
NOT_PLACES = ("Etc/", "SystemV/", "posix", "right/")


def zones() -> list[str]:
    """Names of time zones that stand for a place, sorted.

    Source: the tz database (IANA), as the machine or the package tzdata has it.
    """
    return sorted(
        name for name in available_timezones() if "/" in name and not name.startswith(NOT_PLACES)
    )


def is_zone(name: str) -> bool:
    """Whether the tz database has a zone of this name."""
    return name in available_timezones()
