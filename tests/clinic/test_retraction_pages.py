"""The page that retracts an assessment, and what reads past it afterwards."""

from datetime import timedelta
from decimal import Decimal
from uuid import uuid4

import pytest
from django.core.cache import cache
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from assessments.models import Retraction
from assessments.services.assessments import sign_assessment
from clinic.models import Paper
from clinic.web.letter_signing import sign_letter
from clinic.web.resting import NOT_USED
from clinic.web.views.progress import progress_of
from exercises.models import Programme
from tests.factories import SiteFactory, StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.consult import DAY, make_assessment, observe
from tests.factories.people import PaperFactory

pytestmark = pytest.mark.django_db
WHY = {"cause": "mistake", "reason": "Opened twice.", "signature": PASSWORD}


@pytest.fixture(autouse=True)
def _fresh_counts():
    yield
    cache.clear()


@pytest.fixture
def signed(edition):
    first = make_assessment(edition=edition)
    second = make_assessment(
        edition=edition, client=first.client, by=first.clinician, on=DAY + timedelta(days=7)
    )
    for assessment in (first, second):
        observe(assessment, "cadence", value=Decimal(150), method="counted")
        sign_assessment(assessment=assessment, findings=[], by=first.clinician)
    return second


@pytest.fixture
def desk(client, signed):
    client.force_login(signed.clinician)
    return client


def address(assessment):
    return reverse("assessment-retract", args=[assessment.pk])


def test_papers_that_rest_on_it_are_named(desk, signed):
    runner = signed.client
    PaperFactory(client=runner, about=f"assessment-{signed.pk}-doctor", title="Letter of this")
    PaperFactory(client=runner, about=f"assessment-{signed.pk}0-doctor", title="Letter of other")

    page = desk.get(address(signed)).content.decode()

    assert ("Letter of this" in page, "Letter of other" in page) == (True, False)


def letter_of(assessment, **given):
    return PaperFactory(
        client=assessment.client,
        created_by=assessment.clinician,
        about=f"assessment-{assessment.pk}-doctor",
        **given,
    )


def retracted(desk, assessment):
    assert desk.post(address(assessment), WHY).status_code == 302


def test_a_draft_that_rests_on_it_waits_for_no_signature(desk, signed):
    letter = letter_of(signed)
    assert letter in desk.get("/").context["to_sign"]

    retracted(desk, signed)

    assert letter not in desk.get("/").context["to_sign"]
    page = desk.get(reverse("paper-open", args=[letter.pk])).content.decode()
    assert "was retracted" in page
    assert reverse("paper-sign", args=[letter.pk]) not in page


def test_a_draft_that_rests_on_it_is_not_signed(desk, signed):
    letter = letter_of(signed)
    retracted(desk, signed)

    with pytest.raises(ValidationError, match="was retracted"):
        sign_letter(paper=letter, by=signed.clinician)


def test_the_database_signs_no_letter_of_it(desk, signed):
    letter = letter_of(signed)
    retracted(desk, signed)

    with pytest.raises(IntegrityError, match="retracted"), transaction.atomic():
        Paper.objects.filter(pk=letter.pk).update(
            state="signed",
            signed_by=signed.clinician,
            signed_at=timezone.now(),
            pdf=b"%PDF",
            sha256="0" * 64,
        )


def test_no_version_follows_a_paper_that_rests_on_it(desk, signed):
    letter = letter_of(
        signed,
        state="signed",
        signed_by=signed.clinician,
        signed_at=timezone.now(),
        pdf=b"%PDF",
        sha256="0" * 64,
    )
    retracted(desk, signed)

    answer = desk.post(reverse("paper-version", args=[letter.pk]), follow=True)

    assert NOT_USED in answer.content.decode()
    assert Paper.objects.count() == 1


def test_the_record_says_which_papers_rest_on_it(desk, signed):
    programme = Programme.objects.create(
        site=signed.site, assessment=signed, proposal={}, review_on=DAY + timedelta(days=28)
    )
    letter = letter_of(signed)
    handout = PaperFactory(client=signed.client, kind="handout", about=f"programme-{programme.pk}")
    PaperFactory(client=signed.client, about=f"assessment-{signed.pk}0-doctor")
    PaperFactory(client=signed.client, kind="handout", about=f"programme-{programme.pk}0")
    retracted(desk, signed)

    page = desk.get(reverse("client-open", args=[signed.client_id]))

    marked = {it.pk for it in page.context["papers"] if it.retracted}
    assert (marked, len(page.context["papers"])) == ({letter.pk, handout.pk}, 4)


def test_it_counts_no_more(desk, signed):
    assert len(progress_of(signed.client)[0]) == 2

    answer = desk.post(address(signed), WHY)

    assert answer.url == reverse("client-open", args=[signed.client_id])
    assert len(progress_of(signed.client)[0]) == 1
    letter = desk.get(reverse("letter-new", args=[signed.client_id]))
    chosen = letter.context["form"].fields["assessment"].queryset
    assert signed not in chosen


def test_what_is_missing_stands_beside_its_field_and_nothing_is_lost(desk, signed):
    answer = desk.post(address(signed), WHY | {"cause": ""})

    assert answer.status_code == 422
    assert answer.context["form"].errors == {"cause": ["Choose why it does not count."]}
    assert "Opened twice." in answer.content.decode()
    assert not Retraction.objects.exists()


def test_a_wrong_password_retracts_nothing(desk, signed):
    answer = desk.post(address(signed), WHY | {"signature": "not mine at all"})

    assert answer.status_code == 422
    assert not Retraction.objects.exists()


def test_pressed_twice_it_is_done_once(desk, signed):
    act = {"act": str(uuid4())}

    answers = [desk.post(address(signed), WHY | act) for _ in range(2)]

    assert [it.status_code for it in answers] == [302, 302]
    assert answers[1].url == reverse("assessment-open", args=[signed.pk])
    assert Retraction.objects.count() == 1


def test_a_second_retraction_is_led_back_to_the_assessment(desk, signed):
    desk.post(address(signed), WHY)

    answer = desk.get(address(signed), follow=True)

    assert "was retracted" in answer.content.decode()


def test_a_colleague_of_another_site_finds_nothing(client, signed):
    client.force_login(StaffFactory(home_site=SiteFactory(code="QY", name="Quayside")))

    assert client.get(address(signed)).status_code == 404
