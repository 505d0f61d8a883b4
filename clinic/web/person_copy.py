"""The copy of everything about one person: a page to read, a file for machines, the papers."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from io import TextIOWrapper
from typing import IO, Any
from zipfile import ZIP_DEFLATED, ZipFile

from django.db import models, transaction
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.html import format_html, format_html_join

from clinic.domain.vocabulary import TrailAction
from clinic.models import Client, Paper, Sending, Staff, TrailEntry
from clinic.models.record_links import others, person
from clinic.services import trail
from clinic.services.papers import stored_pdf
from clinic.web.person_rows import (
    CHUNK,
    Table,
    fields_of,
    file_name,
    heading,
    lines_of,
    paths,
    rows_of,
)
from clinic.web.verification import one_moment

FORMAT = 1


@dataclass
class Tally:
    """What a copy holds."""

    tables: int = 0
    rows: int = 0
    papers: int = 0


def write_copy(*, client: Client, by: Staff, out: IO[bytes]) -> Tally:
    """Write the ZIP and then its line of the trail; nobody gets the file before that.

    Everything is read row by row at one moment, so a large record needs no more memory. Raises
    ValueError where a stored paper is not the one that was signed.
    Source: GDPR, article 15; the reader is the person themself, so no consent to share is asked.
    """
    tally, at = Tally(), timezone.now()
    with one_moment(), ZipFile(out, "w", ZIP_DEFLATED) as whole:
        with whole.open("record.json", "w") as file:
            _write_json(client, at, tally, file)
        with whole.open("record.html", "w") as file:
            for part in _page(client, at):
                file.write(part.encode())
        for paper in (
            Paper.objects.filter(client__in=person(client.pk), pdf__isnull=False)
            .order_by("pk")
            .iterator(1)
        ):
            with whole.open(file_name(paper), "w") as file:
                file.write(stored_pdf(paper))
            tally.papers += 1
    with transaction.atomic():
        for row in (client, *others(client.pk)):
            trail.record(
                TrailAction.EXPORT,
                by=by,
                row=row,
                client=row,
                format="copy",
                reader="client",
                rows=tally.rows,
                papers=tally.papers,
            )
    return tally


def tables() -> list[tuple[Table, str]]:
    """The tables of a record, the client's own first, the trail last."""
    return sorted(
        paths().items(),
        key=lambda one: (one[0] is not Client, one[0] is TrailEntry, one[0]._meta.label),
    )


def _write_json(client: Client, at: datetime, tally: Tally, file: IO[bytes]) -> None:
    text = TextIOWrapper(file, encoding="utf-8", write_through=True)
    head = {"format": FORMAT, "record": client.number, "made_at": at.isoformat()}
    text.write(json.dumps(head)[:-1] + ', "tables": {')
    for place, (table, path) in enumerate(tables()):
        text.write(f"{',' if place else ''}\n{json.dumps(table._meta.label)}: [")
        for number, row in enumerate(_read(table, path, client)):
            text.write(("," if number else "") + "\n")
            text.write(json.dumps(fields_of(row), ensure_ascii=False))
            tally.rows += 1
        text.write("]")
        tally.tables += 1
    text.write("}}\n")
    text.detach()


def _read(table: Table, path: str, client: Client) -> Iterator[models.Model]:
    return iter(rows_of(table, path, client).iterator(chunk_size=CHUNK))


def _page(client: Client, at: datetime) -> Iterator[str]:
    """The page in parts, so that it is never whole in memory."""
    context: dict[str, Any] = {"client": client, "at": at, **disclosures(client)}
    whole = render_to_string("clinic/copy.html", context)
    before, after = whole.split("<!-- rows -->")
    yield before
    for table, path in tables():
        yield from _section(table, path, client)
    yield after


def _section(table: Table, path: str, client: Client) -> Iterator[str]:
    name, any_row = heading(table), False
    for number, row in enumerate(_read(table, path, client), start=1):
        if not any_row:
            yield format_html("<section><h2>{}</h2>\n", name)
            any_row = True
        lines = format_html_join("\n", "<dt>{}</dt><dd>{}</dd>", lines_of(row))
        yield format_html("<h3>{} {}</h3>\n<dl>{}</dl>\n", name, number, lines)
    if any_row:
        yield "</section>\n"


def disclosures(client: Client) -> dict[str, Any]:
    """What left the clinic: papers that were sent, and files that were made of the record.

    Source: 45 CFR 164.528, list of disclosures.
    """
    return {
        "sendings": Sending.objects.filter(paper__client__in=person(client.pk))
        .select_related("paper", "sent_by")
        .defer("paper__pdf", "paper__content")
        .order_by("-sent_at", "-pk"),
        "exports": TrailEntry.objects.filter(
            client__in=person(client.pk), action=TrailAction.EXPORT
        ).order_by("-at", "-pk"),
    }


def stored_papers(client: Client) -> int:
    """How many papers a copy would hold."""
    return Paper.objects.filter(client__in=person(client.pk), pdf__isnull=False).count()
