"""Prepares the invented clinic and serves it on this machine."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection, transaction
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone

from clinic.models import Site
from clinic.web.demo.places import PASS_PHRASE, STAFF, build
from clinic.web.demo.serving import HOST, is_free, serve
from clinic.web.demo.story import Story
from exercises.services.editions import load_tables, read_folder


class Command(BaseCommand):
    help = "Prepare an invented clinic and serve it; what was entered is kept."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--prepare-only", action="store_true")
        parser.add_argument("--reset", action="store_true", help="Start over.")

    def handle(self, *args: Any, **options: Any) -> None:
        if not settings.DEMO:
            raise CommandError("CLINIC_DEMO says no: the demo does not run beside a real clinic.")
        if options["reset"]:
            self._forget()
        if not is_prepared():
            self.stdout.write("Preparing the invented clinic; this takes some seconds, once.")
            prepare()
        if options["prepare_only"]:
            self.stdout.write("The invented clinic is prepared.")
            return
        if not is_free(options["port"]):
            raise CommandError(
                f"Port {options['port']} is taken: name another one with --port, e.g. --port "
                f"{options['port'] + 1}."
            )
        self._say(options["port"])
        try:
            serve(options["port"])
        except KeyboardInterrupt:
            self.stdout.write("\nThe demo is stopped; what was entered is kept.")

    def _forget(self) -> None:
        name = settings.DATABASES["default"]["NAME"]
        if connection.vendor != "sqlite":
            raise CommandError("--reset empties the demo's own SQLite file only.")
        connection.close()
        for ending in ("", "-wal", "-shm"):
            Path(f"{name}{ending}").unlink(missing_ok=True)

    def _say(self, port: int) -> None:
        self.stdout.write(f"\nOpen http://{HOST}:{port}/ and sign in as")
        for name, given, family, role, sites, _ in STAFF:
            self.stdout.write(f"  {name:<7} {given} {family}, {role.value} at {sites}")
        self.stdout.write(f"Pass phrase of all: {PASS_PHRASE}")
        self.stdout.write(
            "Everything in it is invented. A second factor is not asked for here. Stop: Ctrl-C."
        )


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
        Story(build(), edition, timezone.localdate()).play()
