"""The manager's pages of sites and rooms."""

from zoneinfo import ZoneInfo

import pytest
from django.urls import reverse

from clinic.domain.sites import is_zone, zones
from clinic.domain.vocabulary import Role
from clinic.models import AppointmentKind, Room, Site, TrailEntry
from clinic.public_holidays import public_holidays, regions
from tests.factories import RoomFactory, SiteFactory, StaffFactory

FIELDS = {
    "clinic_name": "Larkfield Running Clinic",
    "name": "Quayside",
    "code": "QY",
    "address": "11 Quayside\nHarbourgate",
    "telephone": "01632 960200",
    "email": "",
    "time_zone": "Europe/Dublin",
    "holiday_region": "",
}


@pytest.fixture
def max_(db):
    return StaffFactory(role=Role.MANAGER)


@pytest.fixture
def office(client, max_):
    client.force_login(max_)
    return client


def lines():
    found = TrailEntry.objects.order_by("pk")
    return [(line.action, line.object_kind, line.detail) for line in found]


def test_site_is_added_with_kinds_and_its_maker(office, max_):
    answer = office.post(reverse("site-new"), FIELDS)

    site = Site.objects.get(code="QY")
    assert answer.url == reverse("site-open", args=[site.pk])
    assert (site.name, site.time_zone) == ("Quayside", "Europe/Dublin")
    assert AppointmentKind.objects.filter(site=site).count() == 4
    assert max_.sites.filter(pk=site.pk).exists()
    assert lines() == [("create", "site", {})]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"time_zone": "Europe/Atlantis"}, "There is no such time zone"),
        ({"time_zone": "../../etc/passwd"}, "There is no such time zone"),
        ({"holiday_region": "England"}, "Public holidays of England are not known."),
        ({"holiday_region": "GB-XYZ"}, "Public holidays of GB-XYZ are not known."),
        ({"holiday_region": "gb-eng"}, "Public holidays of gb-eng are not known."),
        ({"code": "ml"}, "One to four capital letters"),
        ({"code": "ML"}, "already exists"),
        ({"name": "Mill Lane"}, "already exists"),
        ({"address": ""}, "Fill this in"),
        ({"email": "nowhere"}, "Write an address such as"),
    ],
)
def test_bad_input_is_said_and_nothing_is_lost(office, changes, said):
    page = office.post(reverse("site-new"), FIELDS | changes).content.decode()

    assert said in page
    assert 'value="01632 960200"' in page
    assert Site.objects.count() == 1


def shown(browser, site):
    form = browser.get(reverse("site-open", args=[site.pk])).context["form"]
    return {name: form.initial[name] for name in form.fields}


def test_site_is_changed(office, max_):
    site = max_.home_site

    office.post(reverse("site-open", args=[site.pk]), shown(office, site) | {"telephone": "999"})

    site.refresh_from_db()
    assert site.telephone == "999"
    assert lines() == [("change", "site", {"fields": ["telephone"]})]


def test_saving_nothing_leaves_no_line(office, max_):
    site = max_.home_site

    answer = office.post(reverse("site-open", args=[site.pk]), shown(office, site))

    assert answer.status_code == 302
    assert lines() == []


def test_value_that_somebody_changed_is_not_written_over(office, max_):
    site = max_.home_site
    before = shown(office, site)
    Site.objects.filter(pk=site.pk).update(telephone="111")

    page = office.post(reverse("site-open", args=[site.pk]), before | {"telephone": "999"})
    merged = office.post(reverse("site-open", args=[site.pk]), before | {"clinic_name": "Other"})

    site.refresh_from_db()
    assert "Somebody else changed this to 111 meanwhile" in page.content.decode()
    assert merged.status_code == 302
    assert (site.telephone, site.clinic_name) == ("111", "Other")


def test_region_of_the_holidays_is_chosen_from_a_list_of_names(office, max_):
    site = max_.home_site
    address = reverse("site-open", args=[site.pk])

    page = office.get(address).content.decode()
    office.post(address, shown(office, site) | {"holiday_region": "GB-SCT"})

    site.refresh_from_db()
    assert '<option value="GB-SCT">United Kingdom, Scotland (GB-SCT)</option>' in page
    assert '<option value="" selected>none are kept</option>' in page
    assert site.holiday_region == "GB-SCT"
    assert lines() == [("change", "site", {"fields": ["holiday_region"]})]


