"""The demo's own small server: several browsers at once, on this machine only."""

import socket

from django.core.servers.basehttp import ThreadedWSGIServer, WSGIRequestHandler
from django.core.wsgi import get_wsgi_application

from clinic.web.limits import keep_limits

HOST = "127.0.0.1"


class QuietHandler(WSGIRequestHandler):
    """Says nothing of a request that went well."""

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  # the parent's name
        pass


def is_free(port: int) -> bool:
    """Whether nothing listens on the port."""
    with socket.socket() as probe:
        return probe.connect_ex((HOST, port)) != 0


def serve(port: int) -> None:
    """Answer requests until the process is stopped."""
    keep_limits()
    with ThreadedWSGIServer((HOST, port), QuietHandler) as server:
        server.daemon_threads = True
        server.set_app(get_wsgi_application())
        server.serve_forever()
