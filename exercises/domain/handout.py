"""What the client takes home: exercises, doses, the stop-and-call box, days to tick."""

import re
from dataclasses import dataclass

from clinic.domain.paper import (
    NOT_GIVEN,
    Facts,
    Grid,
    Items,
    PaperHead,
    Part,
    Section,
    Stored,
    Text,
    joined,
)

# Common practice, no single source; the clinic's edition may bring its own list.
STOP_SIGNS = (
    "You feel a sharp or sudden pain.",
    "Your pain goes above the limit of the exercise, or has not gone by the next morning.",
    "You limp, or cannot put your weight on the leg.",
    "A joint swells, locks or gives way.",
    "You feel numb or weak in a leg.",
)
EMERGENCY = (
    "Chest pain, fainting, or short of breath at rest: stop and call the emergency number at once."
)
# The model of pain_zones.csv (Silbernagel 2007) and rules R05 and R06 in the client's words.
EASIER_WHEN = (
    "Take the easier step if the pain goes above the limit, or the last ones lose their form."
)
HARDER_WHEN = (
    "Take the harder step when your pain was 0 to 2 in all sessions, 2 weeks in a row, "
    "and we have agreed it."
)
TITLE = "Your exercises"
TITLE_WAIT = "Please wait with running and exercise"
_STEP_NUMBER = re.compile(r"^\d+\.\s*")


def movement_steps(cell: str) -> tuple[str, ...]:
    """The steps of a movement without their numbers.

    cell: steps parted by `|`, each with its number, as in the library.
    """
    return tuple(_STEP_NUMBER.sub("", step.strip()) for step in cell.split("|") if step.strip())


@dataclass(frozen=True)
class HandoutExercise(Stored):
    """One exercise as printed; `figure_alt` stands for its pair of pictures, "" if it has none.

    `easier_when`, `harder_when`: only where the rule of the handout does not hold.
    """

    code: str
    name: str
    purpose: str
    start_position: str
    steps: tuple[str, ...]
    cues: tuple[str, ...]
    feel: str
    dose: str
    pain: str
    pace: str = ""
    effort: str = ""
    order_note: str = ""
    easier: str = ""
    easier_when: str = ""
    harder: str = ""
    harder_when: str = ""
    cautions: tuple[str, ...] = ()
    kit: str = ""
    kit_alternative: str = ""
    figure_alt: str = ""
    times_a_day: int = 1

    @property
    def notes(self) -> tuple[Text, ...]:
        """The labelled lines under the movement, without empty ones."""
        pairs = (
            ("Feel", self.feel),
            ("Effort", joined(self.effort, _ended(self.pace), between=" ")),
            ("Pain", self.pain),
            ("Take care", " ".join(_ended(caution) for caution in self.cautions)),
            ("Order", self.order_note),
            ("Easier", joined(_ended(self.easier), self.easier_when, between=" ")),
            ("Harder", joined(_ended(self.harder), self.harder_when, between=" ")),
            ("You need", joined(_ended(self.kit), self.kit_alternative, between=" ")),
        )
        return tuple(Text(words, label) for label, words in pairs if words)


def _ended(sentence: str) -> str:
    """The sentence with its full stop; the library leaves it out after short texts."""
    return sentence if not sentence or sentence[-1] in ".!?" else f"{sentence}."


@dataclass(frozen=True)
class CadenceSteps(Stored):
    """The cadence plan in steps a minute, both feet counted; `plus` against the count now.

    error: of the count now, 95 %, whole steps; 0 where it is not known.
    """

    measured: int
    first_target: int
    first_plus: int
    second_target: int | None = None
    second_plus: int | None = None
    second_from_week: int | None = None
    speed: str = ""
    error: int = 0

    @property
    def sentences(self) -> tuple[str, ...]:
        """The plan in the client's words."""
        at = f" at {self.speed}" if self.speed else ""
        error = f", give or take {self.error}" if self.error else ""
        lines = [
            f"Now you take {self.measured} steps a minute{at}, both feet counted{error}.",
            f"Your target is {self.first_target} steps a minute: {self.first_plus} more. "
            "Keep your usual speed; your steps get shorter.",
        ]
        if self.second_target is not None:
            lines.append(
                f"From week {self.second_from_week}, only if we have agreed it with you: "
                f"{self.second_target} steps a minute, {self.second_plus} more than now."
            )
        return tuple(lines)


