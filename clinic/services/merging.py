"""Two people who change one row from two pages: what each changed is saved, and nothing else."""

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError

CHANGED = "Somebody else changed this to {} meanwhile. Look again, then save."


def what_was_changed(
    stored: Mapping[str, Any], *, seen: Mapping[str, Any], typed: Mapping[str, Any]
) -> dict[str, Any]:
    """The typed values that differ from those that the page showed, by field.

    stored: what stands now. Raises ValidationError for a value that somebody else changed since
    the page was opened, unless both changed it to the same.
    """
    wanted = {name: value for name, value in typed.items() if value != seen.get(name)}
    for name, value in wanted.items():
        if stored[name] not in (seen.get(name), value):
            raise ValidationError({name: CHANGED.format(in_words(stored[name]))})
    return wanted


def in_words(value: Any) -> str:
    """A stored value as a sentence names it."""
    if isinstance(value, list):
        return ", ".join(str(one) for one in value) or "none"
    return str(value) if value not in ("", None) else "nothing"
