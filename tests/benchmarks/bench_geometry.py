"""Time of all angles and distances of the side view with their errors, against a bare floor.

Run: `uv run python -m tests.benchmarks.bench_geometry`. Floor: the same arctan2 and subtraction
calls on the same arrays, without errors, checks, wrapping, degrees or centre of mass. Best of the
rounds each, run in turn so that another load meets both.
"""

import sys
from time import perf_counter

import numpy as np

from assessments.domain.camera import Camera, View
from assessments.domain.frames import FRONTAL_CODES, Settings, frame_measures
from tests.assessments.domain.measurement.poses import SIDE, random_poses

FRAMES = 100_000
ROUNDS = {1_000: 200, 10_000: 60, 100_000: 15, 1_000_000: 4}
SETTINGS = Settings(Camera(scale_m_per_unit=0.0025, click_sd=1.5), standing_foot_deg=4.0)
LINES = (
    ("greater_trochanter", "acromion"),
    ("lateral_malleolus", "greater_trochanter"),
    ("lateral_femoral_epicondyle", "greater_trochanter"),
    ("lateral_malleolus", "lateral_femoral_epicondyle"),
    ("heel", "fifth_metatarsal_head"),
    ("lateral_malleolus", "fibular_head"),
    ("lateral_humeral_epicondyle", "acromion"),
    ("ulnar_styloid", "lateral_humeral_epicondyle"),
)


def floor(points):
    """Eight segments, five differences, two distances: nothing else."""
    angles = []
    for start, end in LINES:
        top, bottom = points[end], points[start]
        angles.append(np.arctan2(top[:, 0] - bottom[:, 0], top[:, 1] - bottom[:, 1]))
    trunk, body, thigh, _, foot, leg, upper, fore = angles
    joints = [trunk - body, leg - thigh, trunk - thigh, leg - foot, upper - fore]
    heel, hip = points["heel"][:, 0], points["greater_trochanter"][:, 0]
    return [*angles, *joints, heel - hip, heel - points["acromion"][:, 0]]


def whole(points):
    return frame_measures(points, view=View.SIDE, settings=SETTINGS)


def best(points, rounds):
    """Least seconds of the floor and of the whole."""
    times = {floor: [], whole: []}
    for _ in range(rounds):
        for act, taken in times.items():
            start = perf_counter()
            act(points)
            taken.append(perf_counter() - start)
    return min(times[floor]), min(times[whole])


def main():
    poses = random_poses(SIDE, max(ROUNDS), seed=1)
    say = sys.stdout.write
    say(
        f"{len(whole({n: p[:1] for n, p in poses.items()})) - len(FRONTAL_CODES)} codes, sd each\n"
    )
    for frames, rounds in ROUNDS.items():
        points = {name: place[:frames].copy() for name, place in poses.items()}
        bare, full = best(points, rounds)
        say(
            f"{frames:>9} frames: floor {bare / frames * 1e9:7.1f} ns a frame, "
            f"whole {full / frames * 1e9:7.1f} ns a frame, ratio {full / bare:4.2f}\n"
        )


if __name__ == "__main__":
    main()
