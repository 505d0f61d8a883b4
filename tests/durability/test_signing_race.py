"""An answer on its way while its assessment is signed: in the seal, or refused."""

from concurrent.futures import ThreadPoolExecutor
from threading import Event
from time import sleep

import pytest
from django.db import IntegrityError, connection, connections, transaction

from assessments.models import Observation
from assessments.services.assessments import sign_assessment
from assessments.services.seals import assessment_seal
from clinic.models import TrailEntry
from tests.factories.consult import make_assessment, observe

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite has one writer at a time"),
]


@pytest.fixture
def draft(edition):
    """A draft with one answer."""
    made = make_assessment(edition=edition)
    observe(made, "cadence", value=160)
    return made


def raced(first, second):
    """Two acts, the second begun while the first is not yet committed; what became of each."""
    begun = Event()

    def hold():
        try:
            with transaction.atomic():
                first()
                begun.set()
                sleep(0.5)  # the second must be seen to wait
        finally:
            connections.close_all()

    def follow():
        try:
            begun.wait(10)
            second()
        except IntegrityError as refused:
            return str(refused).split("\n")[0]
        finally:
            connections.close_all()
        return "done"

    with ThreadPoolExecutor(2) as pool:
        one, other = pool.submit(hold), pool.submit(follow)
        one.result()
        return other.result()


def change():
    Observation.objects.update(value=170)


def sealed_as_stored(assessment):
    line = TrailEntry.objects.get(action="sign")
    return line.detail["seal"] == assessment_seal(assessment)


def test_answer_on_its_way_is_in_the_seal(draft):
    def sign():
        sign_assessment(assessment=draft, findings=(), by=draft.clinician)

    assert raced(change, sign) == "done"
    assert Observation.objects.get().value == 170
    assert sealed_as_stored(draft)


def test_answer_after_the_signature_is_refused(draft):
    def sign():
        sign_assessment(assessment=draft, findings=(), by=draft.clinician)

    assert raced(sign, change) == "observation: the assessment is signed"
    assert Observation.objects.get().value == 160
    assert sealed_as_stored(draft)
