"""Exports of the invented clinic: sound, whole, and the same values when they are read back."""

import base64
import io
import json
from collections import Counter
from datetime import date
from decimal import Decimal
from hashlib import sha1

import pytest
from django.utils import timezone
from fhir.resources.R4B.bundle import Bundle

from assessments.amended import as_amended
from assessments.domain.vocabulary import (
    AddendumKind,
    AssessmentKind,
    Method,
    Severity,
    Side,
)
from assessments.editions import tables_of
from assessments.models import (
    Assessment,
    HistoryAnswer,
    Observation,
    ScreeningAnswer,
    Trial,
)
from assessments.services.addenda import write_addendum
from clinic.domain.fhir_rules import bundle_faults, codes_in, faults, references_in
from clinic.domain.vocabulary import AlertKind, ConsentPurpose, HoldScope, Known, PaperKind
from clinic.models import Appointment, Client, Consent, Paper, Staff
from clinic.web.exports import export_period
from clinic.web.fhir.reading import CODES, Wish
from clinic.web.fhir.sheet import SYSTEM, UCUM_OF, interop
from clinic.web.management.commands.demo import prepare
from exercises.models import ProgrammeItem

WIDE = {"first": date(2000, 1, 1), "last": date(2100, 1, 1)}


@pytest.fixture(scope="module")
def prepared(django_db_setup, django_db_blocker):
    """One preparation for the module with one corrected assessment, undone at its end."""
    from django.db import transaction

    with django_db_blocker.unblock():
        block = transaction.atomic()
        block.__enter__()
        prepare()
        first = Assessment.objects.signed().order_by("pk").first()
        cadence = first.observations.get(feature="cadence")
        write_addendum(
            assessment=first,
            by=first.clinician,
            kind=AddendumKind.CORRECTION,
            reason="Two steps were missed.",
            text="Counted again from the film.",
            acted_on=timezone.localdate(),
            changes=[
                {
                    "key": "o.cadence.none",
                    "trial": 1,
                    "was": {"value": f"{cadence.value.normalize():f}"},
                    "now": {"value": "171.5"},
                }
            ],
        )
        # as if it had been computed from film
        draft = Observation.objects.filter(assessment__signed_at=None, value__isnull=False)
        Observation.objects.filter(pk=draft.order_by("pk").first().pk).update(sd=Decimal("1.2345"))
        yield
        transaction.set_rollback(True)
        block.__exit__(None, None, None)


def written(manager, **wish):
    out = io.StringIO()
    tally = export_period(by=manager, wish=Wish(**WIDE, **wish), out=out, **WIDE)
    return tally, out.getvalue()


@pytest.fixture(scope="module")
def whole(prepared, django_db_blocker):
    """Everything there is, with drafts and papers: what was counted, and the text."""
    with django_db_blocker.unblock():
        return written(Staff.objects.get(username="max"), drafts=True, papers=True)


@pytest.fixture
def clinic(prepared, db):
    return Staff.objects.get(username="max")


def resources(text, kind=""):
    found = [one["resource"] for one in json.loads(text)["entry"]]
    return [one for one in found if not kind or one["resourceType"] == kind]


def own_code(concept):
    return next(one["code"] for one in concept["coding"] if one["system"] == SYSTEM)


# Sound


def test_library_reads_the_bundle_and_finds_no_fault(clinic, whole):
    tally, text = whole

    bundle = Bundle.model_validate_json(text)

    assert bundle.type == "collection"
    assert len(bundle.entry) == tally.total > 5000
    assert tally.counts == Counter(one["resourceType"] for one in resources(text))


def test_own_rules_find_no_fault(clinic, whole):
    _, text = whole
    entries = json.loads(text)["entry"]
    references = {url: at for one in entries for url, at in references_in(one["resource"])}
    codes = {code: at for one in entries for code, at in codes_in(one["resource"], SYSTEM)}
    defined = {
        one["code"]: one["definition"]
        for system in resources(text, "CodeSystem")
        for one in system["concept"]
    }

    assert [str(it) for one in entries for it in faults(one["resource"])] == []
    urls = iter([one["fullUrl"] for one in entries])
    assert bundle_faults(urls, references, codes, set(defined)) == []
    assert all(one["fullUrl"] == f"urn:uuid:{one['resource']['id']}" for one in entries)
    assert min(len(words) for words in defined.values()) > 5


