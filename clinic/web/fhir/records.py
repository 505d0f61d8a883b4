"""Papers and who did what: DocumentReference, Communication, Provenance, AuditEvent."""

import base64
import ipaddress
from collections.abc import Iterator, Sequence
from hashlib import sha1
from typing import Any

from assessments.models import Addendum, Placement
from clinic.domain.trail_words import act_words, detail_words, object_words
from clinic.domain.vocabulary import PaperKind, ReminderOutcome, TrailAction
from clinic.models import Client, Paper, RecordRequest, Reminder, Sending, Staff, TrailEntry
from clinic.web.fhir.observations import Looked, key_of, says_something
from clinic.web.fhir.people import of_client
from clinic.web.fhir.requests import PRIORITIES
from clinic.web.fhir.sheet import SHA256, Resource, Sheet, coded, kept
from clinic.web.letter_parts import URGENCY_WORDS
from exercises.models import Programme

URGENCY_OF = {words: PRIORITIES.get(word.value) for word, words in URGENCY_WORDS.items()}
ACTIONS = {
    TrailAction.VIEW: "R",
    TrailAction.PRINT: "R",
    TrailAction.SEARCH: "R",
    TrailAction.EXPORT: "R",
    TrailAction.CREATE: "C",
    TrailAction.IMPORT: "C",
    TrailAction.CHANGE: "U",
    TrailAction.SIGN: "U",
    TrailAction.AMEND: "U",
    TrailAction.CONSENT: "U",
    TrailAction.LIFT: "U",
    TrailAction.MOVE: "U",
    TrailAction.DESTROY: "D",
}
REFUSED, DONE = "8", "0"
JSON = "application/json"


# Papers


def paper(
    row: Paper, client: Client, sheet: Sheet, *, pdf: bytes | None, inline: bool
) -> Iterator[Resource]:
    """A paper with the checksums of its bytes; the bytes themselves where asked for.

    pdf: what was signed, None for a draft.
    """
    sha256 = {"system": SHA256, "value": row.sha256} if row.sha256 else None
    yield sheet.resource(
        "DocumentReference",
        row.pk,
        masterIdentifier=sha256,
        status="superseded" if hasattr(row, "replaced_by") else "current",
        docStatus="final" if row.is_signed else "preliminary",
        type=sheet.concept(f"paper.{row.kind}"),
        subject=of_client(client, sheet),
        date=sheet.instant(row.signed_at or row.created_at),
        author=[sheet.person(row.created_by)],
        authenticator=sheet.person(row.signed_by) if row.signed_by else None,
        relatesTo=[{"code": "replaces", "target": sheet.ref("DocumentReference", row.replaces_id)}]
        if row.replaces_id
        else None,
        description=f"{row.title}, version {row.version}",
        content=[{"attachment": _attachment(row, pdf, inline=inline)}],
    )
    if row.kind == PaperKind.REFERRAL:
        yield _referral(row, client, sheet)


def _attachment(row: Paper, pdf: bytes | None, *, inline: bool) -> Resource:
    common = {"title": row.title, "creation": row.dated.isoformat()}
    return kept(**common, **_bytes(pdf, "application/pdf", inline=inline)) if pdf else common


def _bytes(data: bytes, content_type: str, *, inline: bool) -> Resource:
    """Source: HL7 FHIR R4, Attachment: the hash is SHA-1, and covers the bytes before base64."""
    return kept(
        contentType=content_type,
        data=base64.b64encode(data).decode() if inline else None,
        size=len(data),
        hash=base64.b64encode(sha1(data, usedforsecurity=False).digest()).decode(),
    )


