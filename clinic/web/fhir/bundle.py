"""The bundle: every resource of some clients, checked one by one and written as it is made."""

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import IO, Any

from assessments.editions import newest, tables_of
from clinic.domain.fhir_rules import bundle_faults, codes_in, faults, references_in
from clinic.web.fhir import care, observations, people, records
from clinic.web.fhir.reading import Record, Wish, bytes_of, content_of, programmes_of
from clinic.web.fhir.reading import records as read_records
from clinic.web.fhir.sheet import SYSTEM, Resource, Sheet, kept
from exercises.editions import edition_of


class UnsoundError(Exception):
    """A resource breaks a rule of the standard; nothing of the export is to be used."""


@dataclass
class Tally:
    """What was written: resources by type."""

    counts: Counter[str] = field(default_factory=Counter)
    left_out: int = 0  # restricted records that are closed to the person who exports

    @property
    def total(self) -> int:
        return sum(self.counts.values())

    def __str__(self) -> str:
        return ", ".join(f"{name} {count}" for name, count in sorted(self.counts.items()))


@dataclass
class Writer:
    """Writes entries one after another; holds references to what comes at the end only."""

    out: IO[str]
    structure: Callable[[Resource], None]
    tally: Tally = field(default_factory=Tally)
    waiting: dict[str, str] = field(default_factory=dict)
    # records of one person name each other, before or after they are written
    linked: set[str] = field(default_factory=set)

    def group(self, resources: Iterable[Resource]) -> None:
        """Write resources that refer to one another or to what comes at the end."""
        urls: list[str] = []
        references: dict[str, str] = {}
        for resource in resources:
            url = f"urn:uuid:{resource['id']}"
            self._check(resource)
            self._put(url, resource)
            urls.append(url)
            if resource.get("link"):
                self.linked.add(url)
            references.update(references_in(resource))
        own = set(urls)
        inside = {url: place for url, place in references.items() if url in own}
        _refuse(bundle_faults(iter(urls), inside, {}, set()))
        self.waiting.update({url: at for url, at in references.items() if url not in own})

    def close(self, resources: Sequence[Resource], codes: Iterable[str]) -> None:
        """Write what all others lean on; nothing that was referred to may be missing."""
        urls = []
        for resource in resources:
            url = f"urn:uuid:{resource['id']}"
            self._check(resource)
            self._put(url, resource)
            urls.append(url)
            self.waiting.update(references_in(resource))
        used = {code: at for one in resources for code, at in codes_in(one, SYSTEM)}
        asked = {url: at for url, at in self.waiting.items() if url not in self.linked}
        _refuse(bundle_faults(iter(urls), asked, used, set(codes)))

    def _check(self, resource: Resource) -> None:
        self.structure(resource)
        _refuse(faults(resource))

    def _put(self, url: str, resource: Resource) -> None:
        if self.tally.total:
            self.out.write(",\n")
        entry = {"fullUrl": url, "resource": resource}
        self.out.write(json.dumps(entry, ensure_ascii=False))
        self.tally.counts[resource["resourceType"]] += 1


def _refuse(found: Iterable[Any]) -> None:
    wrong = [str(one) for one in found]
    if wrong:
        raise UnsoundError("; ".join(wrong[:10]))


def structure_of() -> Callable[[Resource], None]:
    """A check of one resource's structure by the library; raises UnsoundError."""
    # slow import
    from fhir.resources.R4B import get_fhir_model_class

    def check(resource: Resource) -> None:
        try:
            get_fhir_model_class(resource["resourceType"]).model_validate(resource)
        except ValueError as wrong:
            raise UnsoundError(str(wrong)) from wrong

    return check


def write_bundle(
    *, clients: Sequence[int], wish: Wish, sheet: Sheet, at: datetime, out: IO[str]
) -> Tally:
    """Write the bundle of these clients and return what it holds.

    at: the moment of the export. Raises UnsoundError; what was written by then is of no use.
    """
    writer = Writer(out, structure_of())
    head = {
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": sheet.instant(at),
    }
    _refuse(faults(head))
    out.write(json.dumps(head)[:-1] + ', "entry": [\n')
    for record in read_records(clients, wish):
        writer.group(resources_of(record, sheet, wish))
    writer.close(list(_leaned_on(sheet)), sheet.concepts)
    out.write("\n]}\n")
    return writer.tally


