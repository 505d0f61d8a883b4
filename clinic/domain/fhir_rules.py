"""What HL7 FHIR R4 asks of a resource beyond its structure: codes, times, units, invariants.

A structure checker takes `"status": "perhaps"` for a code and an end before its start for a
period. These rules do not. Source of each rule: the definitions of HL7 FHIR R4 (4.0.1), where
invariants have the names used here (app-2, obs-6 and so on); required bindings stand on the page
of each resource, those of data types under "Data Types".
"""

import base64
import binascii
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

Node = Mapping[str, Any]
UCUM = "http://unitsofmeasure.org"
SHA1_BYTES = 20
# units of this system, in UCUM case-sensitive form
UNITS = frozenset(
    {
        "%",
        "a",
        "cm",
        "d",
        "deg",
        "kg",
        "km",
        "m",
        "m/s",
        "min",
        "mm",
        "mo",
        "ms",
        "N.m/kg",
        "s",
        "wk",
        "Hz",
        "{count}",
        "{repetitions}",
        "{runs}",
        "{score}",
        "{steps}",
        "{steps}/min",
    }
)
REQUEST_STATUS = "draft active on-hold revoked completed entered-in-error unknown"
EVENT_STATUS = (
    "preparation in-progress not-done on-hold stopped completed entered-in-error unknown"
)
TIME_UNITS = "s min h d wk mo a"
# required bindings by resource and path
BINDINGS = {
    "AllergyIntolerance.type": "allergy intolerance",
    "AllergyIntolerance.criticality": "low high unable-to-assess",
    "Appointment.status": "proposed pending booked arrived fulfilled cancelled noshow "
    "entered-in-error checked-in waitlist",
    "Appointment.participant.status": "accepted declined tentative needs-action",
    "Appointment.participant.required": "required optional information-only",
    "AuditEvent.action": "C R U D E",
    "AuditEvent.outcome": "0 4 8 12",
    "AuditEvent.agent.network.type": "1 2 3 4 5",
    "Bundle.type": "document message transaction transaction-response batch batch-response "
    "history searchset collection",
    "CarePlan.status": REQUEST_STATUS,
    "CarePlan.intent": "proposal plan order option",
    "CarePlan.activity.detail.status": "not-started scheduled in-progress on-hold completed "
    "cancelled stopped unknown entered-in-error",
    "CarePlan.activity.detail.kind": "Appointment CommunicationRequest DeviceRequest "
    "MedicationRequest NutritionOrder Task ServiceRequest VisionPrescription",
    "ClinicalImpression.status": "in-progress completed entered-in-error",
    "CodeSystem.status": "draft active retired unknown",
    "CodeSystem.content": "not-present example fragment complete supplement",
    "Communication.status": EVENT_STATUS,
    "Consent.status": "draft proposed active rejected inactive entered-in-error",
    "Consent.provision.type": "deny permit",
    "Consent.provision.provision.type": "deny permit",
    "DocumentReference.status": "current superseded entered-in-error",
    "DocumentReference.docStatus": "preliminary final amended entered-in-error",
    "DocumentReference.relatesTo.code": "replaces transforms signs appends",
    "Encounter.status": "planned arrived triaged in-progress onleave finished cancelled "
    "entered-in-error unknown",
    "EpisodeOfCare.status": "planned waitlist active onhold finished cancelled entered-in-error",
    "Flag.status": "active inactive entered-in-error",
    "Goal.lifecycleStatus": "proposed planned accepted active on-hold completed cancelled "
    "entered-in-error rejected",
    "Location.status": "active suspended inactive",
    "Location.mode": "instance kind",
    "Observation.status": "registered preliminary final amended corrected cancelled "
    "entered-in-error unknown",
    "Patient.gender": "male female other unknown",
    "Practitioner.gender": "male female other unknown",
    "ServiceRequest.status": REQUEST_STATUS,
    "ServiceRequest.intent": "proposal plan directive order original-order reflex-order "
    "filler-order instance-order option",
    "ServiceRequest.priority": "routine urgent asap stat",
}
# required bindings of data types, by the name of the element they stand in
TYPE_BINDINGS = {
    ("name", "use"): "usual official temp nickname anonymous old maiden",
    ("telecom", "system"): "phone fax email pager url sms other",
    ("telecom", "use"): "home work temp old mobile",
    ("address", "use"): "home work temp old billing",
    ("address", "type"): "postal physical both",
    ("identifier", "use"): "usual official temp secondary old",
    ("repeat", "durationUnit"): TIME_UNITS,
    ("repeat", "periodUnit"): TIME_UNITS,
}
# required bindings whose codes stand in a code system of their own
CODED_BINDINGS = {
    "AllergyIntolerance.clinicalStatus": (
        "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical",
        "active inactive resolved",
    ),
    "AllergyIntolerance.verificationStatus": (
        "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification",
        "unconfirmed confirmed refuted entered-in-error",
    ),
    "Condition.clinicalStatus": (
        "http://terminology.hl7.org/CodeSystem/condition-clinical",
        "active recurrence relapse inactive remission resolved",
    ),
    "Condition.verificationStatus": (
        "http://terminology.hl7.org/CodeSystem/condition-ver-status",
        "unconfirmed provisional differential confirmed refuted entered-in-error",
    ),
}
# elements of type instant: whole, with zone
INSTANTS = {
    "Appointment.start",
    "Appointment.end",
    "AuditEvent.recorded",
    "Bundle.timestamp",
    "DocumentReference.date",
    "Observation.issued",
    "Provenance.recorded",
}
DATE_TIME = re.compile(
    r"\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01])"
    r"(T([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d+)?(Z|[+-](0\d|1[0-4]):[0-5]\d))?)?)?"
)
LOOKS_LIKE_TIME = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}.*")


