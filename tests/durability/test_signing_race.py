"""An answer on its way while its assessment is signed: in the seal, or refused."""

from concurrent.futures import ThreadPoolExecutor
from threading import Event
from time import sleep

import pytest
from django.db import IntegrityError, connections, transaction

from assessments.models import HistoryAnswer, Observation, ScreeningAnswer
from assessments.services.assessments import sign_assessment
from assessments.services.histories import Told, keep_history
from assessments.services.screenings import answer_flags
from assessments.services.seals import assessment_seal
from clinic.models import TrailEntry
from tests.factories import ClientFactory, StaffFactory
from tests.factories.consult import DAY, make_assessment, make_history, make_screening, observe

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.engine("postgresql"),  # SQLite has one writer at a time
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


@pytest.fixture
def resting(edition):
    """A draft that rests on a history and a screening with one answer each."""
    by, client = StaffFactory(), ClientFactory()
    history = make_history(client, by, height_m="1.70")
    screening = make_screening(client, by, flags=["s20"])
    return make_assessment(
        edition=edition, client=client, by=by, history=history, screening=screening
    )


def heighten():
    HistoryAnswer.objects.update(value="1.80")


def affirm():
    ScreeningAnswer.objects.update(answer="yes")


def height():
    return str(HistoryAnswer.objects.get().value)


def flag():
    return ScreeningAnswer.objects.get().answer


BASES = {
    "history": (heighten, height, "1.800", "1.700", "historyanswer"),
    "screening": (affirm, flag, "yes", "no", "screeninganswer"),
}


@pytest.mark.parametrize("basis", BASES)
def test_basis_on_its_way_is_in_the_seal(resting, basis):
    write, read, new, *_ = BASES[basis]

    def sign():
        sign_assessment(assessment=resting, findings=(), by=resting.clinician)

    assert raced(write, sign) == "done"
    assert read() == new
    assert sealed_as_stored(resting)


@pytest.mark.parametrize("basis", BASES)
def test_basis_after_the_signature_is_refused(resting, basis):
    write, read, _, old, table = BASES[basis]

    def sign():
        sign_assessment(assessment=resting, findings=(), by=resting.clinician)

    assert raced(sign, write) == f"{table}: a signed assessment rests on it"
    assert read() == old
    assert sealed_as_stored(resting)


def test_pages_that_save_after_the_signature_begin_anew(resting):
    client, by = resting.client, resting.clinician

    def sign():
        sign_assessment(assessment=resting, findings=(), by=by)

    def save():
        keep_history(client=client, on=DAY, told=Told(injured_on=DAY), by=by)
        answer_flags(client=client, on=DAY, answers={"s20": "yes"}, by=by)

    assert raced(sign, save) == "done"
    assert (client.histories.count(), client.screenings.count()) == (2, 2)
    assert sealed_as_stored(resting)
