"""Files that wait on the server for somebody's next step: sealed, for an hour, for them alone."""

import secrets
import time
import zlib
from pathlib import Path

from cryptography.fernet import InvalidToken
from django.conf import settings

from clinic.models import Staff
from clinic.sealing import seal

PURPOSE = "file that waits"
LIFE = 60 * 60  # seconds
NAME = frozenset("0123456789abcdef")


def keep(data: bytes, owner: Staff) -> str:
    """Seal the bytes into the data folder and return the name to ask for them by."""
    folder = _folder()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    drop_old()
    name = secrets.token_hex(16)
    text = f"{owner.pk}\n".encode() + zlib.compress(data)
    path = folder / name
    path.touch(mode=0o600, exist_ok=False)
    path.write_bytes(seal(PURPOSE).encrypt(text))
    return name


def kept(name: str, owner: Staff) -> bytes | None:
    """The bytes, None if they are gone, too old, or somebody else's."""
    path = _path(name)
    if path is None or not path.is_file():
        return None
    try:
        text = seal(PURPOSE).decrypt(path.read_bytes(), ttl=LIFE)
    except InvalidToken:
        return None
    whose, _, data = text.partition(b"\n")
    return zlib.decompress(data) if whose == str(owner.pk).encode() else None


def drop(name: str) -> None:
    path = _path(name)
    if path is not None:
        path.unlink(missing_ok=True)


def _folder() -> Path:
    return Path(settings.DATA_DIR) / "waiting"


def _path(name: str) -> Path | None:
    """Where a file lies; None for a name that we never gave."""
    return _folder() / name if len(name) == 32 and set(name) <= NAME else None


def drop_old() -> None:
    """Remove what has waited too long."""
    for path in _folder().iterdir() if _folder().is_dir() else ():
        if time.time() - path.stat().st_mtime > LIFE:
            path.unlink(missing_ok=True)
