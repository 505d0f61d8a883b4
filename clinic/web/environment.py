"""Typed readers of the environment: a wrong value stops the start and says what is allowed."""

import os
import secrets
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured


def text(name: str, default: str = "") -> str:
    """Value of `name`, or the content of the file that `name`_FILE points to, or the default."""
    file = os.environ.get(f"{name}_FILE")
    if file:
        try:
            return Path(file).read_text(encoding="utf-8").strip()
        except OSError as error:
            raise ImproperlyConfigured(f"{name}_FILE: cannot read {file}: {error}") from error
    return os.environ.get(name, default)


def flag(name: str, *, default: bool) -> bool:
    """Whether `name` says yes; only yes and no are allowed."""
    raw = text(name, "yes" if default else "no").lower()
    if raw not in {"yes", "no"}:
        raise ImproperlyConfigured(f"{name} is {raw!r}: write yes or no")
    return raw == "yes"


def number(name: str, *, default: int, least: int, most: int) -> int:
    """The whole number `name` says, within its limits."""
    raw = text(name, str(default))
    if not (raw.isascii() and raw.isdigit() and least <= int(raw) <= most):
        raise ImproperlyConfigured(f"{name} is {raw!r}: write a number from {least} to {most}")
    return int(raw)


def country(name: str, default: str) -> str:
    """The country that `name` says: two letters (ISO 3166)."""
    raw = text(name, default).upper()
    if not (len(raw) == 2 and raw.isascii() and raw.isalpha()):
        raise ImproperlyConfigured(f"{name} is {raw!r}: write two letters (ISO 3166), such as GB")
    return raw


def words(name: str, default: str = "") -> list[str]:
    """Words parted by commas."""
    return [word.strip() for word in text(name, default).split(",") if word.strip()]


def kept_secret(name: str, folder: Path) -> tuple[str, bool]:
    """The secret key and whether it was given; else one is made once in the data folder."""
    given = text(name)
    if given:
        return given, True
    file = folder / "secret_key"
    if not file.exists():
        folder.mkdir(parents=True, exist_ok=True)
        file.touch(mode=0o600)
        file.write_text(secrets.token_urlsafe(64), encoding="utf-8")
    return file.read_text(encoding="utf-8"), False
