"""Clients from a file: what would come of each row, then all of them in one transaction."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from hashlib import sha256
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from clinic.domain.client_rows import FIELDS, Reading
from clinic.domain.people import KnownPeople, KnownPerson
from clinic.domain.vocabulary import TrailAction
from clinic.models import Client, Site, Staff, TrailEntry
from clinic.models.limits import closed, open_to
from clinic.services import trail
from clinic.services.people import StaleError, searched_by

# what the model itself cannot say of one row of a file: the service sets these
SET_HERE = {"site", "number", "doctor", "registered_on", "search_text", "version"}
# a restricted record that does not name the person who imports
UNTOLD = "a record that is not open to you (ask the manager)"
BATCH = 500  # rows written by one statement


class RowState(StrEnum):
    """What would come of a row."""

    READY = "ready"
    DOUBLE = "double"  # like a client of the record
    TWIN = "twin"  # like a row further up
    FAULTY = "faulty"


class RowEnd(StrEnum):
    """What came of a row."""

    IMPORTED = "imported"
    SKIPPED = "skipped"
    LEFT_OUT = "left_out"


@dataclass(frozen=True)
class Planned:
    """One row with its state; `like` names the clients or lines that it may repeat."""

    reading: Reading
    state: RowState
    faults: Mapping[str, str]
    like: tuple[str, ...] = ()

    @property
    def line(self) -> int:
        return self.reading.line

    @property
    def name(self) -> str:
        given, family = self.reading.text("given_names"), self.reading.text("family_name")
        return f"{given} {family}".strip()

    @property
    def doubtful(self) -> bool:
        """Whether a person decides on it."""
        return self.state in (RowState.DOUBLE, RowState.TWIN)

    @property
    def words(self) -> str:
        """Why it is not simply imported."""
        if self.state is RowState.DOUBLE:
            return f"May be {', '.join(self.like)} of the record."
        if self.state is RowState.TWIN:
            return f"May be the same person as in line {', '.join(self.like)}."
        return " ".join(
            f"{FIELDS.get(field, field).capitalize()}: {words}"
            for field, words in self.faults.items()
        )


@dataclass(frozen=True)
class Done:
    """One row with what came of it."""

    planned: Planned
    end: RowEnd
    number: str = ""


def plan(readings: Sequence[Reading], by: Staff) -> list[Planned]:
    """What would come of each row, in the order of the file; nothing is written."""
    record = KnownPeople(_recorded(by))
    above = KnownPeople()
    found = []
    for reading in readings:
        planned = _planned(reading, record, above)
        if planned.state is not RowState.FAULTY:
            above.add(_person(str(reading.line), reading))
        found.append(planned)
    return found


def _recorded(by: Staff) -> list[KnownPerson]:
    here = Client.objects.filter(open_to(by) | closed(by))
    rows = here.annotate(is_open=open_to(by)).values_list(
        "is_open", "number", "family_name", "birth_date", "telephone"
    )
    return [KnownPerson(row[1] if row[0] else UNTOLD, *row[2:]) for row in rows]


def _person(key: str, reading: Reading) -> KnownPerson:
    born = reading.fields["birth_date"]
    if not isinstance(born, date):
        raise ValueError(f"line {reading.line} has no date of birth")
    return KnownPerson(key, reading.text("family_name"), born, reading.text("telephone"))


def _planned(reading: Reading, record: KnownPeople, above: KnownPeople) -> Planned:
    faults = dict(reading.faults) or _model_faults(reading)
    if faults:
        return Planned(reading, RowState.FAULTY, faults)
    one = _person("", reading)
    asked = (one.family_name, one.birth_date, one.telephone)
    for state, people in ((RowState.DOUBLE, record), (RowState.TWIN, above)):
        like = people.like(*asked)
        if like:
            return Planned(reading, state, {}, tuple(it.key for it in like))
    return Planned(reading, RowState.READY, {})


def _model_faults(reading: Reading) -> dict[str, str]:
    """What the client's own fields refuse: lengths, an email that is none."""
    client = Client(**reading.fields)
    blank = set() if client.given_names else {"given_names"}
    try:
        client.full_clean(
            exclude=SET_HERE | blank, validate_unique=False, validate_constraints=False
        )
    except ValidationError as refused:
        return {field: " ".join(words) for field, words in refused.message_dict.items()}
    return {}


def counted(planned: Sequence[Planned]) -> Counter[RowState]:
    return Counter(one.state for one in planned)


def stamp_of(planned: Sequence[Planned]) -> str:
    """What the person saw: the state of each row and whom it may repeat."""
    seen = [(one.line, one.state.value, one.like) for one in planned]
    return sha256(repr(seen).encode()).hexdigest()


def imported_before(checksum: str, site: Site) -> TrailEntry | None:
    """The line of an import of the same bytes at a site."""
    return TrailEntry.objects.filter(
        site=site, action=TrailAction.IMPORT, detail__sha256=checksum
    ).first()


