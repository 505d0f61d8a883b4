"""Invented poses of both kinds of view, landmarks in pixels with y up."""

import numpy as np

SIDE = {
    "tragus": (30, 690),
    "acromion": (15, 600),
    "lateral_humeral_epicondyle": (-20, 480),
    "ulnar_styloid": (75, 440),
    "greater_trochanter": (0, 390),
    "lateral_femoral_epicondyle": (60, 230),
    "fibular_head": (55, 195),
    "lateral_malleolus": (40, 60),
    "heel": (10, 22),
    "fifth_metatarsal_head": (95, 25),
    "second_toe_tip": (130, 28),
}
FRONTAL = {
    "left_psis": (-40, 602),
    "right_psis": (45, 598),
    "left_asis": (-80, 610),
    "right_asis": (85, 600),
    "left_knee_centre": (-45, 330),
    "right_knee_centre": (60, 350),
    "left_ankle_centre": (-20, 60),
    "right_ankle_centre": (55, 120),
    "left_heel_top": (-22, 60),
    "left_heel_bottom": (-28, 10),
    "right_heel_top": (30, 70),
    "right_heel_bottom": (38, 20),
    "left_shank_upper": (-30, 200),
    "left_shank_lower": (-22, 90),
    "right_shank_upper": (40, 210),
    "right_shank_lower": (34, 100),
}


def random_poses(pose, count, seed, spread=12.0):
    """Landmark to array of shape (count, 2), each moved at random: spread in pixels."""
    random = np.random.default_rng(seed)
    return {
        name: np.array(place, dtype=float) + random.normal(0, spread, (count, 2))
        for name, place in pose.items()
    }
