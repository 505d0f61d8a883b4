"""Taking over an existing diary: tried first, then all that was good or nothing."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from clinic.diary_files import NUMBER, Row, rows_of
from clinic.domain.vocabulary import TrailAction
from clinic.models import Appointment, AppointmentKind, Client, Room, Site, Staff
from clinic.services import diary, trail
from clinic.services.free_times import clinicians_of, zone_of

T = TypeVar("T")
CHANGED = "Something changed since the file was tried. Read the new report, then import."


@dataclass(frozen=True)
class Line:
    """What becomes of one row."""

    row: Row
    appointment: Appointment | None = None
    known: bool = False
    problem: str = ""


@dataclass(frozen=True)
class Report:
    """What an import does, row by row."""

    lines: list[Line]
    digest: str

    @property
    def good(self) -> list[Line]:
        """Rows that are booked by it."""
        return [line for line in self.lines if line.appointment and not line.known]

    @property
    def known(self) -> list[Line]:
        """Rows whose appointment stands already."""
        return [line for line in self.lines if line.known]

    @property
    def bad(self) -> list[Line]:
        """Rows that are left out."""
        return [line for line in self.lines if line.problem]


@dataclass(frozen=True)
class Defaults:
    """Where an import goes, and what holds for rows that do not say it."""

    site: Site
    kind: AppointmentKind
    clinician: Staff | None = None


def tried(content: bytes, defaults: Defaults, by: Staff) -> Report:
    """What an import would do; nothing is stored. Raises ValidationError for a bad file."""
    with transaction.atomic():
        report = _book_all(content, defaults, by)
        transaction.set_rollback(True)
    return report


@transaction.atomic
def imported(content: bytes, defaults: Defaults, by: Staff, *, good: int) -> Report:
    """Book the rows that can be booked, all of them or none.

    good: how many the person saw in the report of the trial. Raises ValidationError where that
    is no longer so.
    """
    report = _book_all(content, defaults, by)
    if len(report.good) != good:
        raise ValidationError(CHANGED, code="changed")
    trail.record(
        TrailAction.IMPORT,
        by=by,
        site=defaults.site,
        kind="diary",
        rows=len(report.lines),
        booked=len(report.good),
        known=len(report.known),
        left_out=len(report.bad),
        checksum=report.digest,
    )
    return report


def _book_all(content: bytes, defaults: Defaults, by: Staff) -> Report:
    rows = rows_of(content, zone_of(defaults.site))
    found = _Found(defaults, by)
    lines = [_line(row, found, by) for row in rows]
    return Report(lines, hashlib.sha256(content).hexdigest())


def _line(row: Row, found: "_Found", by: Staff) -> Line:
    if row.problem:
        return Line(row, problem=row.problem)
    try:
        appointment, known = _book(row, found, by)
    except ValidationError as refusal:
        return Line(row, problem=" ".join(refusal.messages))
    return Line(row, appointment, known=known)


def _book(row: Row, found: "_Found", by: Staff) -> tuple[Appointment, bool]:
    """The appointment of a row, and whether it stood already."""
    kind = found.kind(row.kind)
    client, clinician = found.client(row), found.clinician(row.clinician)
    if row.starts is None or row.starts.date() < timezone.localdate():
        raise ValidationError("It lies in the past.")
    refused: ValidationError | None = None
    for room in found.rooms(row.room, kind):
        try:
            with transaction.atomic():
                made = diary.book(
                    client=client,
                    kind=kind,
                    clinician=clinician,
                    room=room,
                    local_date=row.starts.date(),
                    local_time=row.starts.time(),
                    second=row.second,
                    by=by,
                )
                known = found.stood(made)
                if row.uid and not known:  # calendars that know it go on knowing it
                    made.uid = row.uid
                    made.save(update_fields=["uid"])
        except ValidationError as refusal:
            refused = refused or refusal
        else:
            return made, known
    raise refused or ValidationError("No room suits this kind of appointment.")


class _Found:
    """What rows name, each read once."""

    def __init__(self, defaults: Defaults, by: Staff) -> None:
        self.defaults, self.site, self.by = defaults, defaults.site, by
        newest = Appointment.objects.order_by("-pk").values_list("pk", flat=True).first()
        self._newest, self._made = newest or 0, set[int]()

    def stood(self, appointment: Appointment) -> bool:
        """Whether it stood before the import, or an earlier row made it."""
        known = appointment.pk <= self._newest or appointment.pk in self._made
        self._made.add(appointment.pk)
        return known

    @cached_property
    def _kinds(self) -> dict[str, AppointmentKind]:
        rows = list(AppointmentKind.objects.filter(site=self.site).select_related("site"))
        return {row.code: row for row in rows} | {row.name.casefold(): row for row in rows}

    @cached_property
    def _people(self) -> dict[str, Staff]:
        found = {}
        for person in clinicians_of(self.site):
            for word in (person.username, str(person), person.email):
                found[word.casefold()] = person
        return found

    @cached_property
    def _rooms(self) -> list[Room]:
        return list(Room.objects.filter(site=self.site).order_by("name"))

    @cached_property
    def _clients(self) -> dict[str, list[Client]]:
        found: dict[str, list[Client]] = {}
        mine = Client.objects.for_staff(self.by).filter(site=self.site)
        for client in mine.select_related("site"):
            names = {
                client.full_name.casefold(),
                f"{client.family_name}, {client.given_names}".casefold(),
            }
            for word in {client.number, *names}:
                found.setdefault(word, []).append(client)
        return found

    def kind(self, word: str) -> AppointmentKind:
        if not word:
            return self.defaults.kind
        return _named(self._kinds, word, "kind of appointment")

    def clinician(self, word: str) -> Staff:
        if not word:
            if self.defaults.clinician is None:
                raise ValidationError("No clinician is named: choose one for such rows.")
            return self.defaults.clinician
        if word.casefold() in self._people:
            return self._people[word.casefold()]
        if "@" in word and self.defaults.clinician:  # whoever sent the invitation
            return self.defaults.clinician
        return _named(self._people, word, "clinician")

    def rooms(self, word: str, kind: AppointmentKind) -> Sequence[Room]:
        """The named room, or those that suit; a place that is no room of ours names none."""
        named = [room for room in self._rooms if room.name.casefold() == word.casefold()]
        suitable = [room for room in self._rooms if room.has_treadmill or not kind.needs_treadmill]
        return named or sorted(suitable, key=lambda it: it.has_treadmill != kind.needs_treadmill)

    def client(self, row: Row) -> Client:
        if not row.client:
            raise ValidationError("No client is named.")
        word = row.client if NUMBER.fullmatch(row.client) else row.client.casefold()
        found = self._clients.get(word, [])
        if row.born:
            found = [client for client in found if client.birth_date == row.born]
        if not found:
            raise ValidationError(
                f"No client of {self.site} that is open to you is “{row.client}”. Register first."
            )
        if len(found) > 1:
            raise ValidationError(
                f"{len(found)} clients are “{row.client}”: give the record number or the birth "
                "date in the column born."
            )
        return found[0]


def _named(known: Mapping[str, T], word: str, what: str) -> T:
    if word.casefold() not in known:
        raise ValidationError(f"No {what} is “{word}”.")
    return known[word.casefold()]
