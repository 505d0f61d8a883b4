"""Who uses a data folder: servers share it, a restore needs it alone.

The lock is the kernel's and ends with its process, however that ends.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from clinic.web.backups.refusals import Refused

try:
    import fcntl
except ImportError:  # Windows has none: there the guide's step "stop the site" stands alone
    fcntl = None  # type: ignore[assignment]

IN_USE = "in-use.lock"
BACKING_UP = "backup.lock"
_held: list[IO[bytes]] = []  # as long as the process lives


def hold_in_use(data: Path) -> None:
    """Say, until this process ends, that a server works on this folder."""
    data.mkdir(parents=True, exist_ok=True)
    file = _opened(data / IN_USE)
    if not _locked(file, alone=False):
        file.close()
        raise Refused(f"A restore is going on in {data}: start the site when it has ended.")
    _held.append(file)


@contextmanager
def alone(data: Path, name: str, refusal: str) -> Iterator[None]:
    """Hold a lock of the folder alone; raises Refused with these words where it is held."""
    data.mkdir(parents=True, exist_ok=True, mode=0o700)
    with _opened(data / name) as file:
        if not _locked(file, alone=True):
            raise Refused(refusal)
        yield


def _opened(file: Path) -> IO[bytes]:
    """To read, as another user may have made it."""
    if not file.exists():
        file.touch()
    return file.open("rb")


def _locked(file: IO[bytes], *, alone: bool) -> bool:
    if fcntl is None:
        return True
    try:
        fcntl.flock(file, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
