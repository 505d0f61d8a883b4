"""Nothing typed is lost: network cut, browser killed, sign-in ended, two browsers on one draft."""

import os
import shutil
import signal
import subprocess

import pytest
from django.contrib.sessions.models import Session

from assessments.models import Observation
from tests.browser.conftest import PASS_PHRASE
from tests.browser.test_consult import cell, known_client, saved
from tests.factories.consult import make_assessment

pytestmark = pytest.mark.browser

CADENCE = ("cadence", "none")
STORED = """async () => {
  const found = [JSON.stringify({...localStorage}), JSON.stringify({...sessionStorage})];
  for (const name of await caches.keys()) found.push(name);
  for (const { name } of await indexedDB.databases()) {
    const opened = await new Promise((done) => {
      const opening = indexedDB.open(name);
      opening.onsuccess = () => done(opening.result);
    });
    for (const store of opened.objectStoreNames) {
      const rows = await new Promise((done) => {
        const asking = opened.transaction(store).objectStore(store).getAll();
        asking.onsuccess = () => done(asking.result);
      });
      for (const row of rows) {
        for (const value of Object.values(row)) {
          found.push(typeof value === "string" ? value : new TextDecoder().decode(value));
        }
      }
    }
    opened.close();
  }
  return found.join("\\n");
}"""


@pytest.fixture
def draft(clinic_of_test, edition):
    runner = known_client(clinic_of_test, edition)
    return make_assessment(edition=edition, client=runner, by=clinic_of_test["ines"])


def sign_in(page, address, name):
    page.goto(address + "/accounts/login/")
    page.get_by_label("Name you sign in with").fill(name)
    page.get_by_label("Password", exact=True).fill(PASS_PHRASE)
    page.keyboard.press("Enter")
    page.wait_for_url(address + "/")


def at(hand, draft):
    hand.go(f"/assessments/{draft.pk}/")
    ready(hand.page)


def ready(page):
    """The page has its key, and has looked for what was left unsent."""
    page.locator("html.ready").wait_for(state="attached")


def typed(page, feature, side, value):
    cell(page, feature, side, "value").fill(value)


def value_of(draft, feature, side="none"):
    row = Observation.objects.filter(assessment=draft, feature=feature, side=side).first()
    return None if row is None else row.value


def test_answer_is_saved_while_the_hand_is_still_in_the_field(hand, draft):
    hand.sign_in("ines")
    at(hand, draft)

    typed(hand.page, *CADENCE, "166")

    hand.page.locator("#o-cadence-none .saying.kept").wait_for()
    assert "saved at" in hand.page.locator("#o-cadence-none .saying").inner_text()
    assert value_of(draft, "cadence") == 166


def test_network_cut_and_back_in_the_middle(hand, draft):
    hand.sign_in("ines")
    at(hand, draft)
    page = hand.page
    page.context.set_offline(True)

    typed(page, *CADENCE, "166")
    typed(page, "trunk_lean", "none", "7.5")
    page.locator("#saved").get_by_text("2 answers wait").wait_for()
    assert "not saved yet" in page.locator("#o-trunk_lean-none .saying").inner_text()
    assert Observation.objects.filter(assessment=draft).count() == 0

    page.context.set_offline(False)
    saved(page, *CADENCE)
    saved(page, "trunk_lean", "none")

    assert (value_of(draft, "cadence"), value_of(draft, "trunk_lean")) == (166, 7.5)


def test_ended_sign_in_costs_nothing(hand, draft):
    hand.sign_in("ines")
    at(hand, draft)
    page = hand.page
    typed(page, *CADENCE, "166")
    saved(page, *CADENCE)
    Session.objects.all().delete()

    typed(page, "trunk_lean", "none", "7.5")
    dialog = page.locator("dialog.again")
    dialog.get_by_label("Name you sign in with").fill("ines")
    dialog.get_by_label("Password", exact=True).fill("not the right one 1")
    dialog.get_by_role("button", name="Sign in").click()
    dialog.get_by_text("do not belong together").wait_for()
    dialog.get_by_label("Password", exact=True).fill(PASS_PHRASE)
    dialog.get_by_role("button", name="Sign in").click()
    dialog.wait_for(state="detached")

    saved(page, "trunk_lean", "none")
    assert (value_of(draft, "cadence"), value_of(draft, "trunk_lean")) == (166, 7.5)


