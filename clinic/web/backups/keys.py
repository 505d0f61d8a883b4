"""Keys of backups, in the open age format: an identity that opens, a recipient that seals."""

import os
from pathlib import Path

from pyrage import IdentityError, RecipientError, x25519

from clinic.web.backups.refusals import Refused

SECRET, PUBLIC = "AGE-SECRET-KEY-1", "age1"  # how such a key begins


def make_key(file: Path) -> None:
    """Write a new identity and, beside it, its recipient, both for their owner only."""
    identity = x25519.Identity.generate()
    recipient = str(identity.to_public())
    _write_new(file, f"# public half: {recipient}\n{identity}\n")
    _write_new(public_file(file), f"{recipient}\n")


def public_file(file: Path) -> Path:
    """Where the recipient of an identity lies."""
    return file.with_name(f"{file.name}.pub")


def _write_new(file: Path, text: str) -> None:
    """A file of its owner's alone; raises FileExistsError rather than writing one over."""
    with open(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as out:  # noqa: PTH123  # a mode at making
        out.write(text)


def recipient_in(file: Path) -> x25519.Recipient:
    """What seals a backup, from a file with either half of the key."""
    word = _word(file)
    if word.startswith(PUBLIC):
        try:
            return x25519.Recipient.from_str(word)
        except RecipientError as bad:
            raise Refused(f"{file} holds no whole key.") from bad
    return _identity(file, word).to_public()


def identity_in(file: Path) -> x25519.Identity:
    """What opens a backup; raises Refused for a file without the secret half."""
    word = _word(file)
    if word.startswith(PUBLIC):
        raise Refused(
            f"{file} holds the public half of the key, which only seals: restoring needs the "
            "other file, which was to be kept elsewhere."
        )
    return _identity(file, word)


def _identity(file: Path, word: str) -> x25519.Identity:
    try:
        return x25519.Identity.from_str(word)
    except IdentityError as bad:
        raise Refused(f"{file} holds no whole key.") from bad


def _word(file: Path) -> str:
    """The key itself, without comments."""
    try:
        lines = file.read_text(encoding="ascii").split("\n")
    except (OSError, UnicodeError) as bad:
        raise Refused(f"The key file {file} cannot be read.") from bad
    for line in lines:
        if line.startswith((SECRET, PUBLIC)):
            return line.strip()
    raise Refused(f"{file} holds no key of a backup: backup_key makes one.")
