"""The manager's pages of accounts: invited, changed, closed, helped; the link of an invitation.

Source: OWASP ASVS 5.0.0, 6.3.2, 6.4.1 (first passwords are random and short-lived), 7.4.2, 7.4.5.
"""

import hashlib
import json
import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from django.core.cache import cache
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.test import Client as Browser
from django.urls import reverse

from clinic.domain.vocabulary import Role
from clinic.models import Invitation, Staff, TrailEntry
from clinic.services import staff as accounts
from clinic.services.invitations import accept_invitation, invitation_of, invite
from tests.factories import SiteFactory, StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.factors import code_of, give_app, sign_in

START = datetime(2027, 3, 15, 9, tzinfo=UTC)
NEW = "seven herons at low tide"


@pytest.fixture
def clock(db):
    with time_machine.travel(START, tick=False) as clock:
        yield clock
    cache.clear()


@pytest.fixture
def max_(clock):
    """The manager."""
    return StaffFactory(username="max", role=Role.MANAGER, first_name="Max", last_name="Ferrow")


@pytest.fixture
def office(client, max_):
    client.force_login(max_)
    return client


def typed(site, **changes):
    return {
        "username": "Oona",
        "first_name": "Oona",
        "last_name": "Bright",
        "email": "oona@example.org",
        "profession": "Physiotherapist",
        "registration_number": "PH20001",
        "roles": ["clinician"],
        "sites": [site.pk],
        "home_site": site.pk,
    } | changes


def told(response):
    """Path of the link that the page shows."""
    return re.findall(r"http://testserver(/invitations/\S+?)<", response.content.decode())[0]


def lines(action):
    found = TrailEntry.objects.filter(action=action).order_by("pk")
    return [(line.actor, line.object_key, line.detail) for line in found]


@pytest.fixture
def invited(office, max_):
    answer = office.post(reverse("staff-new"), typed(max_.home_site))
    assert answer.status_code == 200
    return Staff.objects.get(username="oona"), told(answer)


def test_invitation_is_shown_once_sent_and_stored_as_a_hash(office, invited, max_, mailoutbox):
    oona, link = invited
    token = link.rstrip("/").rpartition("/")[2]

    (mail,) = mailoutbox
    row = Invitation.objects.get()
    assert mail.to == ["oona@example.org"]
    assert f"http://testserver{link}" in mail.body
    assert "Name you sign in with: oona" in mail.body
    assert len(token) == 43  # 256 bits, six to a sign
    assert row.token_hash == hashlib.sha256(token.encode()).hexdigest()
    assert token not in json.dumps(list(TrailEntry.objects.values()), default=str)
    page = office.get(reverse("staff-open", args=[oona.pk])).content.decode()
    assert token not in page
    assert "invited" in page
    assert lines("invite") == [(max_, str(oona.pk), {"roles": ["clinician"], "days": 3})]
    assert lines("role") == [(max_, str(oona.pk), {"before": [], "after": ["clinician"]})]


def test_account_opens_with_no_password_before_the_link_is_used(invited):
    oona, _ = invited

    assert not oona.has_usable_password()
    for password in ("", "password", "oona"):
        assert sign_in(Browser(), "oona", password).status_code == 200


def test_link_leads_to_a_password_and_the_second_step(invited, settings):
    settings.SECOND_FACTOR = True
    oona, link = invited
    browser = Browser()

    page = browser.get(link).content.decode()
    answer = browser.post(link, {"password1": NEW, "password2": NEW})
    after = sign_in(browser, "oona", NEW)

    assert "you sign in as <strong>oona</strong>" in page
    assert answer.url == reverse("account_login")
    assert after.url == "/"
    assert browser.get("/").url == reverse("mfa_index")
    assert lines("change") == [
        (oona, str(oona.pk), {"fields": ["password"], "by_invitation": True})
    ]


def test_looking_at_the_link_uses_nothing_up(invited):
    _, link = invited

    assert [Browser().get(link).status_code for _ in range(3)] == [200] * 3
    assert Browser().head(link).status_code == 200


def test_link_opens_once(invited):
    _, link = invited
    Browser().post(link, {"password1": NEW, "password2": NEW})

    answers = [Browser().get(link), Browser().post(link, {"password1": "x", "password2": "x"})]

    assert [one.status_code for one in answers] == [410, 410]
    assert "This link opens no more" in answers[0].content.decode()


