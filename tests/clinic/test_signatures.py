"""Who signs is asked again; a wrong answer signs nothing, and guessing has an end."""

import pytest
from allauth.mfa.totp.internal.auth import TOTP
from django.core.cache import cache
from django.urls import reverse

from tests.clinic.test_sign_in import code_of
from tests.factories import StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.consult import make_assessment
from tests.factories.letters import full_record

pytestmark = pytest.mark.django_db
SECRET = "JBSWY3DPEHPK3PXPJBSWY3DPEHPK3PXP"


@pytest.fixture(autouse=True)
def no_wrong_tries():
    cache.clear()
    yield
    cache.clear()


@pytest.fixture
def assessment(edition):
    return make_assessment(edition=edition)


@pytest.fixture
def browser(client, assessment):
    client.force_login(assessment.clinician)
    return client


def sign(browser, assessment, signature):
    address = reverse("assessment-sign", args=[assessment.pk])
    stamp = browser.get(address).context["stamp"]
    answer = browser.post(address, {"stamp": stamp, "signature": signature})
    assessment.refresh_from_db()
    return answer


@pytest.mark.parametrize(
    ("given", "said"),
    [("", "Write your password."), ("not-the-password", "This is not your password.")],
)
def test_without_the_password_nothing_is_signed(browser, assessment, given, said):
    answer = sign(browser, assessment, given)

    assert (answer.status_code, assessment.is_signed) == (422, False)
    assert answer.context["form"].errors["signature"] == [said]
    assert answer.content.decode().count(said) == 2  # in the summary and next to the field
    assert given not in answer.content.decode() or not given


def test_password_signs(browser, assessment):
    assert (sign(browser, assessment, PASSWORD).status_code, assessment.is_signed) == (302, True)


def test_after_five_wrong_passwords_the_right_one_is_refused(browser, assessment):
    for _ in range(5):
        sign(browser, assessment, "not-the-password")

    answer = sign(browser, assessment, PASSWORD)

    assert (answer.status_code, assessment.is_signed) == (422, False)
    assert "Too many wrong tries. Wait five minutes" in answer.content.decode()


def test_right_password_costs_no_try(browser, edition, assessment):
    for _ in range(6):
        one = make_assessment(edition=edition, by=assessment.clinician, client=assessment.client)
        assert sign(browser, one, PASSWORD).status_code == 302


def test_colleagues_password_does_not_sign(browser, assessment):
    colleague = StaffFactory()
    colleague.set_password("another-orchard-window")
    colleague.save()

    assert sign(browser, assessment, "another-orchard-window").status_code == 422


def test_who_has_an_app_signs_with_its_code_once(browser, edition, assessment):
    TOTP.activate(assessment.clinician, SECRET)
    second = make_assessment(edition=edition, by=assessment.clinician, client=assessment.client)
    code = code_of(SECRET)

    refused = sign(browser, assessment, PASSWORD)
    first = sign(browser, assessment, f" {code} ")
    again = sign(browser, second, code)

    assert [one.status_code for one in (refused, first, again)] == [422, 302, 422]
    assert "Code from your authenticator app" in refused.content.decode()
    assert "This code is not right" in again.content.decode()
    assert (assessment.is_signed, second.is_signed) == (True, False)


def test_letter_is_not_signed_with_a_wrong_password(client, edition):
    by = StaffFactory(first_name="Ines", last_name="Marlow")
    assessment = full_record(edition, by)
    client.force_login(by)
    data = {"kind": "letter", "assessment": assessment.pk, "to": "doctor"}
    client.post(reverse("letter-new", args=[assessment.client_id]), data)
    paper = assessment.client.papers.get(kind="letter")
    data = {"edits": paper.edits, "signature": "not-the-password"}

    answer = client.post(reverse("paper-sign", args=[paper.pk]), data)

    paper.refresh_from_db()
    assert (answer.status_code, paper.is_signed) == (422, False)
    assert "This is not your password." in answer.content.decode()
