"""The server process of the site: gunicorn with workers, in a process group of its own.

It is forked from the process that runs the test, which has read all code already: starting takes
a tenth of a second, and what is killed is the same program.
"""

import http.client
import os
import signal
import sys

from django.db import connections
from gunicorn.app.base import BaseApplication

from tests.durability.places import children_of, free_port, lives, wait_until

HOST = "127.0.0.1"
WORKERS = 2


class Site(BaseApplication):
    def __init__(self, port, log):
        self.port, self.log = port, log
        super().__init__()

    def load_config(self):
        settings = {
            "bind": f"{HOST}:{self.port}",
            "workers": WORKERS,
            "threads": 2,
            "worker_class": "gthread",
            "errorlog": str(self.log),
            "capture_output": True,
        }
        if "control_socket_disable" in self.cfg.settings:
            settings["control_socket_disable"] = True  # its file would outlive a kill
        for name, value in settings.items():
            self.cfg.set(name, value)

    def load(self):
        from clinic.web.wsgi import application  # app ready: it looks at the database

        return application


class Server:
    """The server process; `start` after `kill` as often as wanted."""

    def __init__(self, folder):
        self.port, self.log, self.process = free_port(), folder / "server.log", 0

    def start(self):
        connections.close_all()  # no connection is shared with the child
        sys.stdout.flush()
        self.process = os.fork()
        if self.process == 0:
            self._serve()
        wait_until(self._answers, "the server's start")

    def _serve(self):
        """In the child: serve until killed, never return."""
        try:
            os.setsid()
            Site(self.port, self.log).run()
        finally:
            os._exit(1)

    def _answers(self):
        asked = http.client.HTTPConnection(HOST, self.port, timeout=5)
        try:
            asked.request("GET", "/accounts/login/")
            return asked.getresponse().status == http.HTTPStatus.OK
        except OSError:
            return False
        finally:
            asked.close()

    def kill(self):
        """End the whole group with signal 9."""
        if not self.process:
            return
        family = [self.process, *children_of(self.process)]
        os.killpg(self.process, signal.SIGKILL)
        os.waitpid(self.process, 0)
        self.process = 0
        wait_until(lambda: not any(lives(one) for one in family), "the server's end")
