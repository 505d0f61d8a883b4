"""The pages of exports: who gets which file, what is refused and how it is said."""

import json
from datetime import date

import pytest
from django.urls import reverse

from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import TrailEntry
from clinic.web.exports import NO_CONSENT
from clinic.web.fhir import people
from tests.factories import AppointmentFactory, ClientFactory, SiteFactory, StaffFactory
from tests.factories.people import ConsentFactory


@pytest.fixture
def clinician(edition):
    return StaffFactory()


@pytest.fixture
def runner(clinician):
    return ClientFactory(site=clinician.home_site, number="ML00042")


def asked(browser, staff, runner, **fields):
    browser.force_login(staff)
    return browser.post(reverse("client-export", args=[runner.pk]), fields)


def patients(response):
    found = json.loads(b"".join(response.streaming_content))["entry"]
    return [
        one["resource"]["identifier"][0]["value"]
        for one in found
        if one["resource"]["resourceType"] == "Patient"
    ]


def test_client_who_agreed_is_exported(client, clinician, runner):
    ConsentFactory(client=runner, purpose="sharing", taken_by=clinician)

    response = asked(client, clinician, runner, reader="professional")

    assert response["Content-Type"] == "application/fhir+json"
    assert response["Content-Disposition"].startswith('attachment; filename="ML00042-')
    assert response["Cache-Control"] == "no-store"
    assert patients(response) == ["ML00042"]


def test_client_who_was_not_asked_is_not(client, clinician, runner):
    response = asked(client, clinician, runner, reader="professional", papers="on")

    assert response.status_code == 200
    assert response.context["form"].errors == {"reader": [NO_CONSENT]}
    page = response.content.decode()
    assert "Sharing was not asked for" in page
    assert response.context["form"]["papers"].value() is True
    assert not TrailEntry.objects.filter(action=TrailAction.EXPORT).exists()


def test_limits_are_shown_and_asked_for(client, clinician, runner):
    ConsentFactory(client=runner, purpose="sharing", limits="No films", taken_by=clinician)

    refused = asked(client, clinician, runner, reader="professional")
    given = asked(client, clinician, runner, reader="professional", limits_kept="on")

    assert "No films" in refused.content.decode()
    assert set(refused.context["form"].errors) == {"limits_kept"}
    assert patients(given) == ["ML00042"]


def test_own_use_is_offered_to_managers_only(client, clinician, runner):
    manager = StaffFactory(role=Role.MANAGER, home_site=runner.site)

    clinicians = asked(client, clinician, runner, reader="clinic")
    managers = asked(client, manager, runner, reader="clinic")

    assert set(clinicians.context["form"].errors) == {"reader"}
    assert patients(managers) == ["ML00042"]


def test_client_of_another_site_is_not_found(client, runner):
    stranger = StaffFactory(home_site=SiteFactory(code="QY", name="Quay"))

    assert asked(client, stranger, runner, reader="professional").status_code == 404


@pytest.mark.parametrize(
    ("role", "shown"), [(Role.CLINICIAN, True), (Role.MANAGER, True), (Role.AUDITOR, False)]
)
def test_record_leads_to_its_export_who_may_make_one(client, runner, role, shown):
    client.force_login(StaffFactory(role=role, home_site=runner.site))

    page = client.get(reverse("client-open", args=[runner.pk])).content.decode()

    assert (reverse("client-export", args=[runner.pk]) in page) is shown


@pytest.mark.parametrize(("role", "shown"), [(Role.MANAGER, True), (Role.CLINICIAN, False)])
def test_period_is_offered_to_managers(client, runner, role, shown):
    client.force_login(StaffFactory(role=role, home_site=runner.site))

    page = client.get(reverse("client-list")).content.decode()

    assert (reverse("period-export") in page) is shown


@pytest.fixture
def manager(runner):
    return StaffFactory(role=Role.MANAGER, home_site=runner.site)


def test_period_is_exported(client, manager, runner):
    AppointmentFactory(client=runner, local_date=date(2027, 3, 15))
    ClientFactory(site=runner.site)
    client.force_login(manager)

    response = client.post(reverse("period-export"), {"first": "15.3.2027", "last": "15.3.2027"})

    assert response["Content-Disposition"].endswith('filename="2027-03-15-2027-03-15.fhir.json"')
    assert patients(response) == ["ML00042"]


@pytest.mark.parametrize(
    ("first", "last", "field"),
    [
        ("16.3.2027", "15.3.2027", "last"),
        ("", "15.3.2027", "first"),
        ("15.3.1999", "15.3.1999", "__all__"),
    ],
)
def test_period_of_no_sense_is_named(client, manager, first, last, field):
    client.force_login(manager)

    response = client.post(reverse("period-export"), {"first": first, "last": last})

    assert set(response.context["form"].errors) == {field}


def test_unsound_export_fails_whole(client, clinician, runner, monkeypatch):
    ConsentFactory(client=runner, purpose="sharing", taken_by=clinician)
    sound = people.patient
    monkeypatch.setattr(people, "patient", lambda *them: {**sound(*them), "gender": "x"})
    client.raise_request_exception = False

    response = asked(client, clinician, runner, reader="professional")

    assert response.status_code == 500
    assert "failed on our side" in response.content.decode()
    assert not TrailEntry.objects.filter(action=TrailAction.EXPORT).exists()
