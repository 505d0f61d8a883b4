"""What is wrong with a chain of the trail, line by line."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from clinic.domain.chain import GENESIS, line_hash

Line = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Head:
    """The newest line of a chain: its position and its hash."""

    number: int
    hash: str


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong, at one position of the chain; `line` where a line stands there."""

    number: int
    what: str
    line: Line = field(default_factory=dict)


def faults(lines: Iterable[Line], head: Head | None) -> Iterator[Fault]:
    """Each altered, missing or displaced line of one chain, and an end that is not its head.

    lines: the lines of one chain by rising number, each with `id`, `hash` and the columns of
    `clinic.domain.chain`; they are read one by one. head: what the chain's head says, None if
    it has none. Source: rule of this clinic.
    """
    last, row = Head(0, GENESIS), 0
    for line in lines:
        yield from _faults_of(line, last, row)
        last, row = Head(line["number"], line["hash"]), line["id"]
    yield from _faults_of_end(last, head)


def _faults_of(line: Line, last: Head, row: int) -> Iterator[Fault]:
    number = line["number"]
    if number != last.number + 1:
        yield Fault(number - 1, f"{_span(last.number + 1, number - 1)} missing")
    elif line["prev_hash"] != last.hash:
        yield Fault(number, "does not follow the line before it: one of them was replaced", line)
    if line_hash(line) != line["hash"]:
        yield Fault(number, "was altered", line)
    elif line["chain"] != (line["site_id"] or 0):
        yield Fault(number, "stands in the chain of another site", line)
    if line["id"] < row:
        yield Fault(number, "was written before the line that it follows", line)


def _faults_of_end(last: Head, head: Head | None) -> Iterator[Fault]:
    if head is None:
        yield Fault(last.number, "the chain has no head")
    elif head.number > last.number:
        yield Fault(head.number, f"{_span(last.number + 1, head.number)} cut off the end")
    elif head != last:
        yield Fault(last.number, "the newest line is not the head of the chain")


def _span(first: int, last: int) -> str:
    return f"line {first} is" if first == last else f"lines {first} to {last} are"
