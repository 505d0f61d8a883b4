"""Every page of every role: WCAG 2.2 A and AA by axe-core, and no scrolling sideways at 320 px.

Sources: WCAG 2.2, 1.4.10 (reflow: 320 CSS pixels), 2.4.2 (page titled), 2.4.6 and H42 (headings);
axe-core for the rules that a program can judge.
"""

import pytest

from clinic.domain.vocabulary import Role
from tests.browser.conftest import PASS_PHRASE
from tests.factories import StaffFactory
from tests.structure.doors import World, our_doors

pytestmark = pytest.mark.browser
WIDE, NARROW = {"width": 1366, "height": 768}, {"width": 320, "height": 640}
# least number of pages that a role is expected to see; more come by themselves
LEAST = {Role.CLINICIAN: 50, Role.RECEPTION: 20, Role.MANAGER: 40, Role.AUDITOR: 10}
TOO_WIDE = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture
def people(clinic_of_test):
    names = {Role.CLINICIAN: "ines", Role.RECEPTION: "rose", Role.MANAGER: "max"}
    found = {role: clinic_of_test[name] for role, name in names.items()}
    auditor = StaffFactory(
        username="petra", home_site=found[Role.MANAGER].home_site, role=Role.AUDITOR
    )
    auditor.set_password(PASS_PHRASE)
    auditor.save()
    return found | {Role.AUDITOR: auditor}


def addresses_of(role, world):
    """Each page's address once."""
    found = [
        door.address(world) for door in our_doors() if role in getattr(door.view, "roles", ())
    ]
    return list(dict.fromkeys(found))


def is_page(hand, address):
    """Whether the address answers with a page of its own, and not with a file or another page."""
    answer = hand.page.request.get(hand.address + address, max_redirects=0)
    return answer.status == 200 and answer.headers["content-type"].startswith("text/html")


@pytest.mark.parametrize("role", LEAST)
def test_page_is_read_by_everybody_at_any_width(hand, people, edition, role):
    world = World(people[Role.CLINICIAN], edition)
    addresses = addresses_of(role, world)
    hand.sign_in(people[role].username)
    looked_at, faults = 0, []

    for address in addresses:
        if not is_page(hand, address):
            continue
        looked_at += 1
        hand.page.set_viewport_size(WIDE)
        hand.go(address)
        faults += [(address, *fault) for fault in hand.violations()]
        if hand.page.locator("h1").count() != 1 or not hand.page.title():
            faults.append((address, "one heading of the first order, and a title"))
        hand.page.set_viewport_size(NARROW)
        if over := hand.page.evaluate(TOO_WIDE):
            faults.append((address, f"{over} px too wide at 320"))

    assert faults == []
    assert looked_at >= LEAST[role]
