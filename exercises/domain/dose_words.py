"""The dose of an exercise in the words of a handout."""

from dataclasses import dataclass
from decimal import Decimal

from exercises.domain.dose import Dose
from exercises.domain.library import Exercise, WorkKind

Number = int | float | Decimal


@dataclass(frozen=True)
class PrintedDose:
    """The dose columns of the library; None where a column is empty.

    Seconds, minutes, metres; `sessions_per_week` 14 is twice a day, 3.5 every second day.
    """

    work_kind: WorkKind
    sessions_per_week: Number
    sets: int | None = None
    reps: int | None = None
    hold_s: Number | None = None
    duration_min: Number | None = None
    per_side: bool = False
    tempo_s_per_rep: Number | None = None
    rest_s: Number | None = None
    weeks: Number | None = None
    distance_m: Number | None = None


def printed_dose(dose: Dose, exercise: Exercise) -> PrintedDose:
    """The dose of a line, proposed or decided, as the words want it.

    dose: of the line; exercise: whose kind of work and length of a run it is.
    """
    return PrintedDose(
        work_kind=exercise.work_kind,
        sessions_per_week=dose.sessions_per_week or Decimal(7),
        sets=None if dose.sets is None else int(dose.sets),
        reps=None if dose.reps is None else int(dose.reps),
        hold_s=dose.hold_s,
        duration_min=dose.duration_min,
        per_side=dose.per_side,
        tempo_s_per_rep=dose.tempo_s_per_rep,
        rest_s=dose.rest_s,
        weeks=dose.weeks,
        distance_m=exercise.distance_m,
    )


def number_words(number: Number) -> str:
    """The number as numerals without trailing zeros, "3", "2.5".

    number: finite.
    """
    text = format(Decimal(str(number)), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def counted(number: Number, one: str, many: str = "") -> str:
    """The number with its noun, "1 set", "3 sets".

    number: how many; one: the noun for 1; many: for the others, `one` with an s if not given.
    """
    return f"{number_words(number)} {one if number == 1 else many or one + 's'}"


def days_words(sessions_per_week: Number) -> str:
    """How often, "3 days a week", "every day", "every second day", "twice a day".

    sessions_per_week: above 0.
    Raises ValueError for 0 or less.
    Source: EXERCISES.md conventions of the library (14 twice a day, 3.5 every second day).
    """
    number = Decimal(str(sessions_per_week))
    if number <= 0:
        raise ValueError(f"{sessions_per_week} sessions a week")
    fixed = {Decimal("3.5"): "every second day", Decimal(7): "every day"}
    if number in fixed:
        return fixed[number]
    if number == 14:
        return "twice a day, every day"
    if number % 7 == 0:
        return f"{number_words(number / 7)} times a day, every day"
    if number < 7 and number == int(number):
        return f"{counted(number, 'day')} a week"
    return f"{counted(number, 'time')} a week"


def dose_words(dose: PrintedDose, only_side: str = "") -> str:
    """The dose in one line, "3 sets of 15 each side, 45 seconds rest, 3 days a week".

    dose: as in the library; only_side: "left" or "right" where just one side works.
    Raises ValueError for a dose without an amount.
    """
    parts = [_work(dose)]
    if only_side:
        parts.append(f"{only_side} side only")
    if dose.rest_s:
        parts.append(f"{counted(dose.rest_s, 'second')} rest")
    parts.append(days_words(dose.sessions_per_week))
    if dose.weeks:
        parts.append(f"for {counted(dose.weeks, 'week')}")
    return ", ".join(parts)


def _work(dose: PrintedDose) -> str:
    side = " each side" if dose.per_side else ""
    if dose.duration_min is not None:
        running = " of running" if dose.work_kind is WorkKind.RUN_BOUT else ""
        return f"{counted(dose.duration_min, 'minute')}{running}{side}"
    if dose.sets is None:
        raise ValueError("a dose needs sets or minutes")
    if dose.work_kind is WorkKind.LENGTHS:
        return _lengths(dose, dose.sets) + side
    if dose.work_kind is WorkKind.REPETITIONS:
        if dose.reps is None:
            raise ValueError("a dose of repetitions needs their number")
        return f"{counted(dose.sets, 'set')} of {dose.reps}{side}"
    return _seconds(dose, dose.sets) + side


def _lengths(dose: PrintedDose, sets: int) -> str:
    if dose.distance_m is None:
        raise ValueError("a dose of lengths needs metres")
    metres = counted(dose.distance_m, "metre")
    if dose.reps in (None, 1):
        return f"{counted(sets, 'length')} of {metres}"
    return f"{counted(sets, 'set')} of {dose.reps} lengths of {metres}"


def _seconds(dose: PrintedDose, sets: int) -> str:
    if dose.hold_s is None:
        raise ValueError("a dose by time needs seconds")
    seconds = counted(dose.hold_s, "second")
    if dose.work_kind is WorkKind.HOLD:
        return f"{counted(sets, 'hold')} of {seconds}"
    if dose.work_kind is WorkKind.RUN_BOUT:
        return f"{counted(sets, 'run')} of {seconds}"
    run_on = (
        f", each with {counted(dose.distance_m, 'metre')} of running" if dose.distance_m else ""
    )
    return f"{counted(sets, 'bout')} of {seconds}{run_on}"


def pace_words(dose: PrintedDose) -> str:
    """How long one repetition takes, "6 seconds for each one, 2 of them held"; "" if not counted.

    dose: as in the library.
    """
    if dose.work_kind is not WorkKind.REPETITIONS or not dose.tempo_s_per_rep:
        return ""
    held = f", {number_words(dose.hold_s)} of them held" if dose.hold_s else ""
    return f"{counted(dose.tempo_s_per_rep, 'second')} for each one{held}"


def pain_words(ceiling: int) -> str:
    """The pain ceiling as a sentence for the client.

    ceiling: highest pain allowed, 0 to 10.
    Raises ValueError outside 0 to 10.
    Source: pain_zones.csv (Silbernagel 2007); the words are a rule of this clinic.
    """
    if not 0 <= ceiling <= 10:
        raise ValueError(f"a pain ceiling of {ceiling}")
    if ceiling == 0:
        return "None at all, 0 out of 10, in it and after it. Any pain: stop and tell us."
    return f"Up to {ceiling} out of 10, in it and after it, and gone by the next morning."
