"""Reading of a JSON file that is either used whole or refused with every error and its place."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from decimal import Decimal, InvalidOperation
from itertools import groupby
from math import isfinite
from pathlib import Path
from typing import Any

from clinic.schema_errors import FileError, NoNumber, pointer_to, schema_errors

# The smallest binary fraction has an exponent of -324; arithmetic beyond it would not be exact.
SMALLEST_EXPONENT = -400


class BadFile(Exception):  # noqa: N818  # says what is the matter, as Http404 does
    """The file is refused whole; `errors` holds every reason in the order of the file."""

    def __init__(self, errors: Sequence[FileError]) -> None:
        self.errors = tuple(errors)
        super().__init__("\n".join(map(str, errors)))


class DuplicateKeys(dict[str, Any]):
    """A JSON object in which keys stood twice; `twice` names them."""

    def __init__(self, pairs: Sequence[tuple[str, Any]], twice: Sequence[str]) -> None:
        super().__init__(pairs)
        self.twice = tuple(twice)


def text_of(path: Path) -> str:
    """The text of a file; raises BadFile where it cannot be read or is not UTF-8."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise BadFile([FileError("", f"cannot be read: {error.strerror}")]) from error
    except UnicodeDecodeError as error:
        raise BadFile([FileError("", f"is not UTF-8 at byte {error.start}")]) from error


def load_json(text: str) -> Any:
    """The value that a JSON text writes, numbers with a point as decimals.

    NaN and other things that are no number become NoNumber. Raises BadFile for broken JSON.
    """
    try:
        return json.loads(
            text,
            parse_float=_decimal,
            parse_constant=NoNumber,
            object_pairs_hook=_object,
        )
    except ValueError as error:
        raise BadFile([FileError("", f"this is no valid JSON: {error}")]) from error
    except RecursionError as error:
        raise BadFile([FileError("", "this is nested too deeply")]) from error


def checked(
    data: Any,
    schema: Mapping[str, Any],
    more: Callable[[Mapping[str, Any]], Iterable[FileError]] = lambda _: (),
) -> Any:
    """The value with exact numbers if it fits a schema and what a schema cannot say.

    data: from `load_json`, or plain Python values; more: the further errors of an object. Raises
    BadFile with every error in the order of the file.
    """
    try:
        data = exact(data)
        errors = [
            *_duplicate_keys(data, ""),
            *_unusable(data, ""),
            *schema_errors(data, exact(schema)),
            *(more(data) if isinstance(data, Mapping) else ()),
        ]
    except RecursionError as error:
        raise BadFile([FileError("", "this is nested too deeply")]) from error
    if errors:
        raise BadFile(sorted(set(errors), key=lambda error: (_place(data, error.pointer), error)))
    return data


def exact(value: Any) -> Any:
    """The value with every binary fraction replaced by the decimal that it prints."""
    if isinstance(value, float):
        return _decimal(repr(value)) if isfinite(value) else NoNumber(value)
    if isinstance(value, DuplicateKeys):
        return DuplicateKeys([(key, exact(item)) for key, item in value.items()], value.twice)
    if isinstance(value, Mapping):
        return {key: exact(item) for key, item in value.items()}
    return [exact(item) for item in value] if isinstance(value, list) else value


def _decimal(text: str) -> Decimal | NoNumber:
    try:
        return Decimal(text)
    except InvalidOperation:
        return NoNumber(text)


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    keys = [key for key, _ in pairs]
    twice = [key for key, of in groupby(sorted(keys)) if len(list(of)) > 1]
    return DuplicateKeys(pairs, twice) if twice else dict(pairs)


def _place(data: Any, pointer: str) -> tuple[tuple[int, str], ...]:
    """Sorting key: errors in the order in which their places stand in the file."""
    place: list[tuple[int, str]] = []
    node = data
    for part in pointer.split("/")[1:]:
        key = part.replace("~1", "/").replace("~0", "~")
        if isinstance(node, Mapping):
            keys = list(node)
            place.append((keys.index(key) if key in node else len(keys), key))
            node = node.get(key)
        else:
            place.append((int(key) if key.isdecimal() else 0, key))
            node = node[int(key)] if isinstance(node, list) and key.isdecimal() else None
    return tuple(place)


def _duplicate_keys(node: Any, pointer: str) -> Iterator[FileError]:
    if isinstance(node, DuplicateKeys):
        for key in node.twice:
            yield FileError(pointer + pointer_to([key]), "this key stands twice in its object")
    if isinstance(node, Mapping):
        for key, item in node.items():
            yield from _duplicate_keys(item, pointer + pointer_to([key]))
    elif isinstance(node, list):
        for place, item in enumerate(node):
            yield from _duplicate_keys(item, f"{pointer}/{place}")


def _unusable(node: Any, pointer: str) -> Iterator[FileError]:
    if isinstance(node, Mapping):
        for key, item in node.items():
            if not _is_unicode(key):
                yield FileError(pointer + pointer_to([key]), "the key holds half a character")
            yield from _unusable(item, pointer + pointer_to([key]))
    elif isinstance(node, list):
        for place, item in enumerate(node):
            yield from _unusable(item, f"{pointer}/{place}")
    elif isinstance(node, NoNumber):
        yield FileError(pointer, f"{node} is no number")
    elif isinstance(node, str) and not _is_unicode(node):
        yield FileError(pointer, "the text holds half a character")
    elif isinstance(node, Decimal):
        exponent = node.as_tuple().exponent
        if isinstance(exponent, int) and exponent < SMALLEST_EXPONENT:
            yield FileError(pointer, f"more than {-SMALLEST_EXPONENT} decimals are no measurement")


def _is_unicode(text: str) -> bool:
    """Whether a text can be written again: JSON can name half of a surrogate pair."""
    return not any("\ud800" <= sign <= "\udfff" for sign in text)
