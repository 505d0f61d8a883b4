"""How landmarks lie on the picture, and how far each may be off."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

import numpy as np
from numpy.typing import ArrayLike

from assessments.domain.measured import (
    Bools,
    Floats,
    MeasurementError,
    SettingError,
    positive_or_raise,
)


class View(StrEnum):
    SIDE = "side"
    BACK = "back"
    FRONT = "front"


class Facing(StrEnum):
    RIGHT = "right"
    LEFT = "left"


class Up(StrEnum):
    UP = "up"
    DOWN = "down"


@dataclass(frozen=True, slots=True)
class Camera:
    """Where the picture's axes point and how well landmarks are placed on it.

    facing: where the runner faces, that is forward, side view only. y_axis: where y grows, down
    for pixel rows. plumb_deg: lean of the true vertical on the picture, clockwise +.
    scale_m_per_unit: metres to one unit of the coordinates, None if not known. click_sd: standard
    deviation of one coordinate of one landmark in units, all independent, None if not known.
    Raises SettingError for a number that cannot be. Source: MEASUREMENT.md.
    """

    facing: Facing = Facing.RIGHT
    y_axis: Up = Up.UP
    plumb_deg: float = 0.0
    scale_m_per_unit: float | None = None
    click_sd: float | None = None

    def __post_init__(self) -> None:
        if not isfinite(self.plumb_deg):
            raise SettingError("plumb_deg", f"must be finite, is {self.plumb_deg}")
        if self.scale_m_per_unit is not None:
            positive_or_raise(self.scale_m_per_unit, "scale_m_per_unit")
        if self.click_sd is not None and not (isfinite(self.click_sd) and self.click_sd >= 0):
            raise SettingError("click_sd", f"must be finite and not negative, is {self.click_sd}")

    @property
    def forward(self) -> int:
        """1 where the runner faces the way x grows, else -1."""
        return 1 if self.facing is Facing.RIGHT else -1

    @property
    def upward(self) -> int:
        """1 where y grows upwards, else -1."""
        return 1 if self.y_axis is Up.UP else -1

    @property
    def error(self) -> float:
        """click_sd in units, NaN if not known."""
        return np.nan if self.click_sd is None else self.click_sd


class Points:
    """Landmarks of the same frames: arrays of shape (..., 2), one for each name.

    A landmark that is not there is NaN in every frame. Raises MeasurementError, with the
    landmark's name, for an array that does not end in x and y or that has other frames.
    """

    def __init__(self, points: Mapping[str, ArrayLike | None]) -> None:
        self._arrays: dict[str, Floats] = {}
        for name, given in points.items():
            if given is not None:
                self._arrays[name] = _pairs(name, given)
        self._lost: dict[str, Bools | None] = {}
        shapes = {array.shape for array in self._arrays.values()}
        if len(shapes) > 1:
            self._raise_other_frames()
        self.shape = next(iter(shapes))[:-1] if shapes else ()

    def __getitem__(self, name: str) -> Floats:
        there = self._arrays.get(name)
        return np.broadcast_to(np.nan, (*self.shape, 2)) if there is None else there

    def __contains__(self, name: str) -> bool:
        """Whether a landmark is there in any frame."""
        there = self._arrays.get(name)
        return there is not None and not bool(np.isnan(there).all())

    def lost(self, name: str) -> Bools | None:
        """Frames in which a landmark is not finite, None if there are none."""
        if name not in self._lost:
            finite = np.isfinite(self[name])
            whole = bool(finite.all())
            self._lost[name] = None if whole else np.asarray(~finite.all(axis=-1))
        return self._lost[name]

    def within(self, frames: Bools | slice) -> "Points":
        """The same landmarks in those frames only."""
        return Points({name: array[frames] for name, array in self._arrays.items()})

    def _raise_other_frames(self) -> None:
        first = next(iter(self._arrays.values())).shape
        for name, array in self._arrays.items():
            if array.shape != first:
                raise MeasurementError(name, f"has shape {array.shape}, others {first}")


def _pairs(name: str, given: ArrayLike) -> Floats:
    try:
        array = np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError):
        raise MeasurementError(name, "is not an array of numbers") from None
    if array.ndim == 0 or array.shape[-1] != 2:
        raise MeasurementError(name, f"must end in x and y, has shape {array.shape}")
    return array
