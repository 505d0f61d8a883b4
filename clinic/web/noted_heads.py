"""Heads of the chains noted in a file outside the database: a chain written anew shows there."""

import json
from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from clinic.domain.chain_faults import Head
from clinic.models import TrailEntry

Noted = dict[str, Any]


def noted_heads(file: Path) -> Iterator[Noted]:
    """The heads noted earlier, oldest first; none where there is no file.

    Raises ValueError naming the line that is no noted head.
    """
    if not file.exists():
        return
    with file.open(encoding="utf-8") as lines:
        for place, text in enumerate(lines, 1):
            try:
                noted = json.loads(text)
                yield {name: noted[name] for name in ("noted", "chain", "number", "hash")}
            except (ValueError, KeyError, TypeError) as bad:
                raise ValueError(f"{file}, line {place} is no noted head") from bad


def rewritten(file: Path) -> Iterator[str]:
    """Each noted head that the chain no longer holds."""
    for noted in noted_heads(file):
        chain, number = noted["chain"], noted["number"]
        found = TrailEntry.objects.filter(chain=chain, number=number).values_list(
            "hash", flat=True
        )
        stands = found.first()
        if stands != noted["hash"]:
            yield (
                f"chain {chain}, line {number}: "
                f"{'was written anew' if stands else 'is gone'} since it was noted on "
                f"{noted['noted']}"
            )


def note(file: Path, heads: Iterable[tuple[int, Head]], now: datetime) -> None:
    """Append the heads that are not the newest noted of their chain."""
    newest = {one["chain"]: (one["number"], one["hash"]) for one in noted_heads(file)}
    with file.open("a", encoding="utf-8") as lines:
        for chain, head in heads:
            if newest.get(chain) != (head.number, head.hash):
                noted = {
                    "noted": now.isoformat(timespec="seconds"),
                    "chain": chain,
                    "number": head.number,
                    "hash": head.hash,
                }
                lines.write(json.dumps(noted) + "\n")