def placement(
    row: Placement, looked: Looked, sheet: Sheet, *, content: bytes, inline: bool
) -> Resource:
    """What was placed on the film of a trial, from which its values were computed."""
    title = f"Landmarks of trial {row.trial.position}, {row.get_view_display()} view"
    return sheet.resource(
        "DocumentReference",
        f"placement-{row.pk}",
        masterIdentifier={"system": SHA256, "value": row.sha256},
        status="current",
        docStatus="final" if looked.assessment.is_signed else "preliminary",
        type=sheet.concept("film.placement"),
        subject=of_client(looked.assessment.client, sheet),
        date=sheet.instant(row.saved_at),
        author=[sheet.person(row.saved_by)],
        description=f"{title}, version {row.version}",
        content=[{"attachment": {"title": title, **_bytes(content, JSON, inline=inline)}}],
        context={"encounter": [sheet.ref("Encounter", looked.assessment.pk)]},
    )


def _referral(row: Paper, client: Client, sheet: Sheet) -> Resource:
    """A referral letter as a request; a draft is one."""
    asked: dict[str, Any] = row.content.get("referral") or {}
    to: dict[str, Any] = row.content.get("to") or {}
    named = ", ".join(to.get(one, "") for one in ("name", "role", "organisation") if to.get(one))
    return sheet.resource(
        "ServiceRequest",
        f"paper-{row.pk}",
        status="active" if row.is_signed else "draft",
        intent="order" if row.is_signed else "proposal",
        priority=URGENCY_OF.get(asked.get("urgency", "")),
        code=sheet.concept("refer.note", text=row.title),
        subject=of_client(client, sheet),
        authoredOn=row.dated.isoformat(),
        requester=sheet.person(row.signed_by or row.created_by),
        performer=[{"display": named}] if named else None,
        reasonCode=[{"text": asked["question"]}] if asked.get("question") else None,
        supportingInfo=[sheet.ref("DocumentReference", row.pk)],
    )


def sending(row: Sending, client: Client, sheet: Sheet) -> Resource:
    """One copy of a paper that left the clinic."""
    return sheet.resource(
        "Communication",
        row.pk,
        status="completed",
        medium=[{"text": row.get_manner_display()}],
        subject=of_client(client, sheet),
        sent=sheet.instant(row.sent_at),
        recipient=[{"display": row.recipient}],
        sender=sheet.person(row.sent_by),
        payload=[{"contentReference": sheet.ref("DocumentReference", row.paper_id)}],
    )


def reminder(row: Reminder, client: Client, sheet: Sheet) -> Resource:
    """The clinic wrote or telephoned; somebody who was not reached was not told."""
    missed = row.outcome == ReminderOutcome.NOT_REACHED
    return sheet.resource(
        "Communication",
        f"reminder-{row.pk}",
        status="not-done" if missed else "completed",
        statusReason={"text": row.get_outcome_display()},
        category=[sheet.concept("remind.due")],
        medium=[{"text": row.get_channel_display()}],
        subject=of_client(client, sheet),
        sent=sheet.instant(row.made_at),
        recipient=[of_client(client, sheet)],
        sender=sheet.person(row.made_by),
    )


def record_request(row: RecordRequest, client: Client, sheet: Sheet) -> Resource:
    """A request about the record with all that followed, each part a text of its own."""
    said = [("Request", row.words)]
    if row.outcome:
        said.append((f"Answer: {row.get_outcome_display()}", row.answer))
    said += [("Statement of disagreement", row.statement), ("Answer to it", row.rebuttal)]
    return sheet.resource(
        "Communication",
        f"request-{row.pk}",
        status="completed" if row.outcome else "in-progress",
        category=[sheet.concept(f"request.{row.kind}")],
        medium=[{"text": row.get_manner_display()}],
        subject=of_client(client, sheet),
        received=row.received_on.isoformat(),
        sender=of_client(client, sheet),
        recipient=[sheet.site(client.site)],
        payload=[{"contentString": f"{head}: {text}"} for head, text in said if text],
    )


# Who made each version


