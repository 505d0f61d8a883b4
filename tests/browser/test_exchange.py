"""Import by keyboard and export as a file: no violation on any step, nothing from outside."""

import json

import pytest

from clinic.models import Client
from tests.factories import ClientFactory

pytestmark = pytest.mark.browser
FILE = """Surname;First name;Date of birth;Mobile
Fenwick;Orla;03/04/1990;01632 960100
大谷;翔;05/07/1994;12
Marlow;Ines;soon;
Fennwick;Olga;03/04/1990;
"""


@pytest.fixture(autouse=True)
def own_folder(settings, tmp_path):
    settings.DATA_DIR = tmp_path


def test_file_is_imported_by_keyboard(hand, clinic_of_test, tmp_path):
    file = tmp_path / "clients.csv"
    file.write_text(FILE, encoding="utf-8")
    hand.sign_in("max")
    hand.go("/clients/import/")
    hand.check("import, file")
    hand.page.set_input_files("#id_file", file)
    hand.page.get_by_role("button", name="Read the file").focus()
    hand.press("Enter")

    hand.page.wait_for_url("**/columns/")
    hand.check("import, columns")
    hand.page.get_by_label("A date such as").focus()
    hand.write("3 April")
    hand.page.get_by_role("button", name="Look at the rows").focus()
    hand.press("Enter")

    hand.page.wait_for_url("**/check/")
    hand.check("import, rows")
    hand.page.get_by_role("button", name="Import").focus()
    hand.press("Enter")
    hand.page.get_by_role("alert").wait_for()
    hand.check("import, refused")
    hand.page.get_by_label("Leave out this row").focus()
    hand.press("Space")
    hand.page.get_by_role("button", name="Import").focus()
    hand.press("Enter")

    hand.page.wait_for_url("**/clients/import/")
    hand.check("import, done")
    assert "2 imported, 1 skipped as possible doubles, 1 left out" in hand.page.inner_text("main")
    assert sorted(Client.objects.values_list("given_names", flat=True)) == ["Orla", "翔"]


@pytest.mark.parametrize("width", [1366, 820, 320])
def test_pages_need_no_scrolling_sideways(hand, clinic_of_test, tmp_path, width):
    file = tmp_path / "clients.csv"
    file.write_text(FILE, encoding="utf-8")
    runner = ClientFactory(site=clinic_of_test["max"].home_site)
    hand.page.set_viewport_size({"width": width, "height": 900})
    hand.sign_in("max")

    for address in ("/clients/import/", f"/clients/{runner.pk}/export/", "/export/"):
        hand.go(address)
        assert hand.page.evaluate("document.documentElement.scrollWidth") <= width
    hand.go("/clients/import/")
    hand.page.set_input_files("#id_file", file)
    hand.page.get_by_role("button", name="Read the file").click()
    hand.page.wait_for_url("**/columns/")
    assert hand.page.evaluate("document.documentElement.scrollWidth") <= width
    hand.page.get_by_role("button", name="Look at the rows").click()
    hand.page.wait_for_url("**/check/")
    assert hand.page.evaluate("document.documentElement.scrollWidth") <= width


def test_record_is_saved_as_a_file(hand, clinic_of_test):
    runner = ClientFactory(site=clinic_of_test["max"].home_site)
    hand.sign_in("max")
    hand.go(f"/clients/{runner.pk}/export/")
    hand.check("export, client")
    hand.page.get_by_label("the clinic's own use").focus()
    hand.press("Space")
    hand.page.get_by_role("button", name="Save the file").focus()

    with hand.page.expect_download() as saving:
        hand.press("Enter")

    with saving.value.path().open(encoding="utf-8") as file:
        assert json.load(file)["type"] == "collection"
    hand.go("/export/")
    hand.check("export, period")
