"""What differs between the proposal that was decided on and the one of the answers by now."""

from collections.abc import Iterator, Mapping
from typing import Any

from exercises.domain.dose import DOSE
from exercises.domain.edition import Edition

Json = Mapping[str, Any]


def proposal_changes(before: Json, now: Json, edition: Edition) -> tuple[str, ...]:
    """The differences in sentences for the clinician, none for equal proposals.

    before, now: proposals as `proposal_json` prints them, of the same edition.
    Source: rule of this clinic.
    """
    if before == now:
        return ()
    found = [
        *_value("Outcome", before["outcome"], now["outcome"]),
        *_holds(before, now, edition),
        *_findings(before, now, edition),
        *_exercises(before, now, edition),
        *_value("Target of the cadence", _target(before), _target(now)),
        *_value("Days to the next check", before["review_in_days"], now["review_in_days"]),
    ]
    return tuple(found) or ("Reasons or notes have changed; the exercises are the same.",)


def _value(name: str, before: object, now: object) -> Iterator[str]:
    if before != now:
        yield f"{name}: {_said(now)} instead of {_said(before)}."


def _said(value: object) -> str:
    return "none" if value is None else str(value)


def _target(proposal: Json) -> int | None:
    plan = proposal["cadence_plan"]
    return plan["first_target"] if plan else None


def _by(proposal: Json, name: str, key: str) -> dict[str, Json]:
    return {one[key]: one for one in proposal[name]}


def _holds(before: Json, now: Json, edition: Edition) -> Iterator[str]:
    old, new = _by(before, "holds", "code"), _by(now, "holds", "code")
    yield from (f"New hold: {_hold_name(code, edition)}." for code in new if code not in old)
    yield from (f"Hold ended: {_hold_name(code, edition)}." for code in old if code not in new)


def _hold_name(code: str, edition: Edition) -> str:
    flag = edition.tables.flags.get(code)
    return f"{flag.alias.replace('_', ' ')} ({code})" if flag else code


def _findings(before: Json, now: Json, edition: Edition) -> Iterator[str]:
    old, new = _by(before, "findings", "code"), _by(now, "findings", "code")
    names = edition.tables.findings
    yield from (f"New finding: {names[code].name}." for code in new if code not in old)
    yield from (f"No longer found: {names[code].name}." for code in old if code not in new)
    for code in new.keys() & old.keys():
        for part in ("severity", "side"):
            yield from _value(names[code].name, old[code][part], new[code][part])


def _exercises(before: Json, now: Json, edition: Edition) -> Iterator[str]:
    old, new = _by(before, "programme", "exercise"), _by(now, "programme", "exercise")
    withheld = _by(now, "withheld", "exercise")
    for code, line in new.items():
        name = edition.exercises[code].name
        if code not in old:
            yield f"Newly proposed, {line['stage']}: {name}."
            continue
        yield from _value(f"{name}, stage", old[code]["stage"], line["stage"])
        yield from _value(f"{name}, pain up to", old[code]["pain_ceiling"], line["pain_ceiling"])
        if any(old[code][part] != line[part] for part in DOSE):
            yield f"{name}: another dose."
    for code in old:
        if code not in new:
            what = "Withheld by now" if code in withheld else "No longer proposed"
            yield f"{what}: {edition.exercises[code].name}."
