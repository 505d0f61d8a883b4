"""The production server in a process of its own: what it refuses, how it stops, what it serves."""

import http.client
import json
import os
import re
import secrets
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tests.durability.places import free_port, wait_until

ROOT = Path(__file__).parents[2]
PROXY = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "198.51.100.7", "Host": "localhost"}
SLOW_SECONDS = 2
# as a page that takes its time; the trial's own, no page of the clinic
SLOW = f"""
import time
from django.contrib.auth.decorators import login_not_required
from django.http import HttpResponse
from django.urls import path
import clinic.web.urls as ours

@login_not_required
def slow(request):
    time.sleep({SLOW_SECONDS})
    return HttpResponse("done at leisure")

ours.urlpatterns.append(path("slow/", slow, name="slow"))
"""


def surroundings(folder, **more):
    """Variables of a clinic of its own, in a file of SQLite."""
    given = {
        "CLINIC_DATA": str(folder),
        "DATABASE_URL": f"sqlite:///{folder}/records.sqlite3",
        "CLINIC_SECRET_KEY": secrets.token_urlsafe(64),
        "CLINIC_BEHIND_PROXY": "yes",
        "DJANGO_SETTINGS_MODULE": "clinic.web.settings",
        "PYTHONPATH": str(ROOT),
    }
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("CLINIC_", "DJANGO_"))
    }
    return {name: value for name, value in (kept | given | more).items() if value is not None}


def manage(folder, *words, **more):
    return subprocess.run(
        [sys.executable, "manage.py", *words],
        env=surroundings(folder, **more),
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture(scope="module")
def clinic_folder(tmp_path_factory):
    """A migrated clinic without rows."""
    folder = tmp_path_factory.mktemp("serve")
    done = manage(folder, "migrate", "--verbosity", "0")
    assert done.returncode == 0, done.stderr
    return folder


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        ({"CLINIC_SECRET_KEY": None}, "clinic.E010: The secret key was made by the system."),
        ({"CLINIC_DEMO": "yes"}, "clinic.E011: CLINIC_DEMO is on."),
        ({"DATABASE_URL": "postgres://clinic@127.0.0.1:1/clinic"}, "cannot be reached"),
    ],
)
def test_server_does_not_start(clinic_folder, more, reason):
    done = manage(clinic_folder, "serve", **more)

    assert done.returncode == 1
    assert "Not started." in done.stderr
    assert reason in done.stderr
    assert "Traceback" not in done.stderr


def test_server_does_not_start_without_its_migrations(tmp_path):
    done = manage(tmp_path, "serve")

    assert done.returncode == 1
    assert "migrations are missing, the first is account.0001_initial. Run migrate." in done.stderr


class Served:
    """`serve` on a free port, with one slow page more."""

    def __init__(self, folder):
        self.port, self.log = free_port(), folder / "serve.log"
        code = f"{SLOW}\nimport sys; sys.argv = ['manage.py', *sys.argv[1:]]\n"
        code = f"import django; django.setup()\n{code}import manage; manage.main()"
        words = ("serve", "--bind", f"127.0.0.1:{self.port}", "--workers", "1", "--threads", "2")
        with self.log.open("w") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-c", code, *words],
                env=surroundings(folder),
                cwd=ROOT,
                stdout=log,
                stderr=log,
            )
        wait_until(self.answers, "the server's start")

    def answers(self):
        assert self.process.poll() is None, self.log.read_text()
        try:
            return self.get("/health/")[0] == 200
        except OSError:
            return False

    def get(self, path, **headers):
        asked = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            asked.request("GET", path, headers=PROXY | headers)
            answer = asked.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()
        finally:
            asked.close()

    def lines(self):
        return self.log.read_text().splitlines()

    def stop(self):
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(timeout=60)


@pytest.fixture(scope="module")
def served(clinic_folder):
    made = Served(clinic_folder)
    yield made
    if made.process.poll() is None:
        made.stop()


def test_page_and_its_files_come_under_hashed_names_packed(served):
    status, headers, page = served.get("/accounts/login/")
    names = re.findall(r"/static/clinic/[\w.]+\.[0-9a-f]{12}\.(?:css|js|svg)", page.decode())
    files = [served.get(name, **{"Accept-Encoding": "gzip"}) for name in names]

    assert status == 200
    assert headers["Strict-Transport-Security"].startswith("max-age=31536000")
    assert headers["Set-Cookie"].startswith("__Host-")
    assert len(names) >= 3
    assert {it[0] for it in files} == {200}
    assert {it[1]["Cache-Control"] for it in files} == {"max-age=315360000, public, immutable"}
    assert {it[1].get("Content-Encoding") for it in files if len(it[2]) > 1000} == {"gzip"}


def test_our_scripts_import_each_other_under_hashed_names(served, clinic_folder):
    manifest = json.loads((clinic_folder / "static/staticfiles.json").read_text())["paths"]
    text = (clinic_folder / "static" / manifest["clinic/saving.js"]).read_text()
    imported = re.findall(r'from "\./([^"]+)"', text)

    assert len(imported) >= 2
    assert {f"clinic/{it}" for it in imported} <= set(manifest.values())


def test_plain_address_is_sent_to_tls(served):
    status, headers, _ = served.get("/", **{"X-Forwarded-Proto": "http"})

    assert (status, headers["Location"]) == (301, "https://localhost/")


def test_static_files_are_collected_once(served, clinic_folder):
    assert served.lines().count("Static files are collected.") == 1
    assert (clinic_folder / "static/.collected").exists()


def test_stop_finishes_what_is_in_hand_and_the_log_is_json(served):
    answers = []
    asking = threading.Thread(target=lambda: answers.append(served.get("/slow/")))
    asking.start()
    # the page is in hand once a second one would wait for it
    threading.Event().wait(SLOW_SECONDS / 4)

    code = served.stop()
    asking.join(timeout=30)

    assert code == 0
    assert [(it[0], it[2]) for it in answers] == [(200, b"done at leisure")]
    told = [json.loads(line) for line in served.lines() if line != "Static files are collected."]
    slow = [it for it in told if it.get("route") == "slow"]
    assert [(it["status"], it["ms"] >= SLOW_SECONDS * 1000) for it in slow] == [(200, True)]
    assert any(it["event"].startswith("Listening at") for it in told)
    with pytest.raises(OSError, match="refused"):
        served.get("/health/")