@dataclass(frozen=True, slots=True)
class Fault:
    """One broken rule: its name, where, and what is wrong."""

    rule: str
    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what} ({self.rule})"


@dataclass(frozen=True, slots=True)
class Place:
    """An element with its path from the resource, such as Appointment.participant."""

    path: str
    name: str
    node: Node


def faults(resource: Node) -> list[Fault]:
    """Every rule that one resource breaks; none for a sound one.

    resource: as JSON has it, of a structure that was checked before.
    """
    kind = str(resource.get("resourceType", ""))
    found = [
        Fault("ele-1", path, "an element without a value")
        for path, value in _values(kind, resource)
        if value in ("", None, [], {})
    ]
    for place in _elements(kind, kind, resource):
        found += _of_codes(place)
        found += _of_times(place)
        found += _of_types(place)
    rule = OF_RESOURCES.get(kind)
    return [*found, *rule(resource)] if rule else found


def bundle_faults(
    urls: Iterator[str], references: Mapping[str, str], codes: Mapping[str, str], known: set[str]
) -> list[Fault]:
    """What is wrong between the resources of a bundle.

    urls: fullUrl of each entry. references: target of each reference, with a place that has it.
    codes: local codes in use, with a place. known: codes that the bundle's code system defines.
    Source: HL7 FHIR R4, Bundle, bdl-7 and "Resolving references in Bundles".
    """
    seen: set[str] = set()
    found = []
    for url in urls:
        if url in seen:
            found.append(Fault("bdl-7", url, "stands in the bundle twice"))
        seen.add(url)
    found += [
        Fault("reference", where, f"{target} is not in the bundle")
        for target, where in references.items()
        if target not in seen
    ]
    found += [
        Fault("definition", where, f"{code} has no definition")
        for code, where in codes.items()
        if code not in known
    ]
    return found


def references_in(resource: Node) -> Iterator[tuple[str, str]]:
    """Each reference of a resource with the path of its element."""
    kind = str(resource.get("resourceType", ""))
    for place in _elements(kind, kind, resource):
        target = place.node.get("reference")
        if isinstance(target, str):
            yield target, place.path


def codes_in(resource: Node, system: str) -> Iterator[tuple[str, str]]:
    """Each code of one system in a resource with the path of its element."""
    kind = str(resource.get("resourceType", ""))
    for place in _elements(kind, kind, resource):
        if place.node.get("system") == system and "code" in place.node:
            yield str(place.node["code"]), place.path