def test_every_asked_type_is_there(clinic, whole):
    tally, _ = whole

    assert set(tally.counts) == {
        "AllergyIntolerance",
        "Appointment",
        "AuditEvent",
        "CarePlan",
        "ClinicalImpression",
        "CodeSystem",
        "Condition",
        "Consent",
        "DocumentReference",
        "Encounter",
        "EpisodeOfCare",
        "Flag",
        "Goal",
        "Location",
        "Observation",
        "Organization",
        "Patient",
        "Practitioner",
        "PractitionerRole",
        "Provenance",
        "ServiceRequest",
    }


def test_ids_are_the_same_in_the_next_export(clinic, whole):
    _, text = whole
    _, again = written(clinic, drafts=True)

    before = {one["id"] for one in resources(text)}
    after = {one["id"] for one in resources(again)}

    assert before <= after
    # the lines of the first export itself, and who made it
    new = [one for one in resources(again) if one["id"] in after - before]
    assert {one["resourceType"] for one in new} == {"AuditEvent", "Practitioner"}


# Read back


def stored_answers():
    """Every answer of the database as amended: client, day, code, side, trial; value, rest."""
    for assessment in Assessment.objects.select_related("client"):
        tables = tables_of(assessment.edition_id)
        as_amended(assessment)
        places = {one.pk: one.position for one in assessment.trials.all()}
        for word, rows, column, measures in (
            ("feature", assessment.observations, "feature_id", tables.features),
            ("test", assessment.tests, "test_id", tables.tests),
            ("score", assessment.scores, "score_id", tables.scores),
        ):
            for row in rows.all():
                code = getattr(row, column)
                yield (
                    assessment.client.number,
                    str(assessment.assessed_on),
                    f"{word}.{code}",
                    getattr(row, "side", "none"),
                    places.get(getattr(row, "trial_id", None), 0),
                    row.value,
                    measures[code].unit if row.value is not None else "",
                    getattr(row, "grade", None),
                    row.choice,
                    getattr(row, "method", ""),
                    getattr(row, "not_seen", False),
                    getattr(row, "sd", None),
                )


def exported_answers(text):
    """The same, from the parsed bundle."""
    bundle = Bundle.model_validate_json(text)
    everything = {f"urn:uuid:{one.resource.id}": one.resource for one in bundle.entry}
    trial_of = {}
    for one in everything.values():
        for member in getattr(one, "hasMember", None) or []:
            place = next(
                part.valueInteger
                for part in one.component
                if part.code.coding[-1].code == "trial.position"
            )
            trial_of[member.reference] = place
    for url, one in everything.items():
        if one.get_resource_type() != "Observation":
            continue
        code = next(it.code for it in one.code.coding if it.system == SYSTEM)
        if code.split(".")[0] not in ("feature", "test", "score"):
            continue
        patient = everything[one.subject.reference]
        side = one.bodySite.coding[-1].code.removeprefix("side.") if one.bodySite else "none"
        method = one.method.coding[-1].code.removeprefix("method.") if one.method else ""
        value, unit, grade, choice = None, "", None, ""
        if one.valueQuantity:
            value, unit = one.valueQuantity.value, one.valueQuantity.code
        if one.valueBoolean is not None:
            choice = "yes" if one.valueBoolean else "no"
        errors = [
            it.valueQuantity.value
            for it in one.component or []
            if it.code.coding[-1].code == "part.standard_error"
        ]
        concepts = [one.valueCodeableConcept] if one.valueCodeableConcept else []
        concepts += [
            it.valueCodeableConcept for it in one.component or [] if it.valueCodeableConcept
        ]
        for concept in concepts:
            word = concept.coding[-1].code
            if word.startswith("grade."):
                grade = int(word.removeprefix("grade."))
            else:
                choice = word.removeprefix(f"{code}.")
        yield (
            patient.identifier[0].value,
            str(one.effectiveDateTime),
            code,
            side,
            trial_of.get(url, 0),
            value,
            unit,
            grade,
            choice,
            method,
            one.dataAbsentReason is not None,
            next(iter(errors), None),
        )


