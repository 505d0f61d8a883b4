"""Pages that show what was typed to break them: nothing runs, nothing is asked of other hosts."""

import pytest

from assessments.models import Episode
from clinic.domain.vocabulary import Role
from clinic.models import Alert, Client, Referrer, Room, Site, Staff
from tests.browser.conftest import MEANT
from tests.structure.doors import World, our_doors
from tests.structure.payloads import TEXTS

pytestmark = pytest.mark.browser
ALL_AT_ONCE = " ".join(TEXTS[it] for it in ("script", "image", "attribute", "template"))
# text columns of each table that its pages show
TYPED = {
    Client: ("given_names", "family_name", "address", "telephone"),
    Referrer: ("name", "practice", "address"),
    Alert: ("text",),
    Site: ("name", "address", "telephone"),
    Room: ("name",),
    Staff: ("last_name", "profession"),
    Episode: ("reason",),
}


def fill_with_payloads():
    """Every column takes as much as it may hold."""
    for model, columns in TYPED.items():
        for column in columns:
            longest = model._meta.get_field(column).max_length or len(ALL_AT_ONCE)
            model.objects.update(**{column: ALL_AT_ONCE[:longest]})


@pytest.mark.parametrize("role", ["clinician", "reception", "manager"])
def test_stored_payloads_do_nothing(page, live_server, clinic_of_test, edition, client, role):
    people = {"clinician": "ines", "reception": "rose", "manager": "max"}
    world = World(clinic_of_test["ines"], edition)
    for word in ("alerts", "appointments", "episodes", "referrers"):
        assert world[word, "pk"]
    addresses = [
        door.address(world)
        for door in our_doors()
        if Role(role) in getattr(door.view, "roles", ())
    ]
    fill_with_payloads()
    client.force_login(clinic_of_test[people[role]])
    key = {"name": "sessionid", "value": client.cookies["sessionid"].value}
    page.context.add_cookies([key | {"url": live_server.url}])
    ran, complaints, asked = [], [], []
    page.on("dialog", lambda it: (ran.append(it.message), it.accept()))
    page.on("pageerror", lambda it: complaints.append(str(it)))
    page.on("console", lambda it: it.type == "error" and complaints.append(it.text))
    page.on("request", lambda it: asked.append(it.url))
    shown = looked_at = 0

    for address in addresses:
        answer = page.request.get(live_server.url + address)
        if answer.ok and answer.headers["content-type"].startswith("text/html"):
            page.goto(live_server.url + address)
            looked_at += 1
            shown += "Qzscript7<script>" in page.inner_text("body")

    outside = [it for it in asked if not it.startswith((live_server.url, "blob:", "data:"))]
    assert (looked_at >= 20, shown >= 10) == (True, True)
    assert (ran, outside) == ([], [])
    assert [it for it in complaints if not MEANT.search(it)] == []