def _elements(path: str, name: str, node: Any) -> Iterator[Place]:
    """The resource and all objects in it."""
    if isinstance(node, Mapping):
        yield Place(path, name, node)
        for key, value in node.items():
            yield from _elements(f"{path}.{key}", key, value)
    elif isinstance(node, list):
        for item in node:
            yield from _elements(path, name, item)


def _values(path: str, node: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(node, Mapping):
        for key, value in node.items():
            yield f"{path}.{key}", value
            yield from _values(f"{path}.{key}", value)
    elif isinstance(node, list):
        for item in node:
            yield path, item
            yield from _values(path, item)


# codes and units


def _of_codes(place: Place) -> Iterator[Fault]:
    for key, value in place.node.items():
        path = f"{place.path}.{key}"
        allowed = BINDINGS.get(path) or TYPE_BINDINGS.get((place.name, key))
        if allowed and value not in allowed.split():
            yield Fault("binding", path, f"{value!r} is none of {allowed}")
        if path in CODED_BINDINGS:
            yield from _of_coded(path, value)
    if place.node.get("system") == UCUM and place.node.get("code") not in UNITS:
        yield Fault("unit", place.path, f"{place.node.get('code')!r} is no unit of ours")


def _of_coded(path: str, value: Any) -> Iterator[Fault]:
    system, allowed = CODED_BINDINGS[path]
    codings = value.get("coding", []) if isinstance(value, Mapping) else []
    if not any(
        one.get("system") == system and one.get("code") in allowed.split() for one in codings
    ):
        yield Fault("binding", path, f"has none of {allowed}")


# times


def _of_times(place: Place) -> Iterator[Fault]:
    for key, value in place.node.items():
        path = f"{place.path}.{key}"
        if path in INSTANTS and not (
            isinstance(value, str) and "T" in value and DATE_TIME.fullmatch(value)
        ):
            yield Fault("instant", path, f"{value!r} is no instant with its zone")
        elif (
            isinstance(value, str)
            and LOOKS_LIKE_TIME.fullmatch(value)
            and not DATE_TIME.fullmatch(value)
        ):
            yield Fault("zone", path, f"{value!r} has no zone, or is no time")
    start, end = place.node.get("start"), place.node.get("end")
    if isinstance(start, str) and isinstance(end, str) and _after(start, end):
        yield Fault("per-1", place.path, f"starts at {start}, after its end at {end}")


def _after(one: str, other: str) -> bool:
    """Whether one time lies after the other, as exactly as both are given."""
    if "T" in one and "T" in other:
        try:
            return datetime.fromisoformat(one) > datetime.fromisoformat(other)
        except (TypeError, ValueError):
            return False  # one without zone is named by its own rule
    shared = min(len(one), len(other), len("2026-03-12"))
    return one[:shared] > other[:shared]


# data types


def _of_types(place: Place) -> Iterator[Fault]:
    node, path = place.node, place.path
    if "value" in node and "code" in node and "unit" in node and "system" not in node:
        yield Fault("qty-3", path, "a unit's code without its system")
    if place.name == "extension" and (
        ("extension" in node) == any(key.startswith("value") for key in node)
    ):
        yield Fault("ext-1", path, "an extension has a value or extensions")
    if "data" in node and "contentType" not in node:
        yield Fault("att-1", path, "data without a content type")
    if place.name == "attachment" and "hash" in node and not _is_sha1(node["hash"]):
        yield Fault("hash", path, "a hash is SHA-1 in base64")
    if place.name == "repeat":
        yield from _of_timing(node, path)


def _is_sha1(text: Any) -> bool:
    try:
        return len(base64.b64decode(str(text), validate=True)) == SHA1_BYTES
    except (binascii.Error, ValueError):
        return False


def _of_timing(node: Node, path: str) -> Iterator[Fault]:
    if ("duration" in node) != ("durationUnit" in node):
        yield Fault("tim-1", path, "a duration and its unit go together")
    if ("period" in node) != ("periodUnit" in node):
        yield Fault("tim-2", path, "a period and its unit go together")
    if node.get("duration", 0) < 0:
        yield Fault("tim-4", path, "a duration below 0")
    if node.get("period", 0) < 0:
        yield Fault("tim-5", path, "a period below 0")


# resources


def _appointment(node: Node) -> Iterator[Fault]:
    status = node.get("status")
    if ("start" in node) != ("end" in node):
        yield Fault("app-2", "Appointment", "start and end go together")
    if "start" not in node and status not in ("proposed", "cancelled", "waitlist"):
        yield Fault("app-3", "Appointment", f"{status} without a time")
    # the published expression names no-show, which no appointment can be: noshow is refused too
    if "cancelationReason" in node and status != "cancelled":
        yield Fault("app-4", "Appointment", f"{status} with a reason of cancelling")
    for one in node.get("participant", []):
        if not ("type" in one or "actor" in one):
            yield Fault("app-1", "Appointment.participant", "neither type nor actor")


def _observation(node: Node) -> Iterator[Fault]:
    has_value = any(key.startswith("value") for key in node)
    if "dataAbsentReason" in node and has_value:
        yield Fault("obs-6", "Observation", "a value and a reason why there is none")
    own = _codings(node.get("code"))
    parts = node.get("component", [])
    if has_value and any(own & _codings(part.get("code")) for part in parts):
        yield Fault("obs-7", "Observation", "its own code stands in a component as well")


def _codings(concept: Any) -> set[tuple[Any, Any]]:
    codings = concept.get("coding", []) if isinstance(concept, Mapping) else []
    return {(one.get("system"), one.get("code")) for one in codings}


def _condition(node: Node) -> Iterator[Fault]:
    clinical = {code for _, code in _codings(node.get("clinicalStatus"))}
    verified = {code for _, code in _codings(node.get("verificationStatus"))}
    categories = {code for one in node.get("category", []) for _, code in _codings(one)}
    abated = any(key.startswith("abatement") for key in node)
    if not clinical and "problem-list-item" in categories and "entered-in-error" not in verified:
        yield Fault("con-3", "Condition", "a problem without clinical status")
    if abated and not clinical & {"inactive", "resolved", "remission"}:
        yield Fault("con-4", "Condition", "abated and not inactive, resolved or in remission")
    if clinical and "entered-in-error" in verified:
        yield Fault("con-5", "Condition", "entered in error, with a clinical status")


def _care_plan(node: Node) -> Iterator[Fault]:
    for one in node.get("activity", []):
        if "detail" in one and "reference" in one:
            yield Fault("cpl-3", "CarePlan.activity", "a detail and a reference")


def _patient(node: Node) -> Iterator[Fault]:
    needed = {"name", "telecom", "address", "organization"}
    for one in node.get("contact", []):
        if not needed & set(one):
            yield Fault("pat-1", "Patient.contact", "no name, telecom, address, organization")


def _consent(node: Node) -> Iterator[Fault]:
    if not ("policy" in node or "policyRule" in node):
        yield Fault("ppc-1", "Consent", "neither policy nor policy rule")


def _audit_event(node: Node) -> Iterator[Fault]:
    for one in node.get("entity", []):
        if "name" in one and "query" in one:
            yield Fault("sev-1", "AuditEvent.entity", "a name and a query")


def _allergy(node: Node) -> Iterator[Fault]:
    verified = {code for _, code in _codings(node.get("verificationStatus"))}
    wrong = "entered-in-error" in verified
    if not wrong and "clinicalStatus" not in node:
        yield Fault("ait-1", "AllergyIntolerance", "no clinical status")
    if wrong and "clinicalStatus" in node:
        yield Fault("ait-2", "AllergyIntolerance", "entered in error, with a clinical status")


OF_RESOURCES: Mapping[str, Callable[[Node], Iterator[Fault]]] = {
    "AllergyIntolerance": _allergy,
    "Appointment": _appointment,
    "AuditEvent": _audit_event,
    "CarePlan": _care_plan,
    "Condition": _condition,
    "Consent": _consent,
    "Observation": _observation,
    "Patient": _patient,
}