@dataclass(frozen=True)
class Handout(Stored):
    """The handout as issued. `stop_all`: only the flags' sentences and whom to call."""

    head: PaperHead
    why: str = ""
    hold_sentences: tuple[str, ...] = ()
    note_sentences: tuple[str, ...] = ()
    exercises: tuple[HandoutExercise, ...] = ()
    cadence: CadenceSteps | None = None
    stop_signs: tuple[str, ...] = STOP_SIGNS
    emergency: str = EMERGENCY
    easier_when: str = EASIER_WHEN
    harder_when: str = HARDER_WHEN
    next_check: str = ""
    days: int = 14
    stop_all: bool = False

    def __post_init__(self) -> None:
        if self.days not in (14, 28):
            raise ValueError(f"a tick grid of {self.days} days, not 14 or 28")
        if self.stop_all and (self.exercises or self.cadence or not self.hold_sentences):
            raise ValueError("a stop-all handout holds the flags' sentences and no exercise")

    @property
    def title(self) -> str:
        """The title line."""
        return TITLE_WAIT if self.stop_all else TITLE

    @property
    def opening(self) -> tuple[Section, ...]:
        """What stands before the first exercise; the stop-and-call box is the last of it."""
        if self.stop_all:
            return (
                Section("What you need to know", (Items(self.hold_sentences),), boxed=True),
                Section("Whom to call", (self._whom_to_call(),)),
            )
        why = Section("Why these exercises", (Text(self.why or NOT_GIVEN),))
        steps = Section("Easier or harder", (Items((self.easier_when, self.harder_when)),))
        return (why, *self._safety(), *((steps,) if self.exercises else ()), self._stop_box())

    def _safety(self) -> tuple[Section, ...]:
        sentences = (*self.hold_sentences, *self.note_sentences)
        return (Section("For your safety", (Items(sentences),)),) if sentences else ()

    def _stop_box(self) -> Section:
        parts: list[Part] = [Items(self.stop_signs)] if self.stop_signs else []
        parts.append(self._whom_to_call())
        if self.emergency:
            parts.append(Text(self.emergency))
        return Section("Stop and call us if", tuple(parts), boxed=True)

    def _whom_to_call(self) -> Text:
        return Text(self.head.letterhead.call, f"Call {self.head.letterhead.name}")

    @property
    def closing(self) -> tuple[Section, ...]:
        """What stands after the exercises: cadence, next check, who made it."""
        if self.stop_all:
            return (self._made_by(),)
        cadence = (
            (Section("Your steps a minute", (Items(self.cadence.sentences),)),)
            if self.cadence
            else ()
        )
        check = Facts(
            (
                ("Next check", self.next_check or NOT_GIVEN),
                ("Questions", f"call {self.head.letterhead.call}"),
            )
        )
        return (*cadence, Section("Next check", (check,)), self._made_by())

    def _made_by(self) -> Section:
        author = self.head.author
        who = joined(author.name, author.role, author.registration_number) or NOT_GIVEN
        return Section(
            "Made by",
            (Text(who), Text(joined(author.event, self.head.version_words, between=". "))),
        )

    @property
    def tick_rows(self) -> tuple[str, ...]:
        """The rows of the tick grid: one for each time of the day."""
        rows: list[str] = []
        for exercise in self.exercises:
            if exercise.times_a_day == 1:
                rows.append(exercise.name)
            else:
                rows += [f"{exercise.name} ({time + 1})" for time in range(exercise.times_a_day)]
        return tuple(rows)

    def tick_grids(self, width: int) -> tuple[Grid, ...]:
        """The tick grid in parts of `width` days, cells empty.

        width: days beside each other, a divisor of `days`.
        """
        if not self.exercises:
            return ()
        return tuple(
            Grid(
                f"Days {first} to {first + width - 1}",
                ("Exercise", *(str(day) for day in range(first, first + width))),
                tuple((row, *[""] * width) for row in self.tick_rows),
                (98 if width == 14 else 12 * width, *[14] * width),
            )
            for first in range(1, self.days + 1, width)
        )

    @property
    def fortnights(self) -> tuple[Grid, ...]:
        """The tick grid in parts of 14 days."""
        return self.tick_grids(14)
