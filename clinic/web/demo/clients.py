"""The invented clients with their referrers, consents and alerts."""

from datetime import date

from clinic.domain.vocabulary import AlertKind, Channel, ConsentPurpose, DocumentFormat, Known
from clinic.models import Client, Referrer, Staff
from clinic.services import people, referrers
from clinic.web.demo.cases import FAMILY, GIVEN
from clinic.web.demo.places import Clinic

REFERRERS = (
    ("Dr Agnes Tolland", "doctor", "Brook Surgery", "9 Brook Street\nLarkfield"),
    ("Dr Felix Mbeki-Stone", "doctor", "Harbour Practice", "2 Pier Road\nHarbourgate"),
    ("Coach Lena Fairoak", "coach", "Larkfield Harriers", "The Track\nLarkfield"),
)
CHANNELS = (Channel.EMAIL, Channel.TELEPHONE, Channel.LETTER)
# what some of the clients, by their place in the list, have beside the usual
SPECIAL: dict[int, dict[str, str]] = {
    4: {"medicines_known": Known.LISTED.value, "medicines": "Steroid tablets until last month"},
    5: {
        "document_format": DocumentFormat.LARGE_PRINT.value,
        "communication_needs": "Large print; speak towards the right ear",
    },
    8: {"next_of_kin": "Per Garside, husband, 01632 960908"},
    12: {"preferred_name": "Orlie"},
    17: {"language": "Portuguese", "communication_needs": "Interpreter for the first visit"},
}
ALERTS = {
    5: (AlertKind.ACCESS, "Stairs are hard: the room on the ground floor"),
    20: (AlertKind.OTHER, "Faints when blood is mentioned"),
}
LISTED_ALLERGY = "Sticking plaster"


def add_referrers(clinic: Clinic) -> dict[str, list[Referrer]]:
    """Save and return the referrers of each site, by its code."""
    return {
        code: [
            referrers.add_referrer(
                site=site,
                by=clinic.clinicians(code)[0],
                name=name,
                kind=kind,
                practice=practice,
                address=address,
            )
            for name, kind, practice, address in REFERRERS
        ]
        for code, site in clinic.sites.items()
    }


def register(place: int, by: Staff, doctor: Referrer, on: date) -> Client:
    """Save and return the client at this place of the list, registered on a day."""
    given, sex = GIVEN[place % len(GIVEN)]
    allergic = place % 5 == 1
    client = people.register_client(
        by=by,
        family_name=FAMILY[place],
        given_names=given,
        birth_date=date(1958 + place * 11 % 47, 1 + place % 12, 1 + place * 7 % 27),
        sex_for_norms=sex,
        address=f"{place + 3} Orchard Rise\nLarkfield",
        telephone=f"01632 960{300 + place}",
        email=f"{given}.{FAMILY[place]}@example.org".lower(),
        preferred_channel=CHANNELS[place % 3].value,
        doctor=doctor,
        allergies_known=(Known.LISTED if allergic else Known.NONE_KNOWN).value,
        allergies=LISTED_ALLERGY if allergic else "",
        **{"medicines_known": Known.NONE_KNOWN.value} | SPECIAL.get(place, {}),
    )
    # the service registers today, and the story began before
    Client.objects.filter(pk=client.pk).update(registered_on=on)
    client.registered_on = on
    _answer_consents(place, client, by, on)
    _add_alerts(place, client, by, on)
    return client


def _answer_consents(place: int, client: Client, by: Staff, on: date) -> None:
    answers = {ConsentPurpose.ASSESSMENT: True, ConsentPurpose.FILMING: True}
    if place % 7 != 6:
        answers[ConsentPurpose.SHARING] = True
    if place % 3 == 0:
        answers[ConsentPurpose.TEACHING] = place % 2 == 0
    for purpose, given in answers.items():
        people.answer_consent(
            client=client, purpose=purpose, by=by, given_on=on, given=given, manner="written"
        )


def _add_alerts(place: int, client: Client, by: Staff, on: date) -> None:
    alerts = [ALERTS[place]] if place in ALERTS else []
    if client.allergies:
        alerts.append((AlertKind.ALLERGY, client.allergies))
    for kind, text in alerts:
        people.add_alert(client=client, by=by, since=on, kind=kind.value, text=text)