def test_no_answer_changes_on_the_way(clinic, whole):
    """Values, units, sides, days, grades, choices and methods of every answer."""
    _, text = whole
    stored = {(*row[:5], *row[5:6], UCUM_OF.get(row[6], ""), *row[7:]) for row in stored_answers()}
    # a score of yes and no is stored as 1 and 0, and exported as true and false
    stored = {
        (*row[:5], None, "", None, "yes" if row[5] else "no", "", False, None)
        if row[2] == "score.pain_settled_next_morning" and row[5] is not None
        else row
        for row in stored
    }

    exported = set(exported_answers(text))

    assert len(exported) > 2000
    assert Decimal("1.2345") in {row[-1] for row in exported}
    assert exported ^ stored == set()


def test_settings_of_trials_do_not_change_on_the_way(clinic, whole):
    _, text = whole
    found = Counter()
    for one in resources(text, "Observation"):
        if own_code(one["code"]) == "trial.settings":
            parts = {}
            for part in one["component"]:
                name = own_code(part["code"])
                word = part.get("valueCodeableConcept")
                number = part.get("valueInteger", part.get("valueQuantity", {}).get("value"))
                parts[name] = own_code(word).removeprefix(f"{name}.") if word else number
            found[tuple(sorted(parts.items()))] += 1

    wanted = Counter()
    for row in Trial.objects.all():
        values = {
            "position": row.position,
            "speed": row.speed_m_s,
            "incline": row.incline_percent,
            "frame_rate": row.frame_rate_hz,
            "steps_averaged": row.steps_averaged,
            "surface": row.surface,
            "shoes": row.shoes,
            "camera": row.camera,
        }
        given = {f"trial.{name}": it for name, it in values.items() if it not in (None, "")}
        given = {name: float(it) if isinstance(it, Decimal) else it for name, it in given.items()}
        wanted[tuple(sorted(given.items()))] += 1
    assert found == wanted
    assert wanted.total() == Assessment.objects.count()


def test_corrected_value_is_amended_and_says_by_whom(clinic, whole):
    _, text = whole
    amended = [one for one in resources(text, "Observation") if one["status"] == "amended"]
    (one,) = amended

    assert own_code(one["code"]) == "feature.cadence"
    assert one["valueQuantity"] == {
        "value": 171.5,
        "unit": "steps/min",
        "system": "http://unitsofmeasure.org",
        "code": "{steps}/min",
    }
    versions = [
        it
        for it in resources(text, "Provenance")
        if {"reference": f"urn:uuid:{one['id']}"} in it["target"]
    ]
    assert [it["activity"]["coding"][0]["code"] for it in versions] == ["attest", "amend"]
    assert versions[1]["reason"] == [{"text": "Two steps were missed."}]


def test_history_and_screening_do_not_change_on_the_way(clinic, whole):
    _, text = whole
    found = Counter()
    for one in resources(text, "Observation"):
        word, _, code = own_code(one["code"]).partition(".")
        if word == "fact" and "performer" in one and "valueQuantity" in one:
            times = 100 if code == "height_m" else 1
            value = Decimal(str(one["valueQuantity"]["value"])) / times
            found[code, value, one["effectiveDateTime"]] += 1
        if word == "flag":
            found[code, one.get("valueBoolean"), one["effectiveDateTime"]] += 1

    wanted = Counter()
    for row in HistoryAnswer.objects.filter(value__isnull=False).select_related("history"):
        wanted[row.fact_id, row.value, str(row.history.taken_on)] += 1
    for row in ScreeningAnswer.objects.select_related("screening"):
        answer = {"yes": True, "no": False}.get(row.answer)
        wanted[row.flag_id, answer, str(row.screening.screened_on)] += 1
    assert found == wanted
    assert wanted.total() > 1000