@transaction.atomic
def import_clients(
    *,
    readings: Sequence[Reading],
    checksum: str,
    anyway: frozenset[int],
    leave_out: bool,
    seen: str,
    by: Staff,
) -> list[Done]:
    """Register the rows at the person's home site, all or none, and say what came of each.

    checksum: of the file, which is imported once. anyway: lines of possible doubles that are
    other people; the others are skipped. leave_out: whether rows with faults stay out; without it
    one faulty row stops all. seen: stamp of the plan that the person saw.
    Raises ValidationError, and StaleError when the record has changed since the plan was shown.
    """
    site = _locked_site(by)
    before = imported_before(checksum, site)
    if before:
        raise ValidationError(
            f"This file was imported on {timezone.localtime(before.at):%-d %b %Y} by "
            f"{before.actor_name}: nothing is imported twice."
        )
    planned = plan(readings, by)
    if stamp_of(planned) != seen:
        raise StaleError
    count = counted(planned)
    if count[RowState.FAULTY] and not leave_out:
        raise ValidationError(
            "Some rows cannot be imported: put them right in the file, or say that they are left "
            "out. Nothing was imported."
        )
    taken = [
        one
        for one in planned
        if one.state is RowState.READY or (one.doubtful and one.line in anyway)
    ]
    if not taken:
        raise ValidationError("No row would be imported: nothing was changed.")
    # first, so that it carries the id of the request
    trail.record(
        TrailAction.IMPORT,
        by=by,
        site=site,
        kind="file",
        sha256=checksum,
        rows=len(planned),
        imported=len(taken),
        skipped=len(planned) - len(taken) - count[RowState.FAULTY],
        left_out=count[RowState.FAULTY],
    )
    numbers = _registered([one.reading for one in taken], site, by)
    return [_done(one, numbers) for one in planned]


def _done(planned: Planned, numbers: Mapping[int, str]) -> Done:
    if planned.line in numbers:
        return Done(planned, RowEnd.IMPORTED, numbers[planned.line])
    faulty = planned.state is RowState.FAULTY
    return Done(planned, RowEnd.LEFT_OUT if faulty else RowEnd.SKIPPED)


def _locked_site(by: Staff) -> Site:
    """The site of the person; nobody registers or imports there before this is done."""
    if by.home_site_id is None:
        raise ValidationError("Your account has no site: ask the clinic manager.")
    return Site.objects.select_for_update().get(pk=by.home_site_id)


def _registered(rows: Sequence[Reading], site: Site, by: Staff) -> dict[int, str]:
    """Save the clients with their lines in the trail; record numbers by line of the file."""
    today = timezone.localdate()
    numbers = _next_numbers(site, len(rows))
    clients = []
    for number, row in zip(numbers, rows, strict=True):
        client = Client(site=site, number=number, registered_on=today, **_fields(row))
        client.search_text = searched_by(client)
        clients.append(client)
    Client.objects.bulk_create(clients, batch_size=BATCH)
    for client in clients:
        trail.record(TrailAction.CREATE, by=by, row=client, client=client, origin="import")
    return {row.line: number for row, number in zip(rows, numbers, strict=True)}


def _fields(row: Reading) -> dict[str, Any]:
    return dict(row.fields)


def _next_numbers(site: Site, count: int) -> list[str]:
    """Record numbers that nobody has had; the site is locked."""
    had = set(Client.objects.filter(site=site).values_list("number", flat=True))
    found: list[str] = []
    counter = site.clients_numbered
    while len(found) < count:
        counter += 1
        number = f"{site.code}{counter:05d}"
        # numbers brought along from an older record may lie ahead of the count
        if number not in had:
            found.append(number)
    site.clients_numbered = counter
    site.save(update_fields=["clients_numbered"])
    return found


REPORT = ("line", "name", "date of birth", "what came of it", "record number", "why", "notes")
ENDS = {
    RowEnd.IMPORTED: "imported",
    RowEnd.SKIPPED: "skipped, may be a double",
    RowEnd.LEFT_OUT: "left out",
}
STATES = {
    RowState.READY: "would be imported",
    RowState.DOUBLE: "may be a double of the record",
    RowState.TWIN: "may be a double in the file",
    RowState.FAULTY: "cannot be imported",
}


def report(rows: Sequence[Planned] | Sequence[Done]) -> list[tuple[str, ...]]:
    """The report as a table, headings first: of a plan, or of an import."""
    return [REPORT, *(_report_row(row) for row in rows)]


def _report_row(row: Planned | Done) -> tuple[str, ...]:
    planned = row.planned if isinstance(row, Done) else row
    return (
        str(planned.line),
        planned.name,
        planned.reading.text("birth_date"),
        ENDS[row.end] if isinstance(row, Done) else STATES[row.state],
        row.number if isinstance(row, Done) else "",
        planned.words,
        "; ".join(f"{FIELDS[field]}: {note}" for field, note in planned.reading.notes.items()),
    )
