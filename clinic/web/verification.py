"""Whether the record is what was recorded: trail, signed rows, stored papers.

Everything is read row by row, so that a large record needs no more memory than a small one.
"""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field
from hashlib import sha256
from itertools import groupby
from operator import itemgetter
from typing import Any

from django.db import connection, models, transaction
from django.db.models import Exists, F, OuterRef
from django.db.models.functions import Cast

from assessments.models import Addendum, Assessment, Retraction
from assessments.services.seals import addendum_seal, assessment_seal
from clinic.domain.chain import COLUMNS
from clinic.domain.chain_faults import Fault, Head, faults
from clinic.domain.vocabulary import PaperState, TrailAction
from clinic.models import Client, Destruction, Paper, Site, TrailEntry, TrailHead
from clinic.services.seals import paper_seal
from exercises.models import Programme
from exercises.services.seals import programme_seal

CHUNK = 500


def _first(seal: Callable[[Any], str]) -> Callable[[Any, str], str]:
    """A seal that has one version only."""
    return lambda row, _like: seal(row)


@dataclass(frozen=True, slots=True)
class Kind:
    """Rows that a signature fixes: which are signed, whose they are, how they are sealed.

    seal: of a row as it stands, in the version of the seal beside it.
    """

    signed: models.QuerySet[Any]
    client: str
    seal: Callable[[Any, str], str]


KINDS = {
    "assessment": Kind(Assessment.objects.signed(), "client_id", assessment_seal),
    "programme": Kind(
        Programme.objects.filter(issued_at__isnull=False),
        "assessment__client_id",
        _first(programme_seal),
    ),
    "paper": Kind(
        Paper.objects.filter(state=PaperState.SIGNED.value), "client_id", _first(paper_seal)
    ),
}


@dataclass
class Tally:
    """What was looked at."""

    chains: list[tuple[str, int, Head]] = field(default_factory=list)
    sealed: dict[str, int] = field(default_factory=lambda: dict.fromkeys([*KINDS, "addendum"], 0))
    unsealed: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    destroyed: int = 0  # signed rows that went with their records


def one_moment() -> AbstractContextManager[Any]:
    """The database as it is at one moment, while others go on writing."""
    if connection.in_atomic_block:
        return nullcontext()
    return _snapshot() if connection.vendor == "postgresql" else _read_only()


@contextmanager
def _snapshot() -> Iterator[None]:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield


@contextmanager
def _read_only() -> Iterator[None]:
    """A transaction of SQLite that takes no write lock, unlike those of the site."""
    with connection.cursor() as cursor:
        cursor.execute("BEGIN DEFERRED")
        try:
            yield
        finally:
            cursor.execute("ROLLBACK")


def problems(tally: Tally) -> Iterator[str]:
    """Each thing that is wrong, in words without clinical text; `tally` is filled on the way."""
    yield from chain_problems(tally)
    yield from sealed_problems(tally)
    yield from unrecorded()
    yield from addendum_problems(tally)
    yield from destruction_problems()
    yield from retraction_problems()


def chain_problems(tally: Tally) -> Iterator[str]:
    """What is wrong with the chains and their heads."""
    sites = {0: "no site"} | {site.pk: site.name for site in Site.objects.all()}
    heads = {
        head.chain: Head(head.number, head.hash) for head in TrailHead.objects.order_by("chain")
    }
    lines = TrailEntry.objects.order_by("chain", "number").values("id", "hash", *COLUMNS)
    for chain, of_chain in groupby(lines.iterator(chunk_size=CHUNK), itemgetter("chain")):
        name = sites.get(chain, f"unknown site {chain}")
        reached = _Reached()
        for fault in faults(reached.passing(of_chain), heads.pop(chain, None)):
            yield f"{name}, {about_line(fault)}"
        tally.chains.append((name, chain, reached.head))
    for chain, head in heads.items():
        name = sites.get(chain, f"unknown site {chain}")
        yield f"{name}, line {head.number}: the chain has a head and no line"


class _Reached:
    """The newest line that has passed."""

    head = Head(0, "")

    def passing(self, lines: Iterator[dict[str, Any]]) -> Iterator[dict[str, Any]]:
        for line in lines:
            self.head = Head(line["number"], line["hash"])
            yield line


def about_line(fault: Fault) -> str:
    """A fault with what its line is about, as far as a line stands there."""
    words = f"line {fault.number}: {fault.what}"
    if not fault.line:
        return words
    row = f"{fault.line['action']} {fault.line['object_kind']} {fault.line['object_key']}".strip()
    client = fault.line["client_id"]
    return f"{words} ({row}{f', client {client_number(client)}' if client else ''})"


def client_number(pk: int | None) -> str:
    """The record number of a client; their key where the client is gone."""
    found = Client.objects.filter(pk=pk or 0).values_list("number", flat=True).first()
    return found or f"with key {pk}"


def signings() -> models.QuerySet[TrailEntry]:
    """Lines that say that something was signed."""
    return TrailEntry.objects.filter(action=TrailAction.SIGN, object_kind__in=KINDS)


def sealed_problems(tally: Tally) -> Iterator[str]:
    """Signed rows that differ from what their line says, and lines whose row is gone."""
    before = signings().filter(
        client=OuterRef("client"),
        object_kind=OuterRef("object_kind"),
        object_key=OuterRef("object_key"),
        pk__lt=OuterRef("pk"),
    )
    lines = signings().annotate(again=Exists(before), destroyed=destroyed()).order_by("pk")
    for line in lines.iterator(chunk_size=CHUNK):
        for what in _differences(line, tally):
            yield (
                f"{line.object_kind} {line.object_key}, client {client_number(line.client_id)}: "
                f"{what} (chain {line.chain}, line {line.number})"
            )


