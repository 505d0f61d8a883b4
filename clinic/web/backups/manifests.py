"""The page that goes with a backup: what it holds, whose it is, which version made it."""

import json
import tomllib
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any

from django.conf import settings
from django.db.backends.base.base import BaseDatabaseWrapper
from django.utils.crypto import salted_hmac

from clinic.models import Site, TrailEntry
from clinic.web.backups.archive import Kept
from clinic.web.backups.refusals import Refused
from clinic.web.backups.tables import schema, table_sums
from clinic.web.verification import Tally, chain_problems

FORMAT = 1
Manifest = dict[str, Any]


def describe(connection: BaseDatabaseWrapper, now: datetime) -> tuple[Manifest, list[str]]:
    """What the default database holds at this moment, and what is wrong with its trail."""
    tally = Tally()
    faults = list(chain_problems(tally))
    sums = table_sums(connection)
    return {
        "format": FORMAT,
        "made": now.astimezone(UTC).isoformat(timespec="seconds"),
        "version": version(),
        "engine": connection.vendor,
        "clinic": sorted(set(Site.objects.values_list("clinic_name", flat=True))),
        "sites": sorted(Site.objects.values_list("code", flat=True)),
        "identity": identity(),
        "migrations": [list(one) for one in schema(connection)],
        "tables": {name: found._asdict() for name, found in sums.items()},
        "chains": {
            str(chain): {"number": head.number, "hash": head.hash}
            for _, chain, head in tally.chains
        },
        "secret": secret_mark(),
        "faults": len(faults),
    }, faults


def version() -> str:
    """Version of this system."""
    text = (settings.BASE_DIR / "pyproject.toml").read_text(encoding="utf-8")
    return str(tomllib.loads(text)["project"]["version"])


def identity() -> dict[str, str]:
    """Chain -> hash of its first line: what one record never shares with another."""
    lines = TrailEntry.objects.filter(number=1).order_by("chain").values_list("chain", "hash")
    return {str(chain): first for chain, first in lines}


def short_identity(of: dict[str, str]) -> str:
    """Eight characters for the names of one clinic's backups."""
    return sha256(min(of.items())[1].encode()).hexdigest()[:8] if of else "new"


def is_same_clinic(one: dict[str, str], other: dict[str, str]) -> bool:
    """Whether two records began with the same line, in any chain."""
    return any(other.get(chain) == first for chain, first in one.items())


def secret_mark() -> str:
    """Tells one secret key from another without telling the key."""
    return salted_hmac("clinic.backup", "mark", algorithm="sha256").hexdigest()[:32]


def written(manifest: Manifest, kept: dict[str, Kept]) -> bytes:
    """The manifest as it stands in the archive."""
    files = {name: one._asdict() for name, one in kept.items()}
    return json.dumps(manifest | {"files": files}, indent=1, ensure_ascii=False).encode()


def read(text: bytes) -> Manifest:
    """The manifest of an archive; raises Refused for one that this version cannot read."""
    try:
        found: Manifest = json.loads(text)
        if found["format"] > FORMAT:
            raise Refused("A newer version of this system made the backup: restore with that one.")
        for name in ("engine", "identity", "migrations", "tables", "chains", "files", "secret"):
            found[name]
    except (ValueError, KeyError, TypeError) as bad:
        raise Refused("The backup has no readable manifest.") from bad
    return found
