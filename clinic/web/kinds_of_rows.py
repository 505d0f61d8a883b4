"""What a record holds, in plain words: the rows of its tables, counted by kind."""

from collections.abc import Mapping
from dataclasses import dataclass

from django.apps import apps

KINDS = {
    "episodes and goals": ("assessments.Episode", "assessments.Goal"),
    "assessments": ("assessments.Assessment",),
    "answers, results and findings of assessments": (
        "assessments.Trial",
        "assessments.Observation",
        "assessments.TestResult",
        "assessments.ScoreValue",
        "assessments.Finding",
    ),
    "landmarks and events measured from film": ("assessments.Placement",),
    "addenda to assessments": ("assessments.Addendum",),
    "retractions of assessments": ("assessments.Retraction",),
    "screenings": ("assessments.Screening",),
    "running histories": ("assessments.RunningHistory",),
    "answers of screenings and histories": (
        "assessments.ScreeningAnswer",
        "assessments.HistoryAnswer",
    ),
    "holds": ("clinic.Hold",),
    "programmes": ("exercises.Programme",),
    "exercises and advice of programmes": ("exercises.ProgrammeItem", "exercises.Advice"),
    "letters, handouts and other papers": ("clinic.Paper",),
    "notes of what was sent": ("clinic.Sending",),
    "consents": ("clinic.Consent",),
    "alerts": ("clinic.Alert",),
    "appointments": ("clinic.Appointment",),
    "kept times and places on the waiting list": ("clinic.KeptTime", "clinic.WaitingEntry"),
    "dates of reassessment": ("clinic.Reassessment",),
    "reminders": ("clinic.Reminder",),
    "requests about the record": ("clinic.RecordRequest",),
    "restrictions, with whom they name": ("clinic.Restriction", "clinic.RestrictionLine"),
    "openings in an emergency": ("clinic.EmergencyOpening",),
    "joinings with another record": ("clinic.RecordLink",),
    "legal holds": ("clinic.LegalHold",),
}


@dataclass(frozen=True)
class Kind:
    """A kind of rows and how many of it there are."""

    words: str
    count: int


def kinds(counts: Mapping[str, int]) -> list[Kind]:
    """Each kind that there is; a table that no kind names stands under its own name.

    counts: rows by the label of their table, as a destruction keeps them.
    """
    left, found = dict(counts), []
    for words, labels in KINDS.items():
        found.append(Kind(words, sum(left.pop(label, 0) for label in labels)))
    found += [Kind(_name(label), count) for label, count in sorted(left.items())]
    return [kind for kind in found if kind.count]


def _name(label: str) -> str:
    try:
        return str(apps.get_model(label)._meta.verbose_name_plural)
    except LookupError:  # a table of an earlier version
        return "other rows"
