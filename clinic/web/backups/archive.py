"""One sealed file: a tar archive, compressed with gzip, encrypted with age.

All three are open formats: `age -d -i KEY FILE | tar xz` opens it anywhere. Everything streams,
so that a large record needs no more memory than a small one.
"""

import os
import tarfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import IO, NamedTuple

import pyrage
from pyrage import x25519

from clinic.web.backups.refusals import Refused

BLOCK = 1 << 18
GZIP = 31  # zlib's number for a gzip frame with the largest window
MANIFEST = "manifest.json"


class Member(NamedTuple):
    """A file of the archive: its name there, its size, what it is read from."""

    name: str
    size: int
    source: IO[bytes]


class Kept(NamedTuple):
    """A file as it went into the archive."""

    size: int
    sha256: str


class Packing:
    """The bytes of an archive, made as they are read; notes what went in."""

    def __init__(self, members: Iterable[Member], manifest: Callable[[dict[str, Kept]], bytes]):
        self.kept: dict[str, Kept] = {}
        self.fault: BaseException | None = None
        self._members, self._manifest = members, manifest
        self._stream = self._compressed()
        self._waiting = b""

    def read(self, size: int = -1) -> bytes:
        """The next bytes, at most `size`; none at the end."""
        try:
            while not self._waiting:
                self._waiting = next(self._stream)
        except StopIteration:
            return b""
        except BaseException as fault:
            self.fault = fault  # the encryption hands on the words only
            raise
        size = len(self._waiting) if size < 0 else size
        given, self._waiting = self._waiting[:size], self._waiting[size:]
        return given

    def _compressed(self) -> Iterator[bytes]:
        packer = zlib.compressobj(1, zlib.DEFLATED, GZIP)  # papers hardly shrink: quickest
        for block in self._blocks():
            if packed := packer.compress(block):
                yield packed
        yield packer.flush()

    def _blocks(self) -> Iterator[bytes]:
        for member in self._members:
            yield from self._file(member)
        # last, because it names the checksum of everything before it
        text = self._manifest(self.kept)
        yield from self._file(Member(MANIFEST, len(text), BytesIO(text)))
        yield bytes(2 * tarfile.BLOCKSIZE)

    def _file(self, member: Member) -> Iterator[bytes]:
        head = tarfile.TarInfo(member.name)
        head.size, head.mode = member.size, 0o600
        yield head.tobuf(tarfile.PAX_FORMAT)
        digest, left = sha256(), member.size
        while left:
            block = member.source.read(min(BLOCK, left))
            if not block:
                raise Refused(f"{member.name} became shorter while it was read.")
            digest.update(block)
            left -= len(block)
            yield block
        yield bytes(-member.size % tarfile.BLOCKSIZE)
        self.kept[member.name] = Kept(member.size, digest.hexdigest())


class Written:
    """A file that is being written, and the checksum of what went in."""

    def __init__(self, file: IO[bytes]):
        self.file, self.digest, self.size = file, sha256(), 0

    def write(self, block: bytes) -> int:
        self.file.write(block)
        self.digest.update(block)
        self.size += len(block)
        return len(block)

    def flush(self) -> None:
        self.file.flush()


def seal(packing: Packing, file: Path, recipient: x25519.Recipient) -> Kept:
    """Write the archive, sealed, to a new file, down to the disk."""
    with file.open("xb") as out:
        file.chmod(0o600)
        written = Written(out)
        try:
            pyrage.encrypt_io(packing, written, [recipient])
        except pyrage.EncryptError as bad:
            raise packing.fault or OSError(str(bad)) from bad
        out.flush()
        os.fsync(out.fileno())
    return Kept(written.size, written.digest.hexdigest())


def unseal(file: Path, identity: x25519.Identity, into: Path) -> None:
    """Decrypt an archive; raises Refused for what is none, is cut, altered or not for this key."""
    with file.open("rb") as sealed, into.open("xb") as out:
        if not sealed.read(22) == b"age-encryption.org/v1\n":
            raise Refused(f"{file} is not a backup of this system.")
        sealed.seek(0)
        try:
            pyrage.decrypt_io(sealed, out, [identity])
        except pyrage.DecryptError as bad:
            if "No matching keys" in str(bad):
                raise Refused(f"The key does not open {file}: it was sealed for another.") from bad
            raise Refused(f"{file} is cut or was altered: its head cannot be read.") from bad
        except OSError as bad:
            if bad.errno:  # the disk, not the archive
                raise
            raise Refused(f"{file} is cut or was altered: {bad}.") from bad


def unpack(archive: Path, into: Path) -> dict[str, Kept]:
    """Write the files of an opened archive below a folder; returns what was in it."""
    found: dict[str, Kept] = {}
    try:
        with tarfile.open(archive, "r|gz") as packed:
            for head in packed:
                source = packed.extractfile(head) if head.isreg() else None
                if source is None or head.name in found or not is_inside(head.name):
                    raise Refused("The backup holds something that no backup holds.")
                found[head.name] = _copied(source, into / head.name)
    except (tarfile.TarError, zlib.error, EOFError, UnicodeError) as bad:
        raise Refused("The backup opens with this key and holds no readable archive.") from bad
    return found


def is_inside(name: str) -> bool:
    """Whether a name stays below the folder that it is written to."""
    parts = name.split("/")
    return bool(name) and "\\" not in name and not any(it in {"", ".", ".."} for it in parts)


def _copied(source: IO[bytes], file: Path) -> Kept:
    file.parent.mkdir(parents=True, exist_ok=True)
    with file.open("xb") as out:
        written = Written(out)
        while block := source.read(BLOCK):
            written.write(block)
        out.flush()
        os.fsync(out.fileno())
    return Kept(written.size, written.digest.hexdigest())


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk, too."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
