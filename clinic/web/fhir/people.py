"""The client and those around them: Patient, Consent, Flag, AllergyIntolerance, places, staff."""

from collections.abc import Iterator, Sequence

from clinic.domain.vocabulary import Channel, Known
from clinic.models import Alert, Client, Consent, Hold, Referrer, Room, Site, Staff
from clinic.web.fhir.requests import PRIORITIES
from clinic.web.fhir.sheet import (
    HL7,
    REGISTRATION,
    Resource,
    Sheet,
    coded,
    kept,
)


def patient(client: Client, sheet: Sheet, links: Sequence[tuple[int, str]] = ()) -> Resource:
    """The client; `gender` is left out, because the record asks for the sex for norms only.

    links: other records of the person by key, and what each is to this one.
    """
    number = kept(
        use="usual",
        type=coded("v2-0203", "MR", "Medical record number"),
        system=f"urn:uuid:{sheet.id('numbers', client.site.code)}",
        value=client.number,
    )
    return sheet.resource(
        "Patient",
        client.pk,
        identifier=[number],
        active=all(kind != "replaced-by" for _, kind in links),
        name=_names(client),
        telecom=_telecom(client.telephone, client.email, client.preferred_channel),
        birthDate=client.birth_date.isoformat(),
        deceasedDateTime=client.died_on.isoformat() if client.died_on else None,
        address=_address(client.address),
        contact=_next_of_kin(client),
        communication=[{"language": {"text": client.language}, "preferred": True}]
        if client.language
        else None,
        generalPractitioner=[sheet.referrer(client.doctor)] if client.doctor else None,
        managingOrganization=sheet.site(client.site),
        link=[{"other": sheet.ref("Patient", key), "type": kind} for key, kind in links],
    )


def of_client(client: Client, sheet: Sheet) -> Resource:
    return sheet.ref("Patient", client.pk)


def _names(client: Client) -> list[Resource]:
    names = [
        kept(
            use="official",
            text=client.full_name,
            family=client.family_name,
            given=[client.given_names] if client.given_names else None,
        )
    ]
    if client.preferred_name:
        names.append({"use": "usual", "text": client.preferred_name})
    return names


def _telecom(telephone: str, email: str, preferred: str = "") -> list[Resource]:
    ways = (("phone", telephone, Channel.TELEPHONE), ("email", email, Channel.EMAIL))
    return [
        kept(system=system, value=value, rank=1 if preferred == channel else None)
        for system, value, channel in ways
        if value
    ]


def _address(address: str) -> list[Resource]:
    lines = [line.strip() for line in address.splitlines() if line.strip()]
    return [{"text": address, "line": lines}] if lines else []


def _next_of_kin(client: Client) -> list[Resource]:
    if not client.next_of_kin:
        return []
    relation = coded("v2-0131", "N", "Next-of-Kin")
    return [{"relationship": [relation], "name": {"text": client.next_of_kin}}]


def known_lists(client: Client, sheet: Sheet) -> Iterator[Resource]:
    """What is known about allergies and medicines, also that nothing is or was asked."""
    for name in ("allergies", "medicines"):
        words, state = getattr(client, name), getattr(client, f"{name}_known")
        yield sheet.resource(
            "Observation",
            f"{name}-{client.pk}",
            status="final",
            code=sheet.concept(f"record.{name}"),
            subject=of_client(client, sheet),
            valueCodeableConcept=sheet.concept(f"known.{state}", text=words),
        )
    if client.allergies_known == Known.LISTED:
        yield sheet.resource(
            "AllergyIntolerance",
            client.pk,
            clinicalStatus=coded("allergyintolerance-clinical", "active"),
            verificationStatus=coded("allergyintolerance-verification", "unconfirmed"),
            code={"text": client.allergies},
            patient=of_client(client, sheet),
        )


def consent(row: Consent, client: Client, sheet: Sheet) -> Resource:
    """One purpose and its answer: a refusal denies, a withdrawal ends what was given."""
    return sheet.resource(
        "Consent",
        row.pk,
        status="inactive" if row.withdrawn_on else "active",
        scope=coded(
            "consentscope", "treatment" if row.purpose == "assessment" else "patient-privacy"
        ),
        category=[sheet.concept("consent.record")],
        patient=of_client(client, sheet),
        dateTime=row.given_on.isoformat(),
        performer=[{"display": row.giver}] if row.given_by else [of_client(client, sheet)],
        organization=[sheet.site(client.site)],
        policyRule={"text": _read_out(row)},
        provision=kept(
            type="permit" if row.given else "deny",
            period=kept(
                start=row.given_on.isoformat(),
                end=row.withdrawn_on.isoformat() if row.withdrawn_on else None,
            ),
            code=[sheet.concept(f"consent.{row.purpose}")],
            # what the client left out, an exception from the answer
            provision=[{"type": "deny" if row.given else "permit", "code": [{"text": row.limits}]}]
            if row.limits
            else None,
        ),
    )