def test_nothing_is_sent_under_another_name(hand, draft):
    hand.sign_in("ines")
    at(hand, draft)
    page = hand.page
    Session.objects.all().delete()

    typed(page, *CADENCE, "166")
    dialog = page.locator("dialog.again")
    dialog.get_by_label("Name you sign in with").fill("jonas")
    dialog.get_by_label("Password", exact=True).fill(PASS_PHRASE)
    dialog.get_by_role("button", name="Sign in").click()
    page.get_by_text("Somebody else is signed in here now").wait_for()

    assert value_of(draft, "cadence") is None


def test_two_browsers_merge_different_answers_and_ask_about_the_same(hand, draft, browser):
    hand.sign_in("ines")
    at(hand, draft)
    mine = hand.page
    other_context = browser.new_context()
    theirs = other_context.new_page()
    sign_in(theirs, hand.address, "jonas")
    theirs.goto(f"{hand.address}/assessments/{draft.pk}/")
    theirs.locator("#others").get_by_text("Also open: Ines").wait_for()

    typed(theirs, "trunk_lean", "none", "7.5")
    saved(theirs, "trunk_lean", "none")
    typed(theirs, *CADENCE, "160")
    saved(theirs, *CADENCE)
    typed(mine, "hip_extension_toe_off", "left", "14")
    saved(mine, "hip_extension_toe_off", "left")
    typed(mine, *CADENCE, "172")
    mine.keyboard.press("Tab")

    keep = mine.locator("#o-cadence-none").get_by_role("button", name="Keep mine")
    keep.wait_for()
    told = mine.locator("#o-cadence-none").inner_text()
    assert "160" in told
    assert "172" in told
    assert value_of(draft, "cadence") == 160
    hand.check("assessment page, overtaken")
    keep.click()
    keep.wait_for(state="detached")
    assert value_of(draft, "cadence") == 172
    assert value_of(draft, "trunk_lean") == 7.5
    assert value_of(draft, "hip_extension_toe_off", "left") == 14
    other_context.close()


def test_nothing_readable_stays_in_the_browser(hand, draft):
    hand.sign_in("ines")
    at(hand, draft)
    page = hand.page
    page.locator('[name="w.words"]').fill("Her left shin aches downhill")
    page.context.set_offline(True)
    typed(page, *CADENCE, "166.125")
    page.locator("#saved").get_by_text("wait").wait_for()

    kept = page.evaluate(STORED)

    # the device does hold something, so that the search below can find
    assert len(kept) > 200
    for word in ("166.125", "cadence", "shin", "Fenwick", "Orla", "assessments", "ines"):
        assert word not in kept
    assert "Fenwick" not in page.title()
    assert "Fenwick" not in page.url
    page.context.set_offline(False)
    answer = page.request.get(page.url)
    assert answer.headers["cache-control"] == "no-store"


class Killable:
    """A browser with a profile folder that can be killed like a process that crashed."""

    def __init__(self, browser_type, launch, folder):
        self.browser_type, self.folder = browser_type, folder
        self.launch = launch

    def open(self):
        self.context = self.browser_type.launch_persistent_context(
            str(self.folder), **self.launch, viewport={"width": 1366, "height": 768}
        )
        return self.context.pages[0]

    def kill(self):
        found = subprocess.run(
            [shutil.which("pgrep"), "-f", str(self.folder)], capture_output=True, check=True
        )
        for pid in found.stdout.split():
            try:
                os.kill(int(pid), signal.SIGKILL)
            except ProcessLookupError:
                continue


def test_killed_browser_gives_everything_back_to_the_same_person_only(
    live_server, draft, browser_type, browser_type_launch_args, tmp_path
):
    address = live_server.url
    killable = Killable(browser_type, browser_type_launch_args, tmp_path / "profile")
    page = killable.open()
    sign_in(page, address, "ines")
    page.goto(f"{address}/assessments/{draft.pk}/")
    ready(page)
    killable.context.set_offline(True)
    typed(page, *CADENCE, "166")
    page.locator("#saved").get_by_text("kept sealed on this device").wait_for()
    killable.kill()

    page = killable.open()
    sign_in(page, address, "jonas")
    page.goto(f"{address}/assessments/{draft.pk}/")
    ready(page)
    assert page.locator("#unsent").is_hidden()
    page.goto(address)
    assert page.locator("#left-here").is_hidden()
    killable.context.clear_cookies()

    sign_in(page, address, "ines")
    page.locator("#left-here").get_by_role("link").click()
    page.wait_for_url(f"{address}/assessments/{draft.pk}/")
    page.locator("#unsent").get_by_text("166").wait_for()
    page.get_by_role("button", name="Send now").click()
    saved(page, *CADENCE)
    assert value_of(draft, "cadence") == 166
    killable.context.close()
