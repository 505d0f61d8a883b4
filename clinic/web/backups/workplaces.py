"""Folders that hold readable copies for a while: for their owner only, gone afterwards."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import mkdtemp


@contextmanager
def workplace(data: Path, prefix: str) -> Iterator[Path]:
    """A new folder on the disk of the data; it goes even when the work fails."""
    data.mkdir(parents=True, exist_ok=True, mode=0o700)
    folder = Path(mkdtemp(prefix=prefix, dir=data))  # mode 700
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def left_behind(data: Path, prefix: str) -> list[Path]:
    """Folders of work that was killed; ask only while nobody else works there."""
    return sorted(data.glob(f"{prefix}*"))