def resources_of(record: Record, sheet: Sheet, wish: Wish) -> Iterator[Resource]:
    """Every resource of one client."""
    yield from _person(record, sheet)
    yield from _diary(record, sheet)
    yield from _clinical(record, sheet, wish)
    yield from _papers(record, sheet, wish)
    for row in record.rows["trail"]:
        yield records.trail_line(row, record.client, sheet)


def _person(record: Record, sheet: Sheet) -> Iterator[Resource]:
    client, rows = record.client, record.rows
    yield people.patient(client, sheet, record.links)
    yield from people.known_lists(client, sheet)
    sex = observations.sex_for_norms(client, sheet, tables_of(newest().pk).facts["sex"])
    if sex:
        yield sex
    for row in rows["consents"]:
        yield people.consent(row, client, sheet)
    for row in rows["alerts"]:
        yield people.alert(row, client, sheet)
    for row in rows["holds"]:
        yield from people.hold(row, client, sheet)
    for row in rows["episodes"]:
        yield from care.episode(row, client, row.goals.all(), sheet)


def _diary(record: Record, sheet: Sheet) -> Iterator[Resource]:
    client, rows = record.client, record.rows
    for row in rows["appointments"]:
        yield care.appointment(row, client, sheet)
    for row in rows["reassessments"]:
        due = care.reassessment(row, client, sheet)
        if due:
            yield due
    for row in rows["waiting"]:
        yield care.waiting(row, client, sheet)
    for row in rows["reminders"]:
        yield records.reminder(row, client, sheet)
    for row in rows["requests"]:
        yield records.record_request(row, client, sheet)


def _clinical(record: Record, sheet: Sheet, wish: Wish) -> Iterator[Resource]:
    for history in record.histories:
        yield from observations.history(history, sheet)
    for screening in record.screenings:
        yield from observations.screening(screening, sheet)
    plans = programmes_of(record.looks)
    for look in record.looks:
        row = look.assessment
        newest = record.newest.get(row.episode_id) == row.assessed_on
        yield from care.encounter(look, sheet)
        yield from observations.observations(look, sheet)
        for placed in look.placements:
            content = content_of(placed)
            yield records.placement(placed, look, sheet, content=content, inline=wish.papers)
        for finding in row.findings.all():
            yield care.finding(finding, look, sheet, newest=newest)
        plan = plans.get(row.pk)
        if plan and (plan.is_issued or wish.drafts):
            edition, items = edition_of(row.edition_id), list(plan.items.all())
            yield from care.programme(plan, items, look, edition, sheet, newest=newest)
            issued = records.issued_programme(plan, sheet)
            if issued:
                yield issued
        yield from records.signed_versions(look, sheet)


def _papers(record: Record, sheet: Sheet, wish: Wish) -> Iterator[Resource]:
    client = record.client
    held = {one.pk for one in record.rows["papers"]}
    for row, pdf in bytes_of(record.rows["papers"]):
        if row.replaces_id not in held:
            row.replaces_id = None  # the version before lies outside the period
        yield from records.paper(row, client, sheet, pdf=pdf, inline=wish.papers)
        signed = records.signed_paper(row, sheet)
        if signed:
            yield signed
    for row in record.rows["sendings"]:
        yield records.sending(row, client, sheet)


def _leaned_on(sheet: Sheet) -> Iterator[Resource]:
    """Staff, referrers, places and, last, the codes that all of them use."""
    for room in sheet.rooms.values():
        yield people.room(room, sheet)
    for site in sheet.sites.values():
        yield from people.place(site, sheet)
    for staff in sheet.staff.values():
        yield people.practitioner(staff, sheet)
    for referrer in sheet.referrers.values():
        yield from people.other_professional(referrer, sheet)
    yield _code_system(sheet)


def _code_system(sheet: Sheet) -> Resource:
    """Our codes that this bundle uses, each with its written definition."""
    return {
        "resourceType": "CodeSystem",
        "id": SYSTEM.removeprefix("urn:uuid:"),
        "url": SYSTEM,
        "name": "GaitClinicRecords",
        "title": "Codes of Gait Clinic Records",
        "status": "active",
        "content": "fragment",
        "caseSensitive": True,
        "concept": [
            kept(code=one.code, display=one.display, definition=one.definition)
            for _, one in sorted(sheet.concepts.items())
        ],
    }
