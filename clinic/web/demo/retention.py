"""An old record that is due for review, and a legal hold on another one, to try the pages with."""

from datetime import date, timedelta

from assessments.models import Screening
from assessments.services.episodes import discharge_episode, open_episode
from clinic.domain.vocabulary import Known
from clinic.models import Client
from clinic.services import legal_holds, people
from clinic.web.demo.cases import FAMILY
from clinic.web.demo.places import Clinic

LONG_AGO, WEEKS = timedelta(days=3400), 6  # more than the 8 years of an adult; of care
HELD = 5  # place in the list of families
CLAIM = "An insurer asks about the fall in the car park, reference LF-0417."


def add_old_record(clinic: Clinic, today: date) -> Client:
    """Save and return a client who was last seen so long ago that the period is over."""
    by, on = clinic.clinicians("ML")[0], today - LONG_AGO
    client = people.register_client(
        by=by,
        family_name="Rushmere",
        given_names="Alba",
        birth_date=date(1964, 3, 9),
        sex_for_norms="f",
        address="2 Tannery Row\nLarkfield",
        telephone="01632 960411",
        email="alba.rushmere@example.org",
        allergies_known=Known.NONE_KNOWN.value,
        medicines_known=Known.NONE_KNOWN.value,
    )
    Client.objects.filter(pk=client.pk).update(registered_on=on)
    client.registered_on = on
    Screening.objects.create(site=client.site, client=client, screened_on=on, screened_by=by)
    episode = open_episode(
        client=client,
        by=by,
        goals=[],
        reason="My heel was sore after a half marathon",
        complaint_present="no",
        goal="prevention",
        opened_on=on,
    )
    ended = on + timedelta(weeks=WEEKS)
    discharge_episode(episode=episode, by=by, on=ended, reason="Goal reached")
    return client


def hold_a_record(clinic: Clinic) -> None:
    """Set a legal hold on one of the invented records."""
    held = Client.objects.get(family_name=FAMILY[HELD])
    legal_holds.set_legal_hold(client=held, reason=CLAIM, by=clinic.staff["ines"])
