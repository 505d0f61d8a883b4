"""The production server: gunicorn with its settings, told in our log.

Two processes of four threads serve a clinic many times over; a thread may wait for a slow browser
or the database while others answer.
"""

import hashlib
import logging
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.checks import ERROR, run_checks
from django.core.management import call_command
from django.db import OperationalError, connections
from gunicorn.app.base import BaseApplication
from gunicorn.glogging import Logger

from clinic.web.starting import sentence

STAMP = ".collected"
# seconds: a process that does not move is replaced; a request in hand is finished when it stops
STUCK_SECONDS, GRACE_SECONDS = 60, 30


class OurLog(Logger):  # type: ignore[misc]
    """The server writes through the handlers of the settings: no other format, no other place."""

    def setup(self, cfg: Any) -> None:
        self.error_log.handlers.clear()
        self.error_log.propagate = True
        self.error_log.setLevel(logging.INFO)
        self.access_log.handlers.clear()
        self.access_log.propagate = False  # clinic.web.requests says it without the address


class Server(BaseApplication):  # type: ignore[misc]
    def __init__(self, *, bind: str, workers: int, threads: int) -> None:
        self.wanted = {
            "bind": bind,
            "workers": workers,
            "threads": threads,
            "worker_class": "gthread",
            "timeout": STUCK_SECONDS,
            "graceful_timeout": GRACE_SECONDS,
            "keepalive": 75,  # longer than a proxy keeps its connection unused
            "max_requests": 20_000,  # a leak, if there is one, ends with its process
            "max_requests_jitter": 2_000,
            "logger_class": OurLog,
            "control_socket_disable": True,
        }
        super().__init__()

    def load_config(self) -> None:
        for name, value in self.wanted.items():
            self.cfg.set(name, value)

    def load(self) -> Any:
        from clinic.web.wsgi import application  # app ready: it looks at the database

        return application


def reasons_not_to_start() -> list[str]:
    """A sentence with its remedy for each; none when a clinic can be served."""
    try:
        found = run_checks(include_deployment_checks=True, databases=["default"])
    except OperationalError as error:
        return [f"The database cannot be reached: {error}"]
    finally:
        connections.close_all()  # a server that forks must not share the connection
    return [sentence(it) for it in found if it.level >= ERROR and not it.is_silenced()]


def collect_static() -> bool:
    """Collect the static files unless those of this code lie there; whether it was done."""
    root = Path(settings.STATIC_ROOT)
    stamp, wanted = root / STAMP, _static_mark()
    if stamp.exists() and stamp.read_text(encoding="utf-8") == wanted:
        return False
    root.mkdir(parents=True, exist_ok=True)
    call_command("collectstatic", interactive=False, clear=True, verbosity=0)
    stamp.write_text(wanted, encoding="utf-8")
    return True


def _static_mark() -> str:
    """A checksum over the names and contents of all static files of the code."""
    found = hashlib.sha256()
    for finder in get_finders():
        for path, storage in sorted(finder.list([]), key=lambda it: str(it[0])):
            with storage.open(path) as file:
                found.update(f"{path}\0".encode() + hashlib.sha256(file.read()).digest())
    return found.hexdigest()
