"""The clinic's server, behind a proxy that speaks TLS."""

from argparse import ArgumentTypeError
from typing import Any

from django.core.management import BaseCommand, CommandError, CommandParser

from clinic.web.serving import Server, collect_static, reasons_not_to_start


class Command(BaseCommand):
    help = "Serve the clinic; refuses settings or a database that records must not rest on."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--bind", default="127.0.0.1:8000", help="host:port or unix:PATH")
        parser.add_argument("--workers", type=few, default=2, help="processes")
        parser.add_argument("--threads", type=few, default=4, help="of each process")

    def handle(self, *args: Any, **options: Any) -> None:
        reasons = reasons_not_to_start()
        if reasons:
            raise CommandError("Not started.\n" + "\n".join(reasons))
        if collect_static():
            self.stderr.write("Static files are collected.")
        Server(bind=options["bind"], workers=options["workers"], threads=options["threads"]).run()


def few(text: str) -> int:
    """How many processes or threads."""
    if text.isascii() and text.isdigit() and 1 <= int(text) <= 64:
        return int(text)
    raise ArgumentTypeError(f"a number from 1 to 64, not {text!r}")
