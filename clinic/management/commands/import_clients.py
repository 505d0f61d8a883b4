"""Registers the clients of a CSV file, all or none; or says what would come of each row."""

from argparse import ArgumentParser
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from clinic.domain.client_rows import FIELDS, DayOrder, guessed, mapping_faults, readings
from clinic.domain.tables_from_files import (
    ENCODINGS,
    SEPARATORS,
    FileTable,
    UnreadableError,
    read_table,
    written_table,
)
from clinic.models import Staff
from clinic.services.imports import (
    RowState,
    counted,
    import_clients,
    plan,
    report,
    stamp_of,
)
from clinic.telephones import international, is_region, region_of

BY_NAME = {words: sign for sign, words in SEPARATORS.items()}


class Command(BaseCommand):
    help = "Import clients from a CSV file at the home site of a manager."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, metavar="FILE")
        parser.add_argument(
            "--by", required=True, metavar="NAME", help="sign-in name of a manager"
        )
        parser.add_argument(
            "--map",
            action="append",
            default=[],
            metavar="HEADING=FIELD",
            help=f"what a column is, once for each; fields: {', '.join(FIELDS)}; an empty one "
            "leaves the column out",
        )
        parser.add_argument("--dry-run", action="store_true", help="write nothing")
        parser.add_argument("--encoding", choices=list(ENCODINGS), default="")
        parser.add_argument("--separator", choices=list(BY_NAME), default="")
        parser.add_argument(
            "--dates", choices=[one.value for one in DayOrder], default=DayOrder.UNKNOWN.value
        )
        parser.add_argument("--country", default="", help="of telephone numbers, such as GB")
        parser.add_argument("--leave-out", action="store_true", help="rows that have faults")
        parser.add_argument(
            "--anyway", type=int, action="append", default=[], metavar="LINE", help="no double"
        )
        parser.add_argument("--report", type=Path, metavar="OUT", help="every row as CSV")

    def handle(self, *args: Any, **options: Any) -> None:
        by = Staff.objects.filter(username=options["by"], is_active=True).first()
        if by is None or not by.is_manager or by.home_site is None:
            raise CommandError("--by names nobody who is a manager with a site.")
        country = options["country"].upper() or region_of(by.home_site)
        if not is_region(country):
            raise CommandError("--country takes two letters (ISO 3166), such as GB.")
        try:
            data = options["file"].read_bytes()
            separator = BY_NAME.get(options["separator"], "")
            table = read_table(data, encoding=options["encoding"], separator=separator)
        except (OSError, UnreadableError) as bad:
            raise CommandError(str(bad)) from bad
        rows = readings(
            table,
            columns_of(table, options["map"]),
            order=DayOrder(options["dates"]),
            today=timezone.localdate(),
            telephone=lambda typed: international(typed, country),
        )
        planned = plan(rows, by)
        self._say(table, report(planned)[1:])
        count = counted(planned)
        if options["dry_run"]:
            self._write(options["report"], report(planned))
            states = {state.value: count[state] for state in RowState}
            self.stdout.write(f"Nothing was written: {states}")
            return
        try:
            done = import_clients(
                readings=rows,
                checksum=sha256(data).hexdigest(),
                anyway=frozenset(options["anyway"]),
                leave_out=options["leave_out"],
                seen=stamp_of(planned),
                by=by,
            )
        except ValidationError as refused:
            raise CommandError(" ".join(refused.messages)) from refused
        self._write(options["report"], report(done))
        self.stdout.write(f"{sum(bool(row.number) for row in done)} clients were imported.")

    def _say(self, table: FileTable, rows: Sequence[Sequence[str]]) -> None:
        """How the file was read, and each row that is not simply imported."""
        self.stdout.write(
            f"{len(table.rows)} rows, {ENCODINGS[table.encoding]}, parted by "
            f"{SEPARATORS[table.separator]}, {table.blank} without text."
        )
        for line, name, _, what, _, why, notes in rows:
            if why or notes:
                self.stdout.write(
                    f"line {line}, {name or 'no name'}: {what}. {why} {notes}".rstrip()
                )

    def _write(self, out: Path | None, rows: Sequence[Sequence[str]]) -> None:
        if out is not None:
            out.touch(mode=0o600)
            out.write_text("".join(written_table(rows)), encoding="utf-8", newline="")


def columns_of(table: FileTable, given: Sequence[str]) -> list[str]:
    """The field of each column: as its heading says, or as was given. Raises CommandError."""
    columns = guessed(table.headings)
    for one in given:
        heading, _, field = one.rpartition("=")
        if heading not in table.headings:
            raise CommandError(f"No column is headed {heading!r}; there are {table.headings}.")
        if field and field not in FIELDS:
            raise CommandError(f"{field!r} is none of: {', '.join(FIELDS)}.")
        columns[table.headings.index(heading)] = field
    wrong = mapping_faults(columns)
    if wrong:
        raise CommandError(" ".join(wrong))
    return columns
