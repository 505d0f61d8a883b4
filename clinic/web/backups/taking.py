"""Takes a backup while the site runs."""

import os
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

from django.db import DatabaseError
from django.utils import timezone
from pyrage import x25519

from clinic.domain.vocabulary import TrailAction
from clinic.services import trail
from clinic.web.backups import erasures, manifests
from clinic.web.backups.archive import Kept, Member, Packing, seal, sync_folder
from clinic.web.backups.copying import copied
from clinic.web.backups.locks import BACKING_UP, alone
from clinic.web.backups.refusals import Refused
from clinic.web.backups.workplaces import left_behind, workplace

KIND = "backup"  # what the trail calls it
UNFINISHED = ".part"
WORK = ".backup-"
FILES = "files"  # folder of the record's files, in the data folder and in the archive
NAME = re.compile(r"records-(?P<clinic>[0-9a-z]+)-\d{8}T\d{6}Z\.age")


@dataclass
class Taken:
    """A backup that lies where it should."""

    file: Path
    size: int
    rows: int
    tables: int
    files: int
    faults: list[str] = field(default_factory=list)
    thinned: list[Path] = field(default_factory=list)


def take(
    *,
    data: Path,
    dest: Path,
    recipient: x25519.Recipient,
    keep: int | None = None,
    clock: Callable[[], datetime] = timezone.now,
) -> Taken:
    """Write a sealed backup of the default database and the data folder's files into `dest`.

    The trail says when it began and how it ended. Raises Refused or OSError; then nothing of it
    stays. With faults in the trail it is written and does not count as a good one.
    """
    with alone(data, BACKING_UP, "Another backup is being taken: wait for its end."):
        for folder in left_behind(data, WORK):
            shutil.rmtree(folder)
        trail.record(TrailAction.BACKUP, by=None, kind=KIND, state="begun")
        try:
            taken, kept = _write(data, dest, recipient, clock())
        except Exception as fault:
            with suppress(DatabaseError):  # where it was the disk that is full
                why = type(fault).__name__
                trail.record(TrailAction.BACKUP, by=None, kind=KIND, state="failed", why=why)
            raise
        trail.record(
            TrailAction.BACKUP,
            by=None,
            kind=KIND,
            state="damaged" if taken.faults else "done",
            file=taken.file.name,
            size=kept.size,
            sha256=kept.sha256,
            tables=taken.tables,
            rows=taken.rows,
            files=taken.files,
        )
        if keep and not taken.faults:
            taken.thinned = thin(taken.file, keep)
        return taken


def _write(
    data: Path, dest: Path, recipient: x25519.Recipient, now: datetime
) -> tuple[Taken, Kept]:
    dest.mkdir(parents=True, exist_ok=True, mode=0o700)
    erased = _erased(data, dest)
    with workplace(data, WORK) as folder, copied(folder) as (database, connection):
        manifest, faults = manifests.describe(connection, now)
        clinic = manifests.short_identity(manifest["identity"])
        _remove_unfinished(dest, clinic)
        file = dest / f"records-{clinic}-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}.age"
        if file.exists():
            raise Refused(f"{file} is there already and is not written over.")
        if manifest["engine"] == "sqlite":
            connection.close()  # all rows are in the file itself
        packing = Packing(
            _members(database, data / FILES, erasures.text(erased)),
            lambda kept: manifests.written(manifest, kept),
        )
        kept = _sealed(packing, file, recipient)
    for place in (data, dest):
        erasures.write(place, erased)
    counts = manifest["tables"].values()
    return Taken(
        file=file,
        size=kept.size,
        rows=sum(one["rows"] for one in counts),
        tables=len(counts),
        files=sum(name.startswith(f"{FILES}/") for name in packing.kept),
        faults=faults,
    ), kept


def _erased(data: Path, dest: Path) -> list[erasures.Erasure]:
    return erasures.merged(erasures.read(dest), erasures.read(data), erasures.listed())


def _remove_unfinished(dest: Path, clinic: str) -> None:
    """What a killed backup of this clinic left: it can never be opened."""
    for file in dest.glob(f"records-{clinic}-*.age{UNFINISHED}"):
        file.unlink()


def _sealed(packing: Packing, file: Path, recipient: x25519.Recipient) -> Kept:
    """Under another name until the last byte is on the disk."""
    unfinished = file.with_name(f"{file.name}{UNFINISHED}")
    try:
        kept = seal(packing, unfinished, recipient)
        unfinished.rename(file)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    sync_folder(file.parent)
    return kept


def _members(database: Path, files: Path, erased: str) -> Iterator[Member]:
    """What goes into the archive: rows first, so that every file a row names is there."""
    with database.open("rb") as source:
        yield Member(database.name, os.fstat(source.fileno()).st_size, source)
    for file in sorted(files.rglob("*")):
        if file.is_file() and not file.is_symlink():
            name = f"{FILES}/{file.relative_to(files).as_posix()}"
            with file.open("rb") as source:
                yield Member(name, os.fstat(source.fileno()).st_size, source)
    text = erased.encode()
    yield Member(erasures.FILE, len(text), BytesIO(text))


def thin(newest: Path, keep: int) -> list[Path]:
    """Remove the oldest backups of the same clinic until `keep` are left; returns them."""
    clinic = _clinic_of(newest)
    ours = sorted(file for file in newest.parent.iterdir() if _clinic_of(file) == clinic)
    gone = ours[:-keep]
    for file in gone:
        file.unlink()
    return gone


def _clinic_of(file: Path) -> str:
    found = NAME.fullmatch(file.name)
    return found["clinic"] if found else ""