def test_two_at_once_do_not_both_choose(invited):
    _, link = invited
    one, other = (invitation_of(link.rstrip("/").rpartition("/")[2]) for _ in range(2))

    chosen = [
        accept_invitation(invitation=it, password=password)
        for it, password in ((one, NEW), (other, PASSWORD))
    ]

    assert chosen == [True, False]
    assert Staff.objects.get(username="oona").check_password(NEW)


@pytest.mark.parametrize(("after", "status"), [(timedelta(days=3, seconds=-1), 200),
                                               (timedelta(days=3), 410)])  # fmt: skip
def test_link_lasts_three_days(invited, clock, after, status):
    _, link = invited
    clock.shift(after)

    assert Browser().get(link).status_code == status


def test_newer_link_ends_the_older(office, invited):
    oona, link = invited

    newer = told(office.post(reverse("staff-link", args=[oona.pk])))

    assert [Browser().get(one).status_code for one in (link, newer)] == [410, 200]


def test_link_of_a_closed_account_opens_no_more(office, invited):
    oona, link = invited

    office.post(reverse("staff-close", args=[oona.pk]))
    office.post(reverse("staff-reopen", args=[oona.pk]))

    assert Browser().get(link).status_code == 410


@pytest.mark.parametrize("token", ["x", "a" * 43, "a" * 500, "%00"])
def test_guessed_link_opens_nothing(invited, token):
    assert Browser().get(f"/invitations/{token}/").status_code == 410


def test_password_by_link_is_judged_as_everywhere(invited):
    _, link = invited

    page = Browser().post(link, {"password1": "Mill Lane", "password2": "Mill Lane"})

    assert "It has 9 of at least 15 characters" in page.content.decode()
    assert Browser().get(link).status_code == 200


def test_link_signs_out_whoever_sat_here(office, invited):
    _, link = invited

    office.post(link, {"password1": NEW, "password2": NEW})

    assert office.get("/staff/").status_code == 302


def test_new_link_leaves_the_factor(office, clock):
    ines = StaffFactory(username="imarlow", home_site=Staff.objects.get(username="max").home_site)
    secret = give_app(ines)
    link = told(office.post(reverse("staff-link", args=[ines.pk])))
    browser = Browser()
    browser.post(link, {"password1": NEW, "password2": NEW})

    asked = sign_in(browser, "imarlow", NEW)

    assert asked.url == reverse("mfa_authenticate")
    assert browser.get("/").status_code == 302
    assert browser.post(asked.url, {"code": code_of(secret)}).url == "/"


def test_mail_that_fails_is_said_and_the_link_shown(office, max_, settings):
    settings.EMAIL_BACKEND = "tests.factories.mail.Broken"

    answer = office.post(reverse("staff-new"), typed(max_.home_site))

    assert "the mail could not be handed over" in answer.content.decode()
    assert Browser().get(told(answer)).status_code == 200


def test_person_without_an_address_is_invited_by_hand(office, max_, mailoutbox):
    answer = office.post(reverse("staff-new"), typed(max_.home_site, email=""))

    assert "Give the link to the person yourself" in answer.content.decode()
    assert mailoutbox == []


def test_invitation_is_never_deleted_nor_used_again(invited, deleting_refused):
    row = Invitation.objects.get()
    Invitation.objects.update(withdrawn_at=START)

    with pytest.raises(IntegrityError, match="fixed"), transaction.atomic():
        Invitation.objects.update(withdrawn_at=None)
    with pytest.raises(IntegrityError, match="never deleted"), transaction.atomic():
        Invitation.objects.filter(pk=row.pk).delete()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"username": "MAX"}, "Another account has this name"),
        ({"username": "no spaces here"}, "Use letters, digits"),
        ({"email": "MAX@example.org"}, "Another account has this address"),
        ({"email": "nowhere"}, "Write an address such as"),
        ({"roles": []}, "Tick at least one role"),
        ({"sites": []}, "Tick at least one site"),
        ({"sites": ["9" * 20]}, "Tick sites of this list"),
        ({"roles": ["owner"]}, "Choose from the list"),
        ({"profession": ""}, "prints on papers"),
        ({"first_name": ""}, "Fill this in"),
    ],
)
def test_bad_input_is_said_and_nothing_is_lost(office, max_, changes, said):
    Staff.objects.filter(pk=max_.pk).update(email="max@example.org")

    page = office.post(reverse("staff-new"), typed(max_.home_site, **changes)).content.decode()

    assert said in page
    assert "<title>Error: Invite somebody" in page
    assert 'value="Bright"' in page
    assert Staff.objects.count() == 1


