"""A line of the trail in words that a manager reads; it holds names, codes and numbers only."""

from collections.abc import Mapping
from typing import Any

from clinic.domain.vocabulary import TrailAction

ACTS = {
    TrailAction.VIEW: "opened",
    TrailAction.CREATE: "made",
    TrailAction.CHANGE: "changed",
    TrailAction.SIGN: "signed",
    TrailAction.PRINT: "printed",
    TrailAction.SEND: "sent",
    TrailAction.SEARCH: "searched",
    TrailAction.BOOK: "booked",
    TrailAction.CANCEL: "cancelled",
    TrailAction.CONSENT: "took or ended",
    TrailAction.LIFT: "lifted",
    TrailAction.LOAD: "loaded",
    TrailAction.AMEND: "amended",
    TrailAction.EXPORT: "exported",
    TrailAction.MOVE: "moved",
    TrailAction.ROLE: "changed the role",
    TrailAction.SIGN_IN: "signed in to",
    TrailAction.SIGN_OUT: "signed out of",
    TrailAction.SIGN_FAIL: "failed to sign in to",
    TrailAction.REFUSE: "was refused",
    TrailAction.EMERGENCY: "opened in an emergency",
    TrailAction.MERGE: "merged",
    TrailAction.UNMERGE: "parted again",
    TrailAction.DESTROY: "destroyed",
    TrailAction.RETAIN: "kept from destruction",
    TrailAction.IMPORT: "imported",
    TrailAction.BACKUP: "backed up",
    TrailAction.RESTORE: "restored",
    TrailAction.INVITE: "invited",
}
OBJECTS = {
    "paper": "paper",
    "staff": "account",
    "assessmentaddendum": "addendum",
    "runninghistory": "running history",
    "policyconfirmation": "point of policy",
    "programmeitem": "exercise",
    "trail": "the trail",
    "emergency": "an emergency opening",
    "emergencyopening": "emergency opening",
    "restrictionline": "name of a restriction",
    "teammember": "member of a team",
}
UNSAID = {"seal", "checksum", "sha256"}  # sixty-four digits that `verify` reads, not people
LONGEST = 8  # of a list; the rest is counted


def act_words(action: str) -> str:
    """What was done, as a verb in the past.

    action: a TrailAction. Raises ValueError for any other word. Source: rule of this clinic.
    """
    return ACTS[TrailAction(action)]


def object_words(kind: str, key: str, version: int | None) -> str:
    """What it was done to: "assessment 12, version 4"; empty where there is nothing to name.

    kind: name of the table or a word. key: number of the row, or empty. version: of the row.
    Source: rule of this clinic.
    """
    if kind == "client":  # whose record it is stands beside it; the row's number says nothing
        return "the record"
    named = " ".join(part for part in (OBJECTS.get(kind, kind), key) if part)
    return f"{named}, version {version}" if version is not None and key else named


def detail_words(detail: Mapping[str, Any]) -> str:
    """The names, codes and numbers that the line holds: "fields: address, telephone; hits: 3".

    detail: as stored. Of values that were changed only the names are told. Source: rule of this
    clinic.
    """
    said = [(name, _value(value)) for name, value in detail.items() if name not in UNSAID]
    return "; ".join(f"{name.replace('_', ' ')}: {words}" for name, words in said if words)


def _value(value: Any) -> str:
    if isinstance(value, Mapping | list):
        # what a list holds beside words and numbers (an old and a new value) is not told
        parts = [str(it).replace("_", " ") for it in value if isinstance(it, str | int | float)]
        left = len(parts) - LONGEST
        return ", ".join(parts[:LONGEST]) + (f" and {left} more" if left > 0 else "")
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value).replace("_", " ")
