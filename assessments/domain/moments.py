"""Which placed frames show which instant of a step: named by the clinician or by the events."""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from assessments.domain.events import EventKind
from assessments.domain.placed import PlacedTrial
from assessments.domain.vocabulary import Side


class Moment(StrEnum):
    CONTACT = "contact"
    LOADING = "loading"
    MIDSTANCE = "midstance"
    STANCE = "stance"
    TOE_OFF = "toe_off"
    SWING = "swing"
    HAND_FORWARD = "hand_forward"


# (frame, side) to what it shows; side None where the file gives none
Named = Mapping[tuple[int, Side | None], Moment]
# places of the frames of each step in the file's list of frames
Steps = tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class Step:
    """Frames of contact and toe-off of one foot and of its next contact, None if not seen."""

    contact: int
    toe_off: int
    next_contact: int | None

    def between(self, placed: Sequence[tuple[int, int]]) -> tuple[int, int]:
        """Where frames of this step begin and end among frames in ascending order."""
        last = self.toe_off if self.next_contact is None else self.next_contact
        return bisect_left(placed, (self.contact, -1)), bisect_left(placed, (last + 1, -1))

    def shows(self, moment: Moment, frame: int) -> bool:
        """Whether a frame shows a moment of this step.

        Midstance: the middle frame of contact, the earlier of two. Loading and the farthest reach
        of the hand follow from no event. Source: MEASUREMENT.md, From measure code to feature.
        """
        match moment:
            case Moment.CONTACT:
                return frame == self.contact
            case Moment.MIDSTANCE:
                return frame == (self.contact + self.toe_off) // 2
            case Moment.STANCE:
                return self.contact <= frame <= self.toe_off
            case Moment.TOE_OFF:
                return frame == self.toe_off
            case Moment.SWING if self.next_contact is not None:
                return self.toe_off < frame < self.next_contact
            case _:
                return False


def steps_showing(trial: PlacedTrial, moment: Moment, side: Side, named: Named) -> Steps:
    """Frames of a side that show a moment, together for each step.

    A frame that the clinician named is a step of its own: its peak or its instant was chosen by
    eye. A step has no frames that were named. Source: MEASUREMENT.md; the first part: rule of
    this clinic.
    """
    own = [place for place, one in enumerate(trial.frames) if one.side in (side, None)]
    chosen = {
        place: named.get((trial.frames[place].frame, trial.frames[place].side)) for place in own
    }
    by_eye = [(place,) for place in own if chosen[place] is moment]
    placed = sorted(
        (trial.frames[place].frame, place)
        for place in own
        if chosen[place] is None and trial.frames[place].side is side
    )
    by_events = [
        tuple(
            sorted(
                place
                for frame, place in placed[slice(*step.between(placed))]
                if step.shows(moment, frame)
            )
        )
        for step in steps_of(trial, side)
    ]
    return (*by_eye, *(places for places in by_events if places))


def steps_of(trial: PlacedTrial, side: Side) -> tuple[Step, ...]:
    """Contacts of one foot that are followed by its toe-off before its next contact.

    Times become the nearest frame where the frame rate is known. A contact without toe-off is no
    step, nor is one with two. Source: by definition.
    """
    contacts = _frames(trial, side, EventKind.CONTACT)
    offs = _frames(trial, side, EventKind.TOE_OFF)
    steps = []
    for contact, following in zip(contacts, [*contacts[1:], None], strict=False):
        first = bisect_right(offs, contact)
        last = len(offs) if following is None else bisect_left(offs, following)
        if last - first == 1:
            steps.append(Step(contact, offs[first], following))
    return tuple(steps)


def _frames(trial: PlacedTrial, side: Side, kind: EventKind) -> list[int]:
    frames = set()
    for event in trial.events:
        if (event.side, event.kind) != (side, kind):
            continue
        if event.frame is not None:
            frames.add(event.frame)
        elif event.time_s is not None and trial.frame_rate_hz is not None:
            frames.add(round(event.time_s * trial.frame_rate_hz))
    return sorted(frames)