def _read_out(row: Consent) -> str:
    """The words that were answered to; of version 1 only the number was kept."""
    words = f"The clinic's text of this consent, version {row.text_version}"
    return f"{words}: {row.text}" if row.text else words


def alert(row: Alert, client: Client, sheet: Sheet) -> Resource:
    return sheet.resource(
        "Flag",
        f"alert-{row.pk}",
        status="inactive" if row.ended_on else "active",
        category=[sheet.concept(f"alert.{row.kind}")],
        code={"text": row.text},
        subject=of_client(client, sheet),
        period=_period(row),
    )


def hold(row: Hold, client: Client, sheet: Sheet) -> Iterator[Resource]:
    """What is stopped, and the referral note that goes with it."""
    yield sheet.resource(
        "Flag",
        f"hold-{row.pk}",
        status="inactive" if row.ended_on else "active",
        category=[sheet.concept(f"hold.{row.scope}")],
        code=sheet.concept(
            f"held.{row.code}", row.code, f"Held by {row.code} of the tables.", text=row.sentence
        ),
        subject=of_client(client, sheet),
        period=_period(row),
    )
    if row.refer_to:
        yield sheet.resource(
            "ServiceRequest",
            f"hold-{row.pk}",
            status="completed" if row.ended_on else "active",
            intent="proposal",
            priority=PRIORITIES.get(row.urgency),
            code=sheet.concept("refer.note", text=f"See: {row.refer_to}"),
            subject=of_client(client, sheet),
            authoredOn=row.since.isoformat(),
            performerType={"text": row.refer_to},
            reasonCode=[{"text": row.sentence}],
            note=[{"text": f"Lifted: {row.reason}"}] if row.reason else None,
        )


def _period(row: Alert | Hold) -> Resource:
    ended = row.ended_on.isoformat() if row.ended_on else None
    return kept(start=row.since.isoformat(), end=ended)


# Staff, referrers, places


def practitioner(staff: Staff, sheet: Sheet) -> Resource:
    number = {"system": REGISTRATION, "value": staff.registration_number}
    return sheet.resource(
        "Practitioner",
        f"staff-{staff.pk}",
        identifier=[number] if staff.registration_number else None,
        active=staff.is_active,
        name=[
            kept(
                text=str(staff),
                family=staff.last_name,
                given=[staff.first_name] if staff.first_name else None,
            )
        ],
        qualification=[{"code": {"text": staff.profession}}] if staff.profession else None,
    )


def other_professional(row: Referrer, sheet: Sheet) -> Iterator[Resource]:
    """A doctor, therapist or coach, and the practice they work in."""
    key = f"referrer-{row.pk}"
    yield sheet.resource(
        "Practitioner",
        key,
        name=[{"text": row.name}],
        telecom=_telecom(row.telephone, row.email),
        address=_address(row.address),
    )
    practice = kept(
        practitioner=sheet.ref("Practitioner", key, row.name),
        organization=sheet.ref("Organization", key, row.practice) if row.practice else None,
    )
    yield sheet.resource(
        "PractitionerRole",
        key,
        **practice,
        code=[
            sheet.concept(
                f"referrer.{row.kind}",
                row.get_kind_display(),
                f"Sends clients or gets letters: {row.get_kind_display()}.",
            )
        ],
    )
    if row.practice:
        yield sheet.resource("Organization", key, name=row.practice)


def place(site: Site, sheet: Sheet) -> Iterator[Resource]:
    """The clinic at one address."""
    key = f"site-{site.pk}"
    telecom, address = _telecom(site.telephone, site.email), _address(site.address)
    yield sheet.resource(
        "Organization", key, name=site.clinic_name, telecom=telecom, address=address
    )
    yield sheet.resource(
        "Location",
        key,
        status="active",
        name=site.name,
        mode="instance",
        telecom=telecom,
        address=address[0] if address else None,
        managingOrganization=sheet.ref("Organization", key, site.clinic_name),
    )


def room(row: Room, sheet: Sheet) -> Resource:
    return sheet.resource(
        "Location",
        f"room-{row.pk}",
        status="active",
        name=row.name,
        mode="instance",
        physicalType={
            "coding": [{"system": f"{HL7}location-physical-type", "code": "ro", "display": "Room"}]
        },
        partOf=sheet.ref("Location", f"site-{row.site_id}"),
    )
