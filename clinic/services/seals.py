"""Seals: what a signature froze, as one checksum in the trail line of the signing."""

from collections.abc import Iterable, Sequence
from hashlib import sha256
from typing import Any

from django.db import models

from clinic.domain.chain import canonical
from clinic.models import Paper

Part = tuple[models.QuerySet[Any], Sequence[str]]
PAPER = (
    "id", "site_id", "client_id", "kind", "about", "title", "dated", "version", "replaces_id",
    "content", "edits", "state", "created_by_id", "created_at", "signed_by_id", "signed_at",
    "sha256",
)  # fmt: skip


def seal_of(version: str, parts: Iterable[Part]) -> str:
    """Version and SHA-256 of the named columns of all rows, row after row in key order.

    version: a word that changes when the columns do; older seals are then read by the older list.
    """
    found = sha256()
    for rows, columns in parts:
        held = rows.order_by("pk").values_list(*columns)
        named = [rows.model._meta.model_name, *columns]
        found.update(f"{canonical(named)}\n".encode("ascii"))
        for row in held.iterator(chunk_size=500):
            found.update(f"{canonical(row)}\n".encode("ascii"))
    return f"{version}:{found.hexdigest()}"


def paper_seal(paper: Paper) -> str:
    """Seal of a signed paper: all but its bytes, which have a checksum of their own."""
    return seal_of("v1", [(Paper.objects.filter(pk=paper.pk), PAPER)])
