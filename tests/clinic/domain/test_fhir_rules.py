"""Our own checks of exports: the standard's lists against ours, and a fault for every rule."""

import re
from copy import deepcopy
from pathlib import Path

import pytest
from fhir.resources.R4B import get_fhir_model_class
from ucumvert import PintUcumRegistry

from clinic.domain import fhir_rules
from clinic.domain.fhir_rules import (
    BINDINGS,
    INSTANTS,
    TYPE_BINDINGS,
    UNITS,
    bundle_faults,
    codes_in,
    faults,
    references_in,
)

UCUM = "http://unitsofmeasure.org"
HL7 = "http://terminology.hl7.org/CodeSystem/"
SHA1_OF_NOTHING = "2jmj7l5rSw0yVb/vlWAYkK/YBwk="  # RFC 3174 digest of an empty text, base64


def coded(system, code):
    return {"coding": [{"system": f"{HL7}{system}", "code": code}]}


def problem(**more):
    return {
        "resourceType": "Condition",
        "clinicalStatus": coded("condition-clinical", "active"),
        "verificationStatus": coded("condition-ver-status", "confirmed"),
        "category": [coded("condition-category", "problem-list-item")],
        "subject": {"reference": "urn:uuid:1"},
        **more,
    }


def times(**repeat):
    detail = {"status": "in-progress", "scheduledTiming": {"repeat": repeat}}
    return {
        "resourceType": "CarePlan",
        "status": "active",
        "intent": "plan",
        "subject": {"reference": "urn:uuid:1"},
        "activity": [{"detail": detail}],
    }


SOUND = {
    "Patient": {
        "resourceType": "Patient",
        "gender": "female",
        "name": [{"use": "official", "family": "Fenwick"}],
        "telecom": [{"system": "phone", "value": "01632 960100"}],
        "contact": [{"name": {"text": "Sten Fenwick"}}],
    },
    "Appointment": {
        "resourceType": "Appointment",
        "status": "booked",
        "start": "2027-03-15T09:00:00+00:00",
        "end": "2027-03-15T09:45:00+00:00",
        "participant": [{"actor": {"reference": "urn:uuid:1"}, "status": "accepted"}],
    },
    "Observation": {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "urn:x", "code": "a"}]},
        "effectiveDateTime": "2027-03-15",
        "issued": "2027-03-15T09:45:00+00:00",
        "valueQuantity": {"value": 7.3, "unit": "deg", "system": UCUM, "code": "deg"},
        "component": [
            {"code": {"coding": [{"system": "urn:x", "code": "b"}]}, "valueString": "c"}
        ],
    },
    "Condition": problem(),
    "CarePlan": times(duration=2.5, durationUnit="min", frequency=7, period=2, periodUnit="wk"),
    "Consent": {
        "resourceType": "Consent",
        "status": "active",
        "scope": coded("consentscope", "treatment"),
        "category": [{"text": "consent"}],
        "policyRule": {"text": "ours"},
        "provision": {"type": "permit", "period": {"start": "2027-01-01", "end": "2027-01-01"}},
    },
    "AuditEvent": {
        "resourceType": "AuditEvent",
        "type": {"code": "110110"},
        "action": "R",
        "recorded": "2027-03-15T09:45:00Z",
        "outcome": "0",
        "agent": [{"requestor": True}],
        "source": {"observer": {"reference": "urn:uuid:2"}},
        "entity": [{"name": "the record"}],
    },
    "DocumentReference": {
        "resourceType": "DocumentReference",
        "status": "current",
        "date": "2027-03-15T09:45:00Z",
        "content": [
            {
                "attachment": {
                    "contentType": "application/pdf",
                    "data": "",
                    "hash": SHA1_OF_NOTHING,
                }
            }
        ],
    },
    "AllergyIntolerance": {
        "resourceType": "AllergyIntolerance",
        "clinicalStatus": coded("allergyintolerance-clinical", "active"),
        "verificationStatus": coded("allergyintolerance-verification", "unconfirmed"),
        "patient": {"reference": "urn:uuid:1"},
    },
}
SOUND["DocumentReference"]["content"][0]["attachment"]["data"] = "JVBERi0="


def put(path, value):
    """A change of one element, named by keys and places; None takes it out."""

    def change(resource):
        *way, last = path
        node = resource
        for step in way:
            node = node[step]
        if value is None:
            del node[last]
        else:
            node[last] = value

    return change


