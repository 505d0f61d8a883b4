"""Erasures outlive the backups: a record that was erased does not come back with an old one.

The list lies in the data folder and beside the backups. It holds keys and days, no names.
"""

import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

FILE = "erasures.jsonl"
Erasure = dict[str, Any]


def listed() -> list[Erasure]:
    """Every erasure that the default database knows: none, as this version erases nothing."""
    return []


def apply_again(erasures: Iterable[Erasure]) -> list[Erasure]:
    """Erase what the default database still holds of these; returns those that were not applied.

    This version erases nothing: a list that a newer one wrote is kept and told of.
    """
    return list(erasures)


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
