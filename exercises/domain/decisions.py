"""What a clinician does with a proposed exercise."""

from enum import StrEnum


class Decision(StrEnum):
    """Proposed until the clinician decides.

    Added ones come from the library; withdrawn ones were proposed by answers that have changed.
    """

    PROPOSED = "proposed"
    ACCEPTED = "accepted"
    ADJUSTED = "adjusted"
    DECLINED = "declined"
    WITHDRAWN = "withdrawn"
    ADDED = "added"