def test_refused_region_stays_as_it_was_and_is_said_beside_the_field(office, max_):
    site = max_.home_site
    address = reverse("site-open", args=[site.pk])

    page = office.post(address, shown(office, site) | {"holiday_region": "GB-XYZ"})

    site.refresh_from_db()
    assert page.context["form"].errors == {
        "holiday_region": [
            "Public holidays of GB-XYZ are not known. "
            "Choose a country or a part of one from the list, or none."
        ]
    }
    assert (site.holiday_region, lines()) == ("", [])


def test_stored_region_that_is_not_known_can_be_seen_and_changed(office, max_):
    site = max_.home_site
    Site.objects.filter(pk=site.pk).update(holiday_region="XX")
    address = reverse("site-open", args=[site.pk])

    page = office.get(address).content.decode()
    office.post(address, shown(office, site) | {"holiday_region": ""})

    site.refresh_from_db()
    assert '<option value="XX" selected>XX: not known, choose another</option>' in page
    assert site.holiday_region == ""


def test_every_region_of_the_list_has_holidays():
    """The parts of the United Kingdom are those of ISO 3166-2:GB, its countries and province."""
    found = regions()

    assert {it for it in found if it.startswith("GB-")} == {"GB-ENG", "GB-NIR", "GB-SCT", "GB-WLS"}
    assert list(found.values()) == sorted(found.values())
    assert max(map(len, found)) <= Site._meta.get_field("holiday_region").max_length
    # nobody lives there (BV, HM, IO), none in wartime (UA), not announced so far (LK)
    none = {code for code in found if not public_holidays(code, 2027)}
    assert none == {"BV", "HM", "IO", "LK", "UA"}


def test_rooms_are_added_and_changed(office, max_):
    site = max_.home_site
    office.post(reverse("room-new", args=[site.pk]), {"name": "Quiet room"})
    room = Room.objects.get()
    fields = {"name": "Treadmill room", "has_treadmill": "on"}

    office.post(reverse("room-edit", args=[room.pk]), fields)
    office.post(reverse("room-edit", args=[room.pk]), fields)

    room.refresh_from_db()
    assert (room.name, room.has_treadmill, room.site) == ("Treadmill room", True, site)
    assert lines() == [
        ("create", "room", {"fields": ["name"]}),
        ("change", "room", {"fields": ["has_treadmill", "name"]}),
    ]


def test_two_rooms_of_one_name_are_refused(office, max_):
    RoomFactory(site=max_.home_site, name="Quiet room")
    address = reverse("room-new", args=[max_.home_site_id])

    page = office.post(address, {"name": "quiet ROOM"}).content.decode()

    assert "The site has a room of this name" in page
    assert Room.objects.count() == 1


def test_zones_are_those_of_the_tz_database():
    assert {"Europe/London", "America/New_York", "Asia/Kathmandu"} <= set(zones())
    assert all(ZoneInfo(name) for name in zones())
    assert not is_zone("Europe/Atlantis")


@pytest.mark.parametrize("role", [Role.CLINICIAN, Role.RECEPTION])
def test_pages_are_the_managers(client, max_, role):
    client.force_login(StaffFactory(role=role))

    assert client.get(reverse("site-list")).status_code == 403
    assert client.post(reverse("site-new"), FIELDS).status_code == 403
    assert 'href="/sites/"' not in client.get("/clients/").content.decode()


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_of_the_list_do_not_grow(office, max_, rows, django_assert_num_queries):
    for number in range(rows):
        code = f"Q{chr(65 + number // 26)}{chr(65 + number % 26)}"
        RoomFactory(site=SiteFactory(code=code, name=f"Quay {number:02}"))

    # session, person, roles; count, sites, rooms; site of the strip
    with django_assert_num_queries(7):
        page = office.get(reverse("site-list")).content.decode()
    assert page.count("<tr>") == rows + 2