def test_home_site_is_one_of_the_sites(office, max_):
    other = SiteFactory(code="QY", name="Quayside")

    page = office.post(reverse("staff-new"), typed(max_.home_site, home_site=other.pk))

    assert "The home site is one of the sites" in page.content.decode()


def test_fields_beyond_the_form_are_not_taken(office, max_):
    more = {"is_superuser": "on", "is_staff": "on", "password": NEW, "is_active": ""}

    office.post(reverse("staff-new"), typed(max_.home_site, **more))

    oona = Staff.objects.get(username="oona")
    assert (oona.is_superuser, oona.is_staff, oona.is_active) == (False, False, True)
    assert not oona.has_usable_password()


# changing


@pytest.fixture
def rose(max_):
    return StaffFactory(
        username="rose", role=Role.RECEPTION, home_site=max_.home_site, first_name="Rose"
    )


def shown(browser, person):
    """What the page of an account would send if nothing was changed."""
    form = browser.get(reverse("staff-open", args=[person.pk])).context["form"]
    return {
        name: form.initial.get(name) if form.initial.get(name) is not None else ""
        for name in form.fields
    }


def save(browser, person, **changes):
    fields = shown(browser, person) | changes
    return browser.post(reverse("staff-open", args=[person.pk]), fields)


def test_only_what_was_changed_is_saved(office, max_, rose):
    answer = save(office, rose, last_name="Tallis", roles=["reception", "manager"])

    rose = Staff.objects.get(pk=rose.pk)
    assert answer.url == reverse("staff-open", args=[rose.pk])
    assert (rose.last_name, rose.roles) == ("Tallis", {Role.RECEPTION, Role.MANAGER})
    assert lines("change") == [(max_, str(rose.pk), {"fields": ["last_name"]})]
    assert lines("role") == [
        (max_, str(rose.pk), {"before": ["reception"], "after": ["manager", "reception"]})
    ]


def test_saving_nothing_leaves_no_line(office, rose):
    assert save(office, rose).status_code == 302
    assert not TrailEntry.objects.exists()


def test_sites_are_changed_and_recorded(office, max_, rose):
    other = SiteFactory(code="QY", name="Quayside")

    save(office, rose, sites=[rose.home_site_id, other.pk])

    assert set(rose.sites.values_list("code", flat=True)) == {"ML", "QY"}
    assert lines("change") == [(max_, str(rose.pk), {"fields": ["sites"], "sites": ["ML", "QY"]})]


def test_what_two_managers_change_is_merged_and_the_same_is_asked(office, rose):
    fields = shown(office, rose)
    Staff.objects.filter(pk=rose.pk).update(profession="Receptionist")

    merged = office.post(reverse("staff-open", args=[rose.pk]), fields | {"last_name": "Tallis"})
    asked = office.post(
        reverse("staff-open", args=[rose.pk]), fields | {"profession": "Secretary"}
    ).content.decode()

    rose = Staff.objects.get(pk=rose.pk)
    assert merged.status_code == 302
    assert (rose.last_name, rose.profession) == ("Tallis", "Receptionist")
    assert "Somebody else changed this to Receptionist meanwhile" in asked
    assert 'value="Secretary"' in asked


@pytest.mark.parametrize("seen", ["", "{}", "[]", "no json"])
def test_page_that_has_seen_nothing_overwrites_nothing(office, rose, seen):
    page = save(office, rose, last_name="Tallis", seen=seen).content.decode()

    assert "Somebody else changed this" in page
    assert Staff.objects.get(pk=rose.pk).last_name == rose.last_name


def test_nobody_changes_their_own_roles_or_sites(office, max_):
    other = SiteFactory(code="QY", name="Quayside")
    StaffFactory(role=Role.MANAGER, home_site=max_.home_site)

    roles = save(office, max_, roles=["manager", "clinician"]).content.decode()
    sites = save(office, max_, sites=[max_.home_site_id, other.pk]).content.decode()

    assert "Nobody changes their own roles" in roles
    assert "Nobody changes their own sites" in sites
    assert Staff.objects.get(pk=max_.pk).roles == {Role.MANAGER}
    assert max_.sites.count() == 1
    assert not TrailEntry.objects.exists()


def test_own_name_may_be_changed(office, max_):
    assert save(office, max_, last_name="Ferrow-Lane").status_code == 302