ATTACHMENT = ["content", 0, "attachment"]
DETAIL = ["activity", 0, "detail"]
REPEAT = [*DETAIL, "scheduledTiming", "repeat"]
WRONG = coded("condition-ver-status", "entered-in-error")
# rule that must name the fault, resource, what is done to the sound one
MUTATIONS = [
    ("binding", "Patient", put(["gender"], "x")),
    ("binding", "Patient", put(["telecom", 0, "system"], "telephone")),
    ("binding", "Patient", put(["name", 0, "use"], "legal")),
    ("binding", "Appointment", put(["status"], "perhaps")),
    ("binding", "Appointment", put(["participant", 0, "status"], "yes")),
    ("binding", "Condition", put(["clinicalStatus"], coded("condition-clinical", "perhaps"))),
    ("binding", "Condition", put(["clinicalStatus"], {"text": "active"})),
    ("binding", "CarePlan", put([*DETAIL, "status"], "done")),
    ("binding", "CarePlan", put([*REPEAT, "periodUnit"], "week")),
    ("binding", "Consent", put(["provision", "type"], "allow")),
    ("binding", "AuditEvent", put(["outcome"], "1")),
    ("unit", "Observation", put(["valueQuantity", "code"], "degrees")),
    ("unit", "Observation", put(["valueQuantity", "code"], None)),
    ("instant", "Appointment", put(["start"], "2027-03-15")),
    ("instant", "Observation", put(["issued"], "2027-03-15T09:45:00")),
    ("zone", "Observation", put(["effectiveDateTime"], "2027-03-15T09:45:00")),
    ("zone", "Observation", put(["effectiveDateTime"], "2027-03-15T25:45:00Z")),
    ("per-1", "Appointment", put(["end"], "2027-03-15T08:45:00+00:00")),
    ("per-1", "Appointment", put(["end"], "2027-03-15T09:30:00+01:00")),
    ("per-1", "Consent", put(["provision", "period", "end"], "2026-12-31")),
    ("ele-1", "Patient", put(["name", 0, "family"], "")),
    ("ele-1", "Patient", put(["telecom"], [])),
    ("qty-3", "Observation", put(["valueQuantity", "system"], None)),
    ("ext-1", "Patient", put(["extension"], [{"url": "urn:x"}])),
    ("ext-1", "Patient", put(["extension"], [{"valueCode": "a", "extension": [{}]}])),
    ("att-1", "DocumentReference", put([*ATTACHMENT, "contentType"], None)),
    ("hash", "DocumentReference", put([*ATTACHMENT, "hash"], "e3b0c44298fc1c14")),
    ("hash", "DocumentReference", put([*ATTACHMENT, "hash"], "not base64")),
    ("tim-1", "CarePlan", put([*REPEAT, "durationUnit"], None)),
    ("tim-2", "CarePlan", put([*REPEAT, "periodUnit"], None)),
    ("tim-4", "CarePlan", put([*REPEAT, "duration"], -1)),
    ("tim-5", "CarePlan", put([*REPEAT, "period"], -1)),
    ("app-1", "Appointment", put(["participant", 0, "actor"], None)),
    ("app-2", "Appointment", put(["end"], None)),
    ("app-3", "Appointment", put(["start"], None)),
    ("app-4", "Appointment", put(["cancelationReason"], {"text": "ill"})),
    ("obs-6", "Observation", put(["dataAbsentReason"], {"text": "not seen"})),
    ("obs-7", "Observation", put(["component", 0, "code", "coding", 0, "code"], "a")),
    ("con-3", "Condition", put(["clinicalStatus"], None)),
    ("con-4", "Condition", put(["abatementDateTime"], "2027-03-15")),
    ("con-5", "Condition", put(["verificationStatus"], WRONG)),
    ("cpl-3", "CarePlan", put(["activity", 0, "reference"], {"reference": "urn:uuid:1"})),
    ("pat-1", "Patient", put(["contact", 0, "name"], None)),
    ("ppc-1", "Consent", put(["policyRule"], None)),
    ("sev-1", "AuditEvent", put(["entity", 0, "query"], "c2VhcmNo")),
    ("ait-1", "AllergyIntolerance", put(["clinicalStatus"], None)),
    (
        "ait-2",
        "AllergyIntolerance",
        put(
            ["verificationStatus"],
            coded("allergyintolerance-verification", "entered-in-error"),
        ),
    ),
]
OF_BUNDLES = {"bdl-7", "reference", "definition"}


@pytest.mark.parametrize("kind", SOUND)
def test_sound_resource_breaks_no_rule(kind):
    assert faults(SOUND[kind]) == []
    get_fhir_model_class(kind).model_validate(deepcopy(SOUND[kind]))


@pytest.mark.parametrize(("rule", "kind", "change"), MUTATIONS)
def test_fault_is_named_by_its_rule(rule, kind, change):
    resource = deepcopy(SOUND[kind])

    change(resource)

    assert rule in {one.rule for one in faults(resource)}


def test_every_rule_has_a_fault_that_it_names():
    source = Path(fhir_rules.__file__).read_text()
    rules = set(re.findall(r'Fault\(\s*"([a-z0-9-]+)"', source))

    assert rules == {rule for rule, _, _ in MUTATIONS} | OF_BUNDLES


def test_fault_says_where_and_what():
    resource = {**SOUND["Patient"], "gender": "x"}

    assert [str(one) for one in faults(resource)] == [
        "Patient.gender: 'x' is none of male female other unknown (binding)"
    ]


