"""Series longer than what is taken at a time: nothing changes at the seams."""

import numpy as np

from assessments.domain.camera import Camera, Points, View
from assessments.domain.frames import BLOCK, SIDE_CODES, Settings, frame_measures
from assessments.domain.frontal import Frontal, midline_distance
from tests.assessments.domain.measurement.poses import FRONTAL, SIDE, random_poses

SETTINGS = Settings(Camera(scale_m_per_unit=0.0025, click_sd=1.5))


def test_long_series_measures_as_its_parts():
    frames = 2 * BLOCK + 5
    points = random_poses(SIDE, frames, seed=3)
    points["acromion"][BLOCK - 1] = points["tragus"][BLOCK] = np.nan
    points["fibular_head"][: BLOCK + 2] = np.nan  # none in the whole first block
    around = np.arange(BLOCK - 4, BLOCK + 6)

    whole = frame_measures(points, view=View.SIDE, settings=SETTINGS)
    part = frame_measures(
        {name: place[around] for name, place in points.items()}, view=View.SIDE, settings=SETTINGS
    )

    for code in SIDE_CODES:
        assert np.array_equal(whole[code].value[around], part[code].value, equal_nan=True), code
        assert np.array_equal(whole[code].sd[around], part[code].sd, equal_nan=True), code
        assert [whole[code].reason(int(frame), frame=0) for frame in around] == [
            part[code].reason(index, frame=0) for index in range(len(around))
        ], code


def test_distance_from_the_midline_needs_a_scale():
    seen = Frontal(Points(FRONTAL), View.BACK, "left", Camera())

    assert str(midline_distance(seen, "knee_centre").reason()).startswith("scale_m_per_unit")
