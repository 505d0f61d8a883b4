"""Landmarks and events that people placed in one trial."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from assessments.domain.camera import Camera, Facing, Up, View
from assessments.domain.events import Event
from assessments.domain.frames import Settings
from assessments.domain.measured import Floats
from assessments.domain.segment_tables import SegmentTable
from assessments.domain.vocabulary import Side


@dataclass(frozen=True, slots=True)
class PlacedFrame:
    """Landmarks of one frame in units of the picture.

    side: side view, the leg the points belong to; back and front views, the stance leg.
    """

    frame: int
    points: Mapping[str, tuple[float, float]]
    side: Side | None = None


@dataclass(frozen=True, slots=True)
class PlacedTrial:
    """One file of landmarks and events; None for what was not given. Source: MEASUREMENT.md.

    plumb_deg, standing_foot_deg: degrees; click_sd: units of the picture; the others as named.
    """

    view: View | None = None
    facing: Facing | None = None
    y_axis: Up | None = None
    plumb_deg: float = 0.0
    standing_foot_deg: float | None = None
    scale_m_per_unit: float | None = None
    click_sd: float | None = None
    frame_rate_hz: float | None = None
    speed_m_s: float | None = None
    grade_percent: float | None = None
    mass_kg: float | None = None
    height_m: float | None = None
    leg_length_m: float | None = None
    sex: str | None = None
    segment_table: SegmentTable = SegmentTable.DEMPSTER_WINTER
    frames: tuple[PlacedFrame, ...] = ()
    events: tuple[Event, ...] = ()

    @property
    def settings(self) -> Settings:
        """What the frames have in common; axes that were not given: right and up."""
        camera = Camera(
            facing=self.facing or Facing.RIGHT,
            y_axis=self.y_axis or Up.UP,
            plumb_deg=self.plumb_deg,
            scale_m_per_unit=self.scale_m_per_unit,
            click_sd=self.click_sd,
        )
        return Settings(camera, self.standing_foot_deg, self.segment_table, self.sex)

    @property
    def points(self) -> dict[str, Floats]:
        """Landmark name to places, shape (frames, 2), NaN where it was not placed."""
        names = dict.fromkeys(name for frame in self.frames for name in frame.points)
        nowhere = (np.nan, np.nan)
        return {
            name: np.array([frame.points.get(name, nowhere) for frame in self.frames])
            for name in names
        }