def destroyed() -> Exists:
    """Whether the record of a line was destroyed afterwards, by its row and its own line."""
    done = Destruction.objects.done().filter(client=OuterRef("client"))
    told = done.annotate(key=Cast("pk", models.CharField(max_length=30))).values("key")
    return Exists(
        TrailEntry.objects.filter(
            client=OuterRef("client"),
            action=TrailAction.DESTROY,
            object_kind="destruction",
            object_key__in=told,
            pk__gt=OuterRef("pk"),
        )
    )


def destruction_problems() -> Iterator[str]:
    """Records that are gone without the decision and the line of it."""
    for client in Client.objects.filter(destroyed_on__isnull=False).order_by("pk"):
        done = Destruction.objects.done().filter(client=client).first()
        lines = TrailEntry.objects.filter(client=client, action=TrailAction.DESTROY)
        if done is None:
            yield f"client {client.number}: is emptied, and nobody decided it"
        elif not lines.filter(object_key=str(done.pk)).exists():
            yield f"client {client.number}: is destroyed, and no line of the trail says so"


def key_of(line: TrailEntry) -> int:
    """Key of the row a line is about; 0, which no row has, where it was made unreadable."""
    return int(line.object_key) if line.object_key.isdecimal() else 0


def said(line: TrailEntry, name: str) -> str:
    """A word of a line's detail; empty where it has none, or was made unreadable."""
    return str(line.detail.get(name, "")) if isinstance(line.detail, dict) else ""


def _differences(line: Any, tally: Tally) -> Iterator[str]:
    kind = KINDS[line.object_kind]
    row = kind.signed.model._default_manager.filter(pk=key_of(line)).first()
    if line.again:
        yield "was signed a second time"
    if row is None:
        if line.destroyed:
            tally.destroyed += 1
        else:
            yield "is gone"
        return
    seal = said(line, "seal")
    count = tally.sealed if seal else tally.unsealed
    count[line.object_kind] += 1
    if not kind.signed.filter(pk=row.pk).exists():
        yield "is signed no longer"
    elif seal and kind.seal(row, seal) != seal:
        yield "is not what was signed"
    if isinstance(row, Paper):
        yield from _paper_differences(row, said(line, "sha256"))


def _paper_differences(paper: Paper, signed: str) -> Iterator[str]:
    found = sha256(paper.pdf or b"").hexdigest()
    if found != signed:
        yield "its stored PDF is not the one that was signed"
    elif found != paper.sha256:
        yield "its checksum was altered"


def unrecorded() -> Iterator[str]:
    """Signed rows of which no line says that they were signed."""
    for name, kind in KINDS.items():
        line = signings().filter(
            client=OuterRef("of_client"), object_kind=name, object_key=OuterRef("key")
        )
        rows = kind.signed.annotate(
            of_client=F(kind.client), key=Cast("pk", models.CharField(max_length=30))
        )
        for pk, client in (
            rows.filter(~Exists(line))
            .order_by("pk")
            .values_list("pk", "of_client")
            .iterator(chunk_size=CHUNK)
        ):
            yield (
                f"{name} {pk}, client {client_number(client)}: "
                "is signed, and no line of the trail says so"
            )


def addendum_problems(tally: Tally) -> Iterator[str]:
    """Addenda that differ from what their line says, are gone, or have no line or two."""
    lines = TrailEntry.objects.filter(action=TrailAction.AMEND, object_kind="assessment")
    for line in lines.annotate(destroyed=destroyed()).order_by("pk").iterator(chunk_size=CHUNK):
        number = said(line, "addendum")
        row = Addendum.objects.filter(
            assessment=key_of(line), number=int(number) if number.isdecimal() else 0
        ).first()
        if row is None and line.destroyed:
            tally.destroyed += 1
            continue
        tally.sealed["addendum"] += 1
        if row is None or addendum_seal(row) != said(line, "seal"):
            what = "is not what was signed" if row else "is gone"
            yield (
                f"addendum {number} of assessment {line.object_key}, client "
                f"{client_number(line.client_id)}: {what} (chain {line.chain}, "
                f"line {line.number})"
            )
    rows = Addendum.objects.select_related("assessment").order_by("pk")
    for row in rows.iterator(chunk_size=CHUNK):
        client = row.assessment.client_id
        told = lines.filter(
            client=client, object_key=str(row.assessment_id), detail__addendum=row.number
        ).count()
        if told != 1:
            what = "was signed twice" if told else "is there, and no line of the trail says so"
            yield (
                f"addendum {row.number} of assessment {row.assessment_id}, client "
                f"{client_number(client)}: {what}"
            )


def retraction_problems() -> Iterator[str]:
    """Retractions without their line, and lines whose retraction is gone."""
    lines = TrailEntry.objects.filter(action=TrailAction.AMEND, object_kind="retraction")
    stand = {str(pk) for pk in Retraction.objects.values_list("pk", flat=True)}
    told = set()
    for line in lines.annotate(destroyed=destroyed()).order_by("pk").iterator(chunk_size=CHUNK):
        told.add(line.object_key)
        if line.object_key not in stand and not line.destroyed:
            yield (
                f"retraction {line.object_key}, client {client_number(line.client_id)}: is gone "
                f"(chain {line.chain}, line {line.number})"
            )
    for row in Retraction.objects.select_related("assessment").order_by("pk"):
        if str(row.pk) not in told:
            yield (
                f"retraction {row.pk}, client {client_number(row.assessment.client_id)}: "
                "is there, and no line of the trail says so"
            )
