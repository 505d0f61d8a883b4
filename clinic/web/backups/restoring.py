"""Puts a backup back: everything is looked at first, then all is exchanged in one step."""

import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.db import DatabaseError, connection
from django.utils import timezone
from pyrage import x25519

from clinic import guards
from clinic.domain.vocabulary import TrailAction
from clinic.models import TrailEntry
from clinic.services import trail
from clinic.web.backups import erasures, manifests
from clinic.web.backups.archive import MANIFEST, Kept, sync_folder, unpack, unseal
from clinic.web.backups.copying import FILES as DATABASES
from clinic.web.backups.locks import IN_USE, alone
from clinic.web.backups.manifests import Manifest
from clinic.web.backups.places import (
    NOTE,
    Place,
    drop,
    exchange,
    is_there,
    keep_beside,
    loaded,
    refuse_in_use,
)
from clinic.web.backups.reapplying import apply_again
from clinic.web.backups.refusals import Refused
from clinic.web.backups.tables import known_schema, schema, table_sums
from clinic.web.backups.taking import FILES, KIND, UNFINISHED
from clinic.web.backups.workplaces import left_behind, workplace
from clinic.web.databases import pointed_at
from clinic.web.verification import Tally, problems

WORK = ".restoring-"


@dataclass
class Restored:
    """What was put back, and where what was there before now is."""

    made: str
    rows: int
    files: int
    erased: int
    warnings: list[str] = field(default_factory=list)
    aside: list[str] = field(default_factory=list)


def restore(
    source: Path,
    *,
    identity: x25519.Identity,
    place: Place,
    as_new: bool = False,
    damaged: bool = False,
    clock: Callable[[], datetime] = timezone.now,
) -> Restored:
    """Check a backup in a folder of its own, ready it, then exchange it for what is there.

    as_new: also over another clinic's record. damaged: also with faults in trail and seals.
    Raises Refused or OSError; then the place is as it was.
    """
    begun = clock()
    stamp = f"{begun.astimezone(UTC):%Y%m%dt%H%M%Sz}"
    refuse_unfinished(source)
    with alone(place.data, IN_USE, f"The site runs on {place.data}: stop it first."):
        refuse_in_use(place)
        remove_left_behind(place)
        known = _erasures_of(place, source.parent)
        with workplace(place.data, WORK) as folder:
            sealed, parts = folder / "opened", folder / "parts"
            unseal(source, identity, sealed)
            kept = unpack(sealed, parts)
            sealed.unlink()
            manifest = checked(parts, kept)
            refuse_other_engine(manifest, place)
            refuse_foreign(manifest, place, as_new=as_new)
            dump = parts / DATABASES[place.vendor]
            with loaded(place, dump, folder, stamp) as new:
                result = _readied(new, manifest, parts, known, damaged=damaged)
                aside = place.data / f"before-restore-{stamp}"
                _note(new, source, kept, manifest, begun, result, clock())
                bring_files(parts / FILES, place.data / FILES)
                before = exchange(new, place, aside, stamp)
            result.aside = [it for it in (before,) if it]
            erasures.write(place.data, erasures.merged(known, erasures.read(parts)))
            if set_files_aside(parts / FILES, place.data / FILES, manifest, aside):
                result.aside = sorted({*result.aside, str(aside)})
            sync_folder(place.data)
    return result


def refuse_unfinished(source: Path) -> None:
    """Raise Refused for what is no file, or still has the name of an unfinished backup."""
    if source.is_dir():
        raise Refused(f"{source} is a folder: name one backup in it.")
    if not source.exists():
        raise Refused(f"There is no file {source}.")
    if source.name.endswith(UNFINISHED):
        raise Refused(f"{source} was never finished: take the newest one that ends in .age.")


def remove_left_behind(place: Place) -> None:
    """Clear what a killed restore left; nobody else works here now."""
    for folder in left_behind(place.data, WORK):
        note = folder / NOTE
        if place.vendor == "postgresql" and note.exists():
            drop(place, note.read_text())
        shutil.rmtree(folder)


# What is looked at before anything is touched


def checked(parts: Path, kept: dict[str, Kept]) -> Manifest:
    """The manifest, when every file is there, unaltered, and of a schema that is known."""
    if MANIFEST not in kept:
        raise Refused("The backup has no readable manifest.")
    manifest = manifests.read((parts / MANIFEST).read_bytes())
    named: dict[str, Any] = manifest["files"]
    missing = sorted(named.keys() - kept.keys())
    if missing:
        raise Refused(f"{missing[0]} is missing in the backup ({len(missing)} files are).")
    extra = sorted(kept.keys() - named.keys() - {MANIFEST})
    if extra:
        raise Refused(f"{extra[0]} is in the backup and its manifest does not name it.")
    for name, said in named.items():
        if kept[name]._asdict() != said:
            raise Refused(f"{name} is not what the manifest of the backup says: it was altered.")
    newer = sorted({tuple(one) for one in manifest["migrations"]} - known_schema())
    if newer:
        raise Refused(
            f"The backup is of a newer version ({'.'.join(newer[0])} is not known here): install "
            "the version that made it, or a newer one."
        )
    return manifest


def refuse_other_engine(manifest: Manifest, place: Place) -> None:
    if manifest["engine"] != place.vendor:
        raise Refused(
            f"The backup is of {manifest['engine']} and the place is {place.vendor}: restore it "
            "into its own engine, then use move-database."
        )
    if DATABASES[place.vendor] not in manifest["files"]:
        raise Refused(f"{DATABASES[place.vendor]} is missing in the backup.")