def test_doses_do_not_change_on_the_way(clinic, whole):
    _, text = whole
    found = Counter()
    for plan in resources(text, "CarePlan"):
        for one in plan["activity"]:
            (dose,) = one["detail"]["extension"]
            parts = {
                it["url"]: next(value for name, value in it.items() if name != "url")
                for it in dose["extension"]
            }
            repeat = one["detail"]["scheduledTiming"]["repeat"]
            assert Decimal(repeat["frequency"]) / repeat["period"] == Decimal(
                str(parts["sessions_per_week"])
            )
            code = own_code(one["detail"]["code"]).removeprefix("exercise.")
            found[code, parts.get("sets"), parts.get("reps"), parts["decision"]] += 1

    wanted = Counter(ProgrammeItem.objects.values_list("exercise_id", "sets", "reps", "decision"))
    assert found == wanted
    assert wanted.total() > 20


def test_papers_come_with_their_bytes_and_hashes(clinic, whole):
    _, text = whole
    papers = {
        one["masterIdentifier"]["value"]: one["content"][0]["attachment"]
        for one in resources(text, "DocumentReference")
        if "masterIdentifier" in one
    }
    signed = {paper.sha256: bytes(paper.pdf) for paper in Paper.objects.exclude(pdf=None)}

    assert papers.keys() == signed.keys()
    for key, pdf in signed.items():
        assert base64.b64decode(papers[key]["data"]) == pdf
        assert base64.b64decode(papers[key]["hash"]) == sha1(pdf, usedforsecurity=False).digest()
        assert papers[key]["size"] == len(pdf)


# What is left out unless asked for


def test_drafts_and_bytes_are_left_out_unless_asked_for(clinic, whole):
    _, text = whole
    _, plain = written(clinic)

    states = Counter(one["status"] for one in resources(plain, "Observation"))
    asked = Counter(one["status"] for one in resources(text, "Observation"))
    assert asked["preliminary"] > 0
    assert set(states) == {"final", "amended"}
    assert {one["status"] for one in resources(plain, "Encounter")} == {"finished"}
    assert {one["docStatus"] for one in resources(plain, "DocumentReference")} == {"final"}
    assert '"data"' in text
    assert '"data"' not in plain


def test_period_holds_what_lies_in_it(clinic):
    days = sorted(Assessment.objects.signed().values_list("assessed_on", flat=True))
    day = days[len(days) // 2]
    out = io.StringIO()

    export_period(by=clinic, first=day, last=day, wish=Wish(first=day, last=day), out=out)

    visits = resources(out.getvalue(), "Encounter")
    assert {one["period"]["start"] for one in visits} == {str(day)}
    assert len(visits) == days.count(day)
    times = {
        one["start"][:10] for one in resources(out.getvalue(), "Appointment") if "start" in one
    }
    assert times == {str(day)}


# Codes


def test_standard_codes_come_before_ours(clinic, whole):
    _, text = whole
    cadence = next(
        one for one in resources(text, "Observation") if own_code(one["code"]) == "feature.cadence"
    )

    assert cadence["code"]["coding"] == [
        {
            # IEEE 11073-10101: partition 129, term 111; 129 * 65536 + 111
            "system": "urn:iso:std:iso:11073:10101",
            "code": str(129 * 65536 + 111),
            "display": "MDC_HF_CAD",
        },
        {"system": SYSTEM, "code": "feature.cadence", "display": "Cadence"},
    ]


def test_every_closed_list_of_the_record_has_a_written_definition():
    table = interop(CODES)

    assert all(len(one.definition) > 10 for one in table.fixed.values())
    for word, words in {
        "consent": ConsentPurpose,
        "paper": PaperKind,
        "hold": HoldScope,
        "alert": AlertKind,
        "known": Known,
        "method": Method,
        "severity": Severity,
        "visit": AssessmentKind,
        "side": {Side.LEFT, Side.RIGHT, Side.BOTH},
        "grade": range(4),
    }.items():
        assert {f"{word}.{one}" for one in words} <= table.fixed.keys()


def test_clients_of_the_demo_are_all_there(clinic, whole):
    _, text = whole
    mine = Client.objects.for_staff(Staff.objects.get(username="max"))

    # all but the one that is restricted to others
    assert len(resources(text, "Patient")) == mine.count() == Client.objects.count() - 1 == 40
    assert len(resources(text, "Consent")) == Consent.objects.filter(client__in=mine).count()
    due = sum("requestedPeriod" in one for one in resources(text, "Appointment"))
    visits = Appointment.objects.filter(client__in=mine)
    assert len(resources(text, "Appointment")) - due == visits.count()
