"""The slip with the next appointment: no word about health on it."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from clinic.domain.paper import (
    NOT_GIVEN,
    Facts,
    Items,
    PaperHead,
    Section,
    Stored,
    Text,
    day_words,
    joined,
    time_words,
)


@dataclass(frozen=True)
class Slip(Stored):
    """One appointment as handed to the client. `starts_at` is the local time of the site."""

    head: PaperHead
    starts_at: datetime
    minutes: int = 0
    clinician: str = ""
    room: str = ""
    bring: tuple[str, ...] = ()

    title = "Your next appointment"

    @property
    def day(self) -> str:
        """The day in words, "Tuesday 6 April 2027"."""
        return day_words(self.starts_at.date())

    @property
    def time(self) -> str:
        """Start, end and length in words; the start alone if the length is not known."""
        if not self.minutes:
            return time_words(self.starts_at)
        end = self.starts_at + timedelta(minutes=self.minutes)
        return f"{time_words(self.starts_at)} to {time_words(end)} ({self.minutes} minutes)"

    @property
    def sections(self) -> tuple[Section, ...]:
        """What the slip says under the day and the time, in order."""
        clinic = self.head.letterhead
        where = Facts(
            (
                ("With", self.clinician or NOT_GIVEN),
                ("Place", joined(clinic.name, *clinic.address) or NOT_GIVEN),
                ("Room", self.room or "ask at the front desk"),
                ("Telephone", clinic.call),
            )
        )
        bring = Items(self.bring) if self.bring else Text("Nothing special.")
        tell = f"Call {clinic.telephone}" if clinic.telephone else "Tell us"
        change = Text(f"{tell} as early as you can. We will find another time.")
        return (
            Section("Where and with whom", (where,)),
            Section("What to bring", (bring,)),
            Section("If you cannot come", (change,)),
        )