def _provenance(
    key: str, targets: Sequence[Resource], at: Any, by: Staff, act: str, sheet: Sheet, **more: Any
) -> Resource:
    """Codes of acts: ISO 21089 lifecycle events, as the provenance profiles of FHIR R4 use."""
    return sheet.resource(
        "Provenance",
        key,
        target=list(targets),
        recorded=sheet.instant(at),
        activity=coded("iso-21089-lifecycle", act),
        agent=[
            {
                "type": coded("provenance-participant-type", "author", "Author"),
                "who": sheet.person(by),
            }
        ],
        **more,
    )


def signed_versions(looked: Looked, sheet: Sheet) -> Iterator[Resource]:
    """Version 1 of a signed assessment, and one more for each addendum."""
    row = looked.assessment
    if row.signed_at is None or row.signed_by is None:
        return
    whole = [sheet.ref("Encounter", row.pk), sheet.ref("ClinicalImpression", row.pk)]
    answers = [one for one in looked.rows if says_something(one)]
    rows = [sheet.ref("Observation", key_of(one, looked)) for one in answers]
    yield _provenance(
        f"assessment-{row.pk}/1",
        [*whole, *rows],
        row.signed_at,
        row.signed_by,
        "attest",
        sheet,
    )
    for addendum in looked.addenda:
        yield _provenance(
            f"assessment-{row.pk}/{addendum.version}",
            [*whole, *_corrected(addendum, looked, sheet)],
            addendum.entered_at,
            addendum.author,
            "amend",
            sheet,
            occurredDateTime=addendum.acted_on.isoformat(),
            reason=[{"text": addendum.reason}],
        )


def _corrected(addendum: Addendum, looked: Looked, sheet: Sheet) -> list[Resource]:
    return [
        sheet.ref("Observation", key_of(row, looked))
        for row in looked.rows
        if says_something(row) and looked.corrected(row) == addendum
    ]


def signed_paper(row: Paper, sheet: Sheet) -> Resource | None:
    if row.signed_at is None or row.signed_by is None:
        return None
    target = [sheet.ref("DocumentReference", row.pk)]
    return _provenance(f"paper-{row.pk}", target, row.signed_at, row.signed_by, "attest", sheet)


def issued_programme(row: Programme, sheet: Sheet) -> Resource | None:
    if row.issued_at is None or row.issued_by is None:
        return None
    target = [sheet.ref("CarePlan", row.pk)]
    return _provenance(
        f"programme-{row.pk}", target, row.issued_at, row.issued_by, "attest", sheet
    )


# The trail


def trail_line(row: TrailEntry, client: Client, sheet: Sheet) -> Resource:
    """One line of the client's trail: names, codes and numbers, as the trail holds them."""
    action = TrailAction(row.action)
    words = detail_words(row.detail)
    thing = object_words(row.object_kind, row.object_key, row.object_version)
    return sheet.resource(
        "AuditEvent",
        row.pk,
        type={
            "system": "http://dicom.nema.org/resources/ontology/DCM",
            "code": "110110",
            "display": "Patient Record",
        },
        subtype=[sheet.coding(f"act.{action}", act_words(action), f"Somebody {_act(action)}.")],
        action=ACTIONS.get(action, "E"),
        recorded=sheet.instant(row.at),
        outcome=REFUSED if action is TrailAction.REFUSE else DONE,
        agent=[
            kept(
                role=[{"text": row.role}] if row.role else None,
                who=sheet.person(row.actor) if row.actor else None,
                name=row.actor_name,
                requestor=True,
                network=_network(row.origin),
            )
        ],
        source={"observer": sheet.site(client.site)},
        entity=[
            kept(
                what=of_client(client, sheet),
                name=thing,
                detail=[{"type": "detail", "valueString": words}] if words else None,
            )
        ],
    )


def _act(action: TrailAction) -> str:
    return f"{act_words(action)} something of the record"


def _network(origin: str) -> Resource | None:
    try:
        return {"address": str(ipaddress.ip_address(origin)), "type": "2"}
    except ValueError:
        return None
