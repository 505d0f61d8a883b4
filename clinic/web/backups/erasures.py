"""Erasures outlive the backups: a record that was erased does not come back with an old one.

The list lies in the data folder and beside the backups. It holds keys and days, no names.
"""

import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from clinic.domain.vocabulary import TrailAction
from clinic.models import Destruction, TrailEntry

FILE = "erasures.jsonl"
Erasure = dict[str, Any]


def listed() -> list[Erasure]:
    """Every destruction that the default database knows, by keys and days."""
    done = Destruction.objects.done().select_related("client").order_by("done_on", "pk")
    return [
        {
            "client": one.client_id,
            "number": one.client.number,
            "registered_on": one.client.registered_on.isoformat(),
            "first_line": first_line(one.client_id),
            "care_ended": one.care_ended.isoformat(),
            "keep_until": one.keep_until.isoformat(),
            "destroyed_on": str(one.done_on),
        }
        for one in done
    ]


def first_line(client: int) -> str:
    """Hash of the line of a client's registration: no two clients ever share it."""
    made = TrailEntry.objects.filter(
        client=client, action=TrailAction.CREATE, object_kind="client", object_key=str(client)
    )
    return made.order_by("pk").values_list("hash", flat=True).first() or ""


def read(folder: Path) -> list[Erasure]:
    """The list of a folder; none where there is no list. Raises ValueError for a bad line."""
    file = folder / FILE
    if not file.exists():
        return []
    lines = file.read_text(encoding="utf-8").splitlines()
    try:
        return [dict(json.loads(line)) for line in lines]
    except (ValueError, TypeError) as bad:
        raise ValueError(f"{file} holds a line that is no erasure: mend or restore it.") from bad


def merged(*lists: Iterable[Erasure]) -> list[Erasure]:
    """Each erasure once, in the order in which it is met."""
    found = {_line(one): one for several in lists for one in several}
    return list(found.values())


def text(erasures: Iterable[Erasure]) -> str:
    """The list as it lies in a file."""
    return "".join(f"{_line(one)}\n" for one in erasures)


def write(folder: Path, erasures: Iterable[Erasure]) -> None:
    """Replace the list of a folder, whole or not at all."""
    new = folder / f".{FILE}.part"
    with new.open("w", encoding="utf-8") as out:
        out.write(text(erasures))
        out.flush()
        os.fsync(out.fileno())
    new.replace(folder / FILE)


def _line(one: Erasure) -> str:
    return json.dumps(one, sort_keys=True, ensure_ascii=False)