def refuse_foreign(manifest: Manifest, place: Place, *, as_new: bool) -> None:
    """Raise Refused over another clinic's record, and over one that cannot be read."""
    if as_new or not is_there(place):
        return
    try:
        with pointed_at(place.config) as there:
            if TrailEntry._meta.db_table not in there.introspection.table_names():
                return
            found = manifests.identity()
    except DatabaseError as bad:
        raise Refused(
            f"What lies in {place.name} cannot be read, so nobody can tell whether it is the "
            "same clinic: --as-new sets it aside and goes on."
        ) from bad
    if found and not manifests.is_same_clinic(found, manifest["identity"]):
        raise Refused(
            f"The backup is of another clinic ({', '.join(manifest['clinic'])}) than the record "
            f"in {place.name}. If that is meant, say --as-new; the old record is set aside."
        )


def _erasures_of(place: Place, beside: Path) -> list[erasures.Erasure]:
    """What was erased after the backup was made, wherever that is still known."""
    lists = [erasures.read(beside), erasures.read(place.data)]
    if is_there(place):
        try:
            with pointed_at(place.config):
                lists.append(erasures.listed())
        except DatabaseError:  # damaged or older: the files above have to do
            pass
    return erasures.merged(*lists)


def _readied(
    new: Place,
    manifest: Manifest,
    parts: Path,
    known: list[erasures.Erasure],
    *,
    damaged: bool,
) -> Restored:
    """Compare the loaded rows with the manifest, bring them to this version, verify."""
    result = Restored(manifest["made"], 0, 0, 0)
    with pointed_at(new.config) as opened:
        found = {name: one._asdict() for name, one in table_sums(opened).items()}
        for name in sorted(found.keys() | manifest["tables"].keys()):
            if found.get(name) != manifest["tables"].get(name):
                raise Refused(f"The rows of {name} are not those that the manifest counts.")
        if [list(one) for one in schema(opened)] != manifest["migrations"]:
            raise Refused("The tables are not of the version that the manifest names.")
        call_command("migrate", verbosity=0, interactive=False)
        lost = guards.missing(opened)
        if lost:
            raise Refused(f"Guards are missing in the backup: {', '.join(sorted(lost))}.")
        erased = erasures.merged(known, erasures.read(parts))
        result.erased, left = apply_again(erased)
        if left:
            result.warnings.append(
                f"{len(left)} erasures of {erasures.FILE} are not applied: this version cannot. "
                "Install the version that wrote the list before anybody works with the record."
            )
        _refuse_damaged(manifest, result, damaged=damaged)
    result.rows = sum(one["rows"] for one in manifest["tables"].values())
    result.files = sum(name.startswith(f"{FILES}/") for name in manifest["files"])
    if manifest["secret"] != manifests.secret_mark():
        result.warnings.append(
            "CLINIC_SECRET_KEY is not the one of the backup: second factors do not open, and "
            "must be set up anew, until the old key is back."
        )
    return result


def _refuse_damaged(manifest: Manifest, result: Restored, *, damaged: bool) -> None:
    tally = Tally()
    faults = list(problems(tally))
    reached = {str(chain): head for _, chain, head in tally.chains}
    for chain, said in manifest["chains"].items():
        head = reached.get(chain)
        if head is None or head.number < said["number"]:
            faults.append(f"chain {chain} ends before line {said['number']} of the manifest")
    if faults and not damaged:
        raise Refused("\n".join([*faults, "The record in the backup is damaged."]))
    result.warnings += faults


# What is written


def _note(
    new: Place,
    source: Path,
    kept: dict[str, Kept],
    manifest: Manifest,
    begun: datetime,
    result: Restored,
    now: datetime,
) -> None:
    """The lines of the restore, in the record that is put back."""
    with pointed_at(new.config):
        made = {"file": source.name, "made": manifest["made"]}
        trail.record(
            TrailAction.RESTORE,
            by=None,
            kind=KIND,
            state="begun",
            begun=begun.astimezone(UTC).isoformat(timespec="seconds"),
            **made,
        )
        trail.record(
            TrailAction.RESTORE,
            by=None,
            kind=KIND,
            state="done",
            rows=result.rows,
            files=result.files,
            erased=result.erased,
            warnings=len(result.warnings),
            **made,
        )
        if connection.vendor == "sqlite":
            connection.close()


def bring_files(come: Path, there: Path) -> None:
    """Add the files that are not there: the record that still stands misses nothing by it."""
    for file in _files_below(come):
        target = there / file.relative_to(come)
        if not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            keep_beside(file, target)


def set_files_aside(come: Path, there: Path, manifest: Manifest, aside: Path) -> bool:
    """After the exchange: move away what the backup does not hold, or holds otherwise."""
    moved = False
    for file in list(_files_below(there)):
        name = file.relative_to(there)
        new = come / name
        if new.exists() and _same(new, file):
            continue
        kept = aside / FILES / name
        kept.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        file.rename(kept)
        moved = True
        if new.exists():
            keep_beside(new, file)
    return moved


def _files_below(folder: Path) -> Iterable[Path]:
    return (file for file in sorted(folder.rglob("*")) if file.is_file())


def _same(one: Path, other: Path) -> bool:
    if one.stat().st_ino == other.stat().st_ino:
        return True
    if one.stat().st_size != other.stat().st_size:
        return False
    size = 1 << 18
    with one.open("rb") as left, other.open("rb") as right:
        while block := left.read(size):
            if block != right.read(size):
                return False
    return True
