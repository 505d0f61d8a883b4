"""Prepares the invented clinic and serves it on this machine."""

from argparse import ArgumentTypeError
from datetime import timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection, transaction
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone

from clinic.models import Edition, Site, Staff
from clinic.web.demo.places import CLINIC, PASS_PHRASE, SITES, STAFF, build
from clinic.web.demo.retention import add_old_record, hold_a_record
from clinic.web.demo.serving import HOST, is_free, serve
from clinic.web.demo.story import Story
from clinic.web.starting import database_faults, hold_data_folder
from exercises.services.editions import load_tables, read_folder

FRESH = timedelta(days=7)  # after that the diary of the invented clinic has run out


class Command(BaseCommand):
    help = "Prepare an invented clinic and serve it; what was entered is kept."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--port", type=port_number, default=8000)
        parser.add_argument("--prepare-only", action="store_true")
        parser.add_argument("--reset", action="store_true", help="Start over.")

    def handle(self, *args: Any, **options: Any) -> None:
        # all that can be refused is refused before anything is written
        refuse_real_clinic()
        if not options["prepare_only"]:
            refuse_taken(options["port"])
        try:
            self._prepare(reset=options["reset"])
        except KeyboardInterrupt:
            self.stdout.write("\nStopped while preparing; the next start begins again.")
            return
        if not options["prepare_only"]:
            self._serve(options["port"])

    def _prepare(self, *, reset: bool) -> None:
        if reset:
            forget()
        refuse_unsafe()
        if not is_prepared():
            self.stdout.write("Preparing the invented clinic; this takes some seconds, once.")
            prepare()
        self.stdout.write("The invented clinic is prepared.")
        age = timezone.now() - Edition.objects.earliest("pk").made_at
        if age > FRESH:
            self.stdout.write(
                f"It was prepared {age.days} days ago: --reset starts it over around today."
            )

    def _serve(self, port: int) -> None:
        hold_data_folder()
        self._say(port)
        try:
            serve(port)
        except KeyboardInterrupt:
            self.stdout.write("\nThe demo is stopped; what was entered is kept.")

    def _say(self, port: int) -> None:
        self.stdout.write(f"\nOpen http://{HOST}:{port}/ and sign in as")
        for name, given, family, role, codes, _ in STAFF:
            sites = " and ".join(SITES[code][0] for code in codes.split())
            self.stdout.write(f"  {name:<7} {given} {family}, {role.value} at {sites}")
        self.stdout.write(f"Pass phrase of all: {PASS_PHRASE}")
        self.stdout.write(
            "Everything in it is invented. A second factor is not asked for here. Stop: Ctrl-C."
        )


def port_number(text: str) -> int:
    """A port that a program may listen on."""
    if text.isascii() and text.isdigit() and 1 <= int(text) <= 65535:
        return int(text)
    raise ArgumentTypeError(f"a port is a number from 1 to 65535, not {text!r}")


def refuse_real_clinic() -> None:
    """Raise CommandError for settings or a database that are not the demo's."""
    if not settings.DEMO:
        raise CommandError("CLINIC_DEMO says no: the demo does not run beside a real clinic.")
    if holds_other_rows():
        raise CommandError(
            "DATABASE_URL names a database with other sites or accounts than the demo's: nothing "
            "was changed. Unset it, and the demo keeps a file of its own."
        )


def holds_other_rows() -> bool:
    """Whether the database holds sites or accounts that the demo did not make."""
    tables = connection.introspection.table_names()
    if Site._meta.db_table not in tables:
        return False
    sites = Site.objects.exclude(clinic_name=CLINIC).exists()
    return sites or (not Site.objects.exists() and Staff.objects.exists())


def refuse_unsafe() -> None:
    """Raise CommandError for a database that lacks guards or may lose what it acknowledges."""
    faults = database_faults()
    if faults:
        raise CommandError("The demo is not started.\n" + "\n".join(faults))


def refuse_taken(port: int) -> None:
    """Raise CommandError if something answers on the port."""
    if not is_free(port):
        other = port + 1 if port < 65535 else port - 1
        raise CommandError(
            f"Port {port} is taken: name another one with --port, e.g. --port {other}."
        )


def forget() -> None:
    """Remove the demo's own SQLite file."""
    name = settings.DATABASES["default"]["NAME"]
    if connection.vendor != "sqlite":
        raise CommandError("--reset empties the demo's own SQLite file only.")
    connection.close()
    for ending in ("", "-wal", "-shm"):
        Path(f"{name}{ending}").unlink(missing_ok=True)


def is_prepared() -> bool:
    """Whether the tables are as the code wants them and the clinic is there."""
    executor = MigrationExecutor(connection)
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        return False
    return Site.objects.exists()


def prepare() -> None:
    """Migrate, load the clinical tables, play the story: whole or not at all."""
    call_command("migrate", verbosity=0)
    if Site.objects.exists():
        return
    with transaction.atomic():
        edition, _ = load_tables(
            texts=read_folder(settings.REFERENCE_DIR),
            author="the starting edition",
            reason="Loaded as it is.",
        )
        clinic, today = build(), timezone.localdate()
        Story(clinic, edition, today).play()
        add_old_record(clinic, today)
        hold_a_record(clinic)
