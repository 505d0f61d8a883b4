"""Errors of a JSON schema in plain words that say where and what is allowed."""

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple

from jsonschema import Draft202012Validator, FormatChecker
from jsonschema.exceptions import ValidationError
from jsonschema.validators import extend


class FileError(NamedTuple):
    """One error: JSON pointer to its place (RFC 6901) and what is wrong."""

    pointer: str
    text: str

    def __str__(self) -> str:
        line = f"{self.pointer}: {self.text}"
        return "".join(
            sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in line
        )


class NoNumber(str):
    """What stood in place of a number: NaN, Infinity, or one beyond all bounds."""

    __slots__ = ()


def pointer_to(path: Sequence[str | int]) -> str:
    """The JSON pointer of a path of keys and places. Source: RFC 6901."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in path)


def _spelled_out(schema: Any) -> Any:
    """The schema with `false` written as `not anything`: only so the validator names the place."""
    if schema is False:
        return {"not": {}}
    if isinstance(schema, Mapping):
        return {
            key: item if key == "additionalProperties" else _spelled_out(item)
            for key, item in schema.items()
        }
    return [_spelled_out(item) for item in schema] if isinstance(schema, list) else schema


def is_number(_: Any, value: Any) -> bool:
    if isinstance(value, bool):
        return False
    return isinstance(value, int | Decimal)


def _is_integer(checker: Any, value: Any) -> bool:
    """34.0 is an integer in JSON Schema 2020-12."""
    if not is_number(checker, value):
        return False
    return isinstance(value, int) or value == value.to_integral_value()


DATES = FormatChecker(formats=())


@DATES.checks("date", raises=ValueError)
def _is_date(value: object) -> bool:
    if not isinstance(value, str):
        return True
    return bool(re.fullmatch(r"\d{4}-\d\d-\d\d", value)) and bool(date.fromisoformat(value))


Validator: Any = extend(  # type: ignore[no-untyped-call]  # the library leaves it untyped
    Draft202012Validator,
    type_checker=Draft202012Validator.TYPE_CHECKER.redefine_many(
        {"number": is_number, "integer": _is_integer}
    ),
)


def schema_errors(data: Any, schema: Mapping[str, Any]) -> Iterator[FileError]:
    """Errors of a value; numbers in both are whole or decimal, never binary fractions."""
    for error in Validator(_spelled_out(schema), format_checker=DATES).iter_errors(data):
        if not isinstance(error.instance, NoNumber):  # said where it stands, by `_unusable`
            yield from _said(error)


@dataclass(frozen=True, slots=True)
class Refusal:
    """A schema error with the parts that the sentences need."""

    at: str
    instance: Any
    wanted: Any
    schema: Any


def _said(error: ValidationError) -> Iterator[FileError]:
    """A schema error in plain words; those of alternatives by the branch that is meant."""
    at = pointer_to(list(error.absolute_path))
    if "propertyNames" in error.absolute_schema_path:
        at += pointer_to([str(error.instance)])
    refusal = Refusal(at, error.instance, error.validator_value, error.schema)
    match error.validator:
        case "oneOf":
            yield from _said_of_answer(error, at)
        case "additionalProperties":
            known = refusal.schema.get("properties", {})
            for key in refusal.instance:
                if key not in known:
                    text = f"unknown key, allowed are {', '.join(known)}"
                    yield FileError(at + pointer_to([key]), text)
        case "required":
            missing = [key for key in refusal.wanted if key not in refusal.instance]
            yield from (FileError(at, f"{key} is missing") for key in missing)
        case kind:
            yield FileError(at, SENTENCES.get(str(kind), _unfit)(refusal))


def _said_of_answer(error: ValidationError, at: str) -> Iterator[FileError]:
    """Errors within the object of a lifted answer; for anything else what is allowed."""
    if not isinstance(error.instance, Mapping):
        yield FileError(at, "allowed are yes, no, not_asked, or an object with answer yes_lifted")
        return
    for inner in error.context or ():
        if list(inner.absolute_path) != list(error.absolute_path) or inner.validator != "enum":
            yield from _said(inner)


def _enum(refusal: Refusal) -> str:
    return f"{shown(refusal.instance)} is not allowed, allowed are {', '.join(refusal.wanted)}"


def _const(refusal: Refusal) -> str:
    return f"{shown(refusal.instance)} is not allowed, allowed is {refusal.wanted}"


def _outside(refusal: Refusal) -> str:
    if "minimum" not in refusal.schema or "maximum" not in refusal.schema:
        return f"{shown(refusal.instance)} must be {_bound(refusal.schema)}"
    return f"{shown(refusal.instance)} is outside the plausible range {_range(refusal.schema)}"


def _bound(schema: Mapping[str, Any]) -> str:
    words = {
        "minimum": "at least",
        "exclusiveMinimum": "above",
        "maximum": "at most",
        "exclusiveMaximum": "below",
    }
    return " and ".join(f"{word} {schema[key]}" for key, word in words.items() if key in schema)


def _length(refusal: Refusal) -> str:
    low, high = refusal.schema.get("minItems", 0), refusal.schema.get("maxItems")
    wanted = f"{low}" if low == high else f"{low} to {high}" if high else f"{low} or more"
    return f"{len(refusal.instance)} items, needed are {wanted}"


def _type(refusal: Refusal) -> str:
    kinds = [refusal.wanted] if isinstance(refusal.wanted, str) else refusal.wanted
    needed = " or ".join(TYPES[kind] for kind in kinds)
    both = "minimum" in refusal.schema and "maximum" in refusal.schema
    allowed = f", from {_range(refusal.schema)}" if both else ""
    return f"{shown(refusal.instance)} is not {needed}{allowed}"


def _format(refusal: Refusal) -> str:
    return f"{shown(refusal.instance)} is no date, write it as 2027-03-10"


def _pattern(refusal: Refusal) -> str:
    return f"{shown(refusal.instance)} is no id: 1 to 20 of a to z, 0 to 9 and _"


def _unfit(_: Refusal) -> str:
    return "this does not fit the schema"


TYPES = {
    "object": "an object",
    "array": "a list",
    "string": "a text",
    "number": "a number",
    "integer": "a whole number",
    "null": "null",
}
SENTENCES: dict[str, Callable[[Refusal], str]] = {
    "enum": _enum,
    "const": _const,
    "minimum": _outside,
    "maximum": _outside,
    "exclusiveMinimum": _outside,
    "exclusiveMaximum": _outside,
    "minItems": _length,
    "maxItems": _length,
    "type": _type,
    "format": _format,
    "pattern": _pattern,
    "not": lambda _: "this is not recorded here",
    "anyOf": lambda _: "value or grade is missing",
    "minLength": lambda _: "the text is empty",
    "uniqueItems": lambda _: "an item stands twice in the list",
}


def _range(schema: Mapping[str, Any]) -> str:
    return f"{schema.get('minimum', '')} to {schema.get('maximum', '')}"


def shown(value: Any) -> str:
    """A JSON value as it is shown in an error, cut after 60 signs."""
    text = (
        str(value)
        if isinstance(value, Decimal)
        else json.dumps(value, default=str, ensure_ascii=False)
    )
    return text if len(text) <= 60 else text[:57] + "..."