def test_period_of_times_that_cannot_be_compared_is_named_by_its_zone():
    period = {"start": "2027-03-15T09:00:00", "end": "2027-03-15T08:00:00Z"}
    resource = {**SOUND["Consent"], "provision": {"type": "permit", "period": period}}

    assert {one.rule for one in faults(resource)} == {"zone"}


def test_missed_appointment_keeps_its_reason_elsewhere():
    missed = {**SOUND["Appointment"], "status": "noshow"}

    assert faults(missed) == []
    assert {one.rule for one in faults({**missed, "cancelationReason": {"text": "ill"}})} == {
        "app-4"
    }


def test_bundle_names_what_is_twice_missing_or_undefined():
    found = bundle_faults(
        iter(["urn:uuid:1", "urn:uuid:1"]),
        {"urn:uuid:1": "Observation.subject", "urn:uuid:2": "Observation.performer"},
        {"grade.1": "Observation.code", "grade.9": "Observation.code"},
        {"grade.1"},
    )

    assert [(one.rule, one.where) for one in found] == [
        ("bdl-7", "urn:uuid:1"),
        ("reference", "Observation.performer"),
        ("definition", "Observation.code"),
    ]


def test_references_and_codes_are_found_wherever_they_stand():
    assert list(references_in(SOUND["Appointment"])) == [
        ("urn:uuid:1", "Appointment.participant.actor")
    ]
    assert [code for code, _ in codes_in(SOUND["Observation"], "urn:x")] == ["a", "b"]


# Against the standard


def model_of(path):
    """The library's class for the object that holds an element, by the path of the element."""
    kind, *steps, last = path.split(".")
    model = get_fhir_model_class(kind)
    for step in steps:
        named = re.findall(r"(\w+)Type\b", repr(model.model_fields[step].annotation))
        model = get_fhir_model_class(named[-1])
    return model.model_fields[last]


# the library takes no list of these along; HL7 FHIR R4, audit-event-action, -outcome, network-type
NOT_LISTED = {
    "AuditEvent.action": ["C", "R", "U", "D", "E"],
    "AuditEvent.outcome": ["0", "4", "8", "12"],
    "AuditEvent.agent.network.type": ["1", "2", "3", "4", "5"],
}


@pytest.mark.parametrize("path", BINDINGS)
def test_list_of_codes_is_that_of_the_standard(path):
    """Source: required bindings of HL7 FHIR R4B, as fhir.resources 8.3.0 takes them along.

    Where the standard prints the first codes and a +, these come first in ours.
    """
    ours = BINDINGS[path].split()
    listed = NOT_LISTED.get(path) or model_of(path).json_schema_extra["enum_values"]

    if listed[-1] == "+":
        assert ours[: len(listed) - 1] == listed[:-1]
        assert len(ours) > len(listed) - 1
    else:
        assert ours == listed


@pytest.mark.parametrize(
    ("key", "path"),
    [
        (("name", "use"), "Patient.name.use"),
        (("telecom", "system"), "Patient.telecom.system"),
        (("telecom", "use"), "Patient.telecom.use"),
        (("address", "use"), "Patient.address.use"),
        (("address", "type"), "Patient.address.type"),
        (("identifier", "use"), "Patient.identifier.use"),
        (
            ("repeat", "durationUnit"),
            "CarePlan.activity.detail.scheduledTiming.repeat.durationUnit",
        ),
        (("repeat", "periodUnit"), "CarePlan.activity.detail.scheduledTiming.repeat.periodUnit"),
    ],
)
def test_list_of_a_data_type_is_that_of_the_standard(key, path):
    assert TYPE_BINDINGS[key].split() == model_of(path).json_schema_extra["enum_values"]


@pytest.mark.parametrize("path", sorted(INSTANTS))
def test_instant_is_one_in_the_standard(path):
    assert "Instant" in repr(model_of(path).annotation)


@pytest.mark.parametrize(
    ("text", "allowed"),
    [
        # HL7 FHIR R4, dateTime: year, year and month, day; with hours and minutes a zone is due
        ("2018", True),
        ("1973-06", True),
        ("1905-08-23", True),
        ("2015-02-07T13:28:17-05:00", True),
        ("2017-01-01T00:00:00.000Z", True),
        ("2015-02-07T13:28:17", False),
        ("2015-02-07T13:28Z", False),
        ("2015-02-07T24:00:00Z", False),
    ],
)
def test_times_are_those_of_the_standard(text, allowed):
    resource = {**SOUND["Observation"], "effectiveDateTime": text}

    assert (faults(resource) == []) is allowed


@pytest.fixture(scope="module")
def ucum():
    return PintUcumRegistry()


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("unit", sorted(UNITS))
def test_unit_is_one_of_ucum(ucum, unit):
    """Source: the UCUM grammar, as ucumvert 0.3.2 has it."""
    assert ucum.from_ucum(unit) is not None


@pytest.mark.filterwarnings("ignore")
def test_word_for_a_unit_is_none_of_ucum(ucum):
    with pytest.raises(Exception, match="degrees"):
        ucum.from_ucum("degrees")
