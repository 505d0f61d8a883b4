"""A small chart of one measure over the visits, as places on a sheet; drawn elsewhere."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from math import ceil, floor, isfinite, log10

WIDTH, HEIGHT = 340.0, 150.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 30.0, 10.0, 26.0
NICE = (1.0, 2.0, 2.5, 5.0, 10.0)
Scale = Callable[[float], float]
Z95 = 1.96  # two-sided 95 % of the normal distribution


@dataclass(frozen=True, slots=True)
class Mark:
    """One reading: its day, value, standard error (None: not known) and side, or none."""

    on: date
    value: float
    sd: float | None = None
    side: str = ""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a mark stands: its middle and the ends of its 95 % error bar, in chart units."""

    x: float
    y: float
    top: float | None
    bottom: float | None
    side: str


@dataclass(frozen=True, slots=True)
class Tick:
    """A line of a scale: where, and what it says."""

    at: float
    words: str


@dataclass(frozen=True, slots=True)
class Line:
    """The readings of one side, joined: "x,y x,y" as a polyline takes it."""

    side: str
    points: str


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of the value scale, from its upper edge down. y and height in chart units."""

    y: float
    height: float


@dataclass(frozen=True, slots=True)
class Chart:
    """What is to be shown: readings in order of time, reference range, detectable difference.

    reference: low and high, None where open. around: the first value and the detectable
    difference on either side of it. least_span: of the scale of values, so that a change within
    error does not look like one.
    """

    marks: tuple[Mark, ...]
    reference: tuple[float | None, float | None] = (None, None)
    around: tuple[float, float] | None = None
    least_span: float = 0.0


@dataclass(frozen=True, slots=True)
class Plot:
    """The chart laid out on WIDTH by HEIGHT units, the origin at the upper left."""

    places: tuple[Place, ...]
    lines: tuple[Line, ...]
    values: tuple[Tick, ...]
    days: tuple[Tick, ...]
    reference: Band | None
    around: Band | None
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = WIDTH - RIGHT
    top: float = TOP
    bottom: float = HEIGHT - BOTTOM

    @property
    def across(self) -> float:
        """Width between the two ends of the scale of time. By definition."""
        return self.right - self.left


def plotted(chart: Chart) -> Plot:
    """Lay a chart out. Raises ValueError without a mark.

    Times lie as far apart as they are; the scale of values holds every error bar and the nearer
    edges of the reference. By definition.
    """
    if not chart.marks:
        raise ValueError("a chart needs a mark")
    low, high, step = _scale(chart)
    first = chart.marks[0].on
    days = max((mark.on - first).days for mark in chart.marks)

    def x(on: date) -> float:
        room = WIDTH - LEFT - RIGHT
        return LEFT + (room * (on - first).days / days if days else room / 2)

    def y(value: float) -> float:
        inside = min(max(value, low), high)
        return TOP + (HEIGHT - TOP - BOTTOM) * (high - inside) / (high - low)

    places = tuple(
        Place(
            round(x(mark.on), 1),
            round(y(mark.value), 1),
            None if mark.sd is None else round(y(mark.value + Z95 * mark.sd), 1),
            None if mark.sd is None else round(y(mark.value - Z95 * mark.sd), 1),
            mark.side,
        )
        for mark in chart.marks
    )
    values = tuple(
        Tick(round(y(low + step * number), 1), _number(low + step * number, step))
        for number in range(round((high - low) / step) + 1)
    )
    return Plot(
        places,
        _lines(places),
        values,
        _days(sorted({mark.on for mark in chart.marks}), x),
        _band(chart.reference, (low, high), y),
        _around(chart.around, (low, high), y),
    )


def _scale(chart: Chart) -> tuple[float, float, float]:
    """Lowest and highest value of the scale and its step, round numbers."""
    reach = [mark.value for mark in chart.marks]
    for mark in chart.marks:
        if mark.sd is not None:
            reach += [mark.value - Z95 * mark.sd, mark.value + Z95 * mark.sd]
    if chart.around:
        first, difference = chart.around
        reach += [first - difference, first + difference]
    span = (max(reach) - min(reach)) or abs(max(reach)) or 1.0
    for edge in chart.reference:
        # an edge far away would flatten what changed
        if edge is not None and min(reach) - span <= edge <= max(reach) + span:
            reach.append(edge)
    low, high = min(reach), max(reach)
    least = chart.least_span or (span if low == high else 0.0)
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    rough = (high - low) / 3
    power = 10.0 ** floor(log10(rough))
    step = next(power * nice for nice in NICE if power * nice >= rough)
    return floor(low / step) * step, ceil(high / step) * step, step


def _number(value: float, step: float) -> str:
    # as many decimals as the step has: of 2.5 one, or 2.5 and 7.5 would read as 2 and 8
    exponent = Decimal(f"{step:.3g}").normalize().as_tuple().exponent
    decimals = max(0, -int(exponent))
    text = f"{value:.{decimals}f}"
    return text.replace("-", "−") if float(text) else text.replace("-", "")


def _lines(places: Sequence[Place]) -> tuple[Line, ...]:
    sides = dict.fromkeys(place.side for place in places)
    return tuple(
        Line(side, " ".join(f"{it.x},{it.y}" for it in places if it.side == side))
        for side in sides
    )


def _days(days: Sequence[date], x: Callable[[date], float]) -> tuple[Tick, ...]:
    """The first and the last day, and those between that have room for their words."""
    ticks: list[Tick] = []
    for day in days:
        tick = Tick(round(x(day), 1), f"{day.day} {day:%b %y}")
        if ticks and tick.at - ticks[-1].at < 62:
            if day != days[-1]:
                continue
            if len(ticks) > 1:
                ticks.pop()
        ticks.append(tick)
    return tuple(ticks)


def _band(
    edges: tuple[float | None, float | None], scale: tuple[float, float], y: Scale
) -> Band | None:
    low, high = edges
    if low is None and high is None:
        return None
    bottom = scale[0] if low is None else low
    top = scale[1] if high is None else high
    return _between(bottom, top, scale, y)


def _around(
    around: tuple[float, float] | None, scale: tuple[float, float], y: Scale
) -> Band | None:
    if around is None or not isfinite(around[1]) or not around[1]:
        return None
    return _between(around[0] - around[1], around[0] + around[1], scale, y)


def _between(low: float, high: float, scale: tuple[float, float], y: Scale) -> Band | None:
    if high <= scale[0] or low >= scale[1]:
        return None
    top, bottom = y(high), y(low)
    return Band(round(top, 1), round(bottom - top, 1))