def test_own_account_is_neither_closed_nor_helped(office, max_):
    StaffFactory(role=Role.MANAGER, home_site=max_.home_site)
    give_app(max_)

    for name in ("staff-close", "staff-factor"):
        page = office.post(reverse(name, args=[max_.pk]), follow=True).content.decode()
        assert "ask another manager" in page
    assert Staff.objects.get(pk=max_.pk).is_active
    assert Authenticator.objects.filter(user=max_).exists()


def test_last_manager_stays(max_):
    helper = StaffFactory(role=Role.MANAGER, home_site=max_.home_site, is_active=False)

    for act in (
        lambda: accounts.close_account(staff=max_, by=helper),
        lambda: accounts.change_roles(staff=max_, roles=[Role.RECEPTION], by=helper),
    ):
        with pytest.raises(ValidationError, match="last manager"):
            act()
    assert Staff.objects.get(pk=max_.pk).roles == {Role.MANAGER}


# closing and helping


def test_closing_ends_the_sign_ins_at_once(office, max_, rose):
    desk = Browser()
    sign_in(desk, "rose", PASSWORD)
    assert desk.get("/clients/").status_code == 200

    office.post(reverse("staff-close", args=[rose.pk]))

    assert desk.get("/clients/").status_code == 302
    assert sign_in(Browser(), "rose", PASSWORD).url == reverse("account_inactive")
    assert lines("sign_out") == [(max_, str(rose.pk), {"why": "ended", "number": 1})]
    assert lines("change") == [(max_, str(rose.pk), {"open": False})]


def test_account_is_opened_again(office, max_, rose):
    for name in ("staff-close", "staff-close", "staff-reopen", "staff-reopen"):
        office.post(reverse(name, args=[rose.pk]))

    assert sign_in(Browser(), "rose", PASSWORD).url == "/"
    assert [detail for _, _, detail in lines("change")] == [{"open": False}, {"open": True}]


def test_manager_ends_the_sign_ins_of_somebody(office, max_, rose):
    desk = Browser()
    sign_in(desk, "rose", PASSWORD, REMOTE_ADDR="10.0.0.7")
    page = office.get(reverse("staff-open", args=[rose.pk])).content.decode()

    office.post(reverse("staff-sign-out", args=[rose.pk]))

    assert "10.0.0.7" in page
    assert desk.get("/clients/").status_code == 302
    assert lines("sign_out") == [(max_, str(rose.pk), {"why": "ended", "number": 1})]


def test_lost_factor_is_taken_away_but_not_the_password(office, max_, rose, settings):
    settings.SECOND_FACTOR = True
    give_app(max_)
    give_app(rose)

    office.post(reverse("staff-factor", args=[rose.pk]))
    browser = Browser()
    wrong = sign_in(browser, "rose", "not the password")
    right = sign_in(browser, "rose", PASSWORD)

    assert (wrong.status_code, right.url) == (200, "/")
    assert browser.get("/clients/").url == reverse("mfa_index")
    assert lines("change")[:1] == [(max_, str(rose.pk), {"fields": ["second factor"]})]


def test_factor_that_is_not_there_is_said(office, rose):
    page = office.post(reverse("staff-factor", args=[rose.pk]), follow=True).content.decode()

    assert "There is no second factor to take away." in page
    assert not TrailEntry.objects.exists()


@pytest.mark.parametrize("role", [Role.CLINICIAN, Role.RECEPTION])
def test_pages_are_the_managers(client, max_, rose, role):
    person = StaffFactory(role=role, home_site=max_.home_site)
    client.force_login(person)

    for name in ("staff-list", "staff-new"):
        assert client.get(reverse(name)).status_code == 403
    for name in ("staff-close", "staff-factor", "staff-link", "staff-sign-out"):
        assert client.post(reverse(name, args=[rose.pk])).status_code == 403
    assert 'href="/staff/"' not in client.get("/clients/").content.decode()


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_of_the_list_do_not_grow(office, max_, rows, django_assert_num_queries):
    for number in range(rows):
        person = StaffFactory(home_site=max_.home_site)
        if number % 2:
            invite(staff=person, by=max_)

    # session, person, roles; count, people, their groups and sites; site of the strip
    with django_assert_num_queries(8):
        page = office.get(reverse("staff-list")).content.decode()
    assert page.count("<tr>") == rows + 2
    assert page.count(">invited<") == rows // 2
