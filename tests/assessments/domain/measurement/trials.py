"""Placed trials for the tests: a made runner whose angles are known by construction."""

from math import cos, radians, sin

import numpy as np

from assessments.domain.camera import Facing, Up, View
from assessments.domain.events import Event, EventKind
from assessments.domain.placed import PlacedFrame, PlacedTrial
from assessments.domain.vocabulary import Side

# lengths of the made runner in m
TRUNK, THIGH, SHANK, FOOT, ARM, FOREARM = 0.5, 0.4, 0.42, 0.2, 0.3, 0.25


def from_here(place, length, lean):
    """The point so far from another, up along a line that leans forward by so many degrees."""
    return place[0] + length * sin(radians(lean)), place[1] + length * cos(radians(lean))


def side_points(*, trunk=8.0, thigh=20.0, shank=5.0, foot=12.0, elbow=80.0, hip=(0.0, 0.9)):
    """Landmarks of a runner who faces right, y up, in m: lean of the trunk, knee ahead of the
    hip, ankle ahead of the knee, toes up, bend of the elbow, all in degrees."""
    shoulder = from_here(hip, TRUNK, trunk)
    knee = from_here(hip, -THIGH, -thigh)
    ankle = from_here(knee, -SHANK, -shank)
    heel = (ankle[0] - 0.05, ankle[1] - 0.06)
    fifth = from_here(heel, FOOT, 90 - foot)
    elbow_at = from_here(shoulder, -ARM, 0)
    wrist = from_here(elbow_at, FOREARM, 180 - elbow)
    return {
        "acromion": shoulder,
        "greater_trochanter": hip,
        "lateral_femoral_epicondyle": knee,
        "lateral_malleolus": ankle,
        "heel": heel,
        "fifth_metatarsal_head": fifth,
        "lateral_humeral_epicondyle": elbow_at,
        "ulnar_styloid": wrist,
        "tragus": from_here(shoulder, 0.25, trunk),
    }


def trial(*frames, events=(), **settings):
    """A side view of a runner facing right in metres, unless told otherwise."""
    usual = {
        "view": View.SIDE,
        "facing": Facing.RIGHT,
        "y_axis": Up.UP,
        "scale_m_per_unit": 1.0,
        "click_sd": 0.002,
    }
    return PlacedTrial(frames=tuple(frames), events=tuple(events), **{**usual, **settings})


def frame(number, side=Side.RIGHT, **angles):
    return PlacedFrame(number, side_points(**angles), side)


def contact(number, side=Side.RIGHT):
    return Event(EventKind.CONTACT, side, number)


def toe_off(number, side=Side.RIGHT):
    return Event(EventKind.TOE_OFF, side, number)


def turned(points, degrees):
    """All points turned clockwise about the origin."""
    turn = radians(degrees)
    return {
        name: (x * cos(turn) + y * sin(turn), y * cos(turn) - x * sin(turn))
        for name, (x, y) in points.items()
    }


def numbers(result):
    """Values of one frame as a dict of floats."""
    return {code: float(np.round(one.value, 9)) for code, one in result.values.items()}
