"""What all resources of one export share: ids, codes, times, and whom they name."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from clinic.domain.fhir_rules import UCUM
from clinic.models import AppointmentKind, Referrer, Room, Site, Staff

Resource = dict[str, Any]
# of this system, made once; the ids of an export follow from it
NAMESPACE = UUID("5d0ad1cf-7c0e-5b8b-9a53-0c2f6b7e41d8")
# our code system and extension; a urn, because nobody serves a page under it
SYSTEM = f"urn:uuid:{uuid5(NAMESPACE, 'codes')}"
DOSE = f"urn:uuid:{uuid5(NAMESPACE, 'dose')}"
SHA256 = f"urn:uuid:{uuid5(NAMESPACE, 'sha-256 of a paper')}"
CALENDAR_UID = f"urn:uuid:{uuid5(NAMESPACE, 'uid in calendar files')}"
REGISTRATION = f"urn:uuid:{uuid5(NAMESPACE, 'registration number')}"
HL7 = "http://terminology.hl7.org/CodeSystem/"
# units of the tables, in UCUM
UCUM_OF = {
    "%": "%",
    "Hz": "Hz",
    "Nm/kg": "N.m/kg",
    "cm": "cm",
    "count": "{count}",
    "days": "d",
    "deg": "deg",
    "kg": "kg",
    "km": "km",
    "m": "m",
    "m/s": "m/s",
    "min": "min",
    "mm": "mm",
    "months": "mo",
    "ms": "ms",
    "points": "{score}",
    "repetitions": "{repetitions}",
    "runs": "{runs}",
    "s": "s",
    "steps": "{steps}",
    "steps/min": "{steps}/min",
    "weeks": "wk",
    "years": "a",
}


@dataclass(frozen=True, slots=True)
class Concept:
    """One code of ours with its written definition, and the standard code for the same thing."""

    code: str
    display: str
    definition: str
    standard: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Interop:
    """Codes of ours as the table of codes has them."""

    fixed: Mapping[str, Concept]
    standard: Mapping[str, Mapping[str, str]]


@cache
def interop(file: Path) -> Interop:
    """The table of codes: those of closed lists with definition, and the standard ones."""
    with file.open(encoding="utf-8", newline="") as text:
        rows = list(csv.DictReader(text))
    standard = {
        row["local"]: {
            "system": row["system"],
            "code": row["code"],
            "display": row["standard_display"],
        }
        for row in rows
        if row["code"]
    }
    fixed = {
        row["local"]: Concept(
            row["local"], row["display"], row["definition"], standard.get(row["local"])
        )
        for row in rows
        if row["definition"]
    }
    return Interop(fixed, standard)


@dataclass
class Sheet:
    """One export: what its resources are called, and what they lean on."""

    seed: str
    codes: Interop
    zone: ZoneInfo
    concepts: dict[str, Concept] = field(default_factory=dict)
    staff: dict[int, Staff] = field(default_factory=dict)
    referrers: dict[int, Referrer] = field(default_factory=dict)
    sites: dict[int, Site] = field(default_factory=dict)
    rooms: dict[int, Room] = field(default_factory=dict)

    def id(self, kind: str, key: object) -> str:
        """The id of a resource: the same for the same row in every export of this record."""
        return str(uuid5(NAMESPACE, f"{self.seed}/{kind}/{key}"))

    def ref(self, kind: str, key: object, display: str = "") -> Resource:
        return kept(reference=f"urn:uuid:{self.id(kind, key)}", display=display)

    def resource(self, kind: str, key: object, **elements: Any) -> Resource:
        return kept(resourceType=kind, id=self.id(kind, key), **elements)

    # whom and what resources name; each is written once, at the end

    def person(self, staff: Staff) -> Resource:
        self.staff[staff.pk] = staff
        return self.ref("Practitioner", f"staff-{staff.pk}", str(staff))

    def referrer(self, referrer: Referrer) -> Resource:
        self.referrers[referrer.pk] = referrer
        return self.ref("Practitioner", f"referrer-{referrer.pk}", str(referrer))

    def site(self, site: Site) -> Resource:
        self.sites[site.pk] = site
        return self.ref("Organization", f"site-{site.pk}", site.clinic_name)

    def room(self, room: Room, site: Site) -> Resource:
        self.rooms[room.pk] = room
        self.sites[site.pk] = site
        return self.ref("Location", f"room-{room.pk}", room.name)

    # codes

    def coding(self, code: str, display: str = "", definition: str = "") -> Resource:
        """A code of ours; its definition is the table's, or given. Raises LookupError."""
        concept = self.concepts.get(code) or self.codes.fixed.get(code)
        if concept is None:
            if not display:
                raise LookupError(f"the table of codes has no {code}")
            named = self.codes.standard.get(code)
            concept = Concept(code, display, definition or display, named)
        self.concepts[code] = concept
        return kept(system=SYSTEM, code=code, display=concept.display)

    def concept(
        self, code: str, display: str = "", definition: str = "", *, text: str = ""
    ) -> Resource:
        """A code of ours behind the standard one where there is one, so that both are told."""
        own = self.coding(code, display, definition)
        standard = self.concepts[code].standard
        coding = [dict(standard), own] if standard else [own]
        return kept(coding=coding, text=text or display or own["display"])

    def kind_of(self, kind: AppointmentKind) -> Resource:
        return self.concept(
            f"appointment.{kind.code}", kind.name, f"An appointment of the kind “{kind.name}”."
        )

    def side(self, side: str) -> Resource | None:
        """The client's side as body site; None where there is no side."""
        return self.concept(f"side.{side}") if side in ("left", "right", "both") else None

    # times

    def instant(self, at: datetime | None) -> str | None:
        """A moment with the offset that the clocks of the site show then."""
        return instant(at, self.zone)


def instant(at: datetime | None, zone: ZoneInfo) -> str | None:
    return at.astimezone(zone).isoformat(timespec="seconds") if at else None


def kept(**elements: Any) -> Resource:
    """The elements that say something: FHIR has no empty ones."""
    return {name: value for name, value in elements.items() if value not in (None, "", [], {})}


def number(value: Decimal | int) -> int | float:
    """The number as JSON writes it, without trailing zeros and with no digit lost.

    The record holds nine digits at most, which a float keeps.
    """
    whole = int(value)
    return whole if whole == value else float(value)


def quantity(value: Decimal | int, unit: str) -> Resource:
    """A number with its unit as people and as UCUM write it; unit: of the tables.

    A unit of a clinic's own edition that is not in our list stays in words only.
    """
    code = UCUM_OF.get(unit)
    told = {"value": number(value), "unit": unit}
    return {**told, "system": UCUM, "code": code} if code else kept(**told)


def coded(system: str, code: str, display: str = "", text: str = "") -> Resource:
    """A concept of a code system of HL7."""
    coding = kept(system=f"{HL7}{system}", code=code, display=display)
    return kept(coding=[coding], text=text)
