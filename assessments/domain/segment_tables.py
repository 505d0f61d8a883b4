"""Published shares of body mass and places of the centre of mass of each segment.

Two tables. Their segments are written on the landmarks that are placed; where the source means
another point, the landmark that stands in for it is named beside the table.
"""

from dataclasses import dataclass
from enum import StrEnum

from assessments.domain.measured import SettingError

HIP, SHOULDER, EAR = "greater_trochanter", "acromion", "tragus"
ELBOW, WRIST = "lateral_humeral_epicondyle", "ulnar_styloid"
KNEE, ANKLE = "lateral_femoral_epicondyle", "lateral_malleolus"
HEEL, FIFTH, TOE = "heel", "fifth_metatarsal_head", "second_toe_tip"


class SegmentTable(StrEnum):
    DEMPSTER_WINTER = "dempster_winter"
    DE_LEVA = "de_leva"


@dataclass(frozen=True, slots=True)
class Part:
    """A segment: mass, share of the body, both sides if paired; its centre of mass lies at the
    share `along` of the way from one landmark to another.
    """

    name: str
    mass: float
    start: str
    end: str
    along: float

    @property
    def weights(self) -> dict[str, float]:
        """Share of each landmark in the segment's centre of mass."""
        if self.start == self.end:
            return {self.start: 1.0}
        return {self.start: 1.0 - self.along, self.end: self.along}


Whole = tuple[Part, ...]
# a group is a region of the body: the first of its wholes of which every landmark is there counts
Group = tuple[Whole, ...]

# Dempster (1955) as in Winter (2009), Table 4.1; seen as BSP_DempsterWinter.txt in BMClab/BMC.
# Stand-ins: acromion for the shoulder joint, lateral epicondyles and lateral malleolus for the
# joints, tragus for the ear canal, fifth metatarsal head for the second.
_D_ARMS = (
    Part("upper arms", 2 * 0.028, SHOULDER, ELBOW, 0.436),
    Part("forearms with hands", 2 * 0.022, ELBOW, WRIST, 0.682),
)
_D_THIGHS = Part("thighs", 2 * 0.100, HIP, KNEE, 0.433)
DEMPSTER_WINTER: tuple[Group, ...] = (
    (
        (
            Part("trunk", 0.497, HIP, SHOULDER, 0.5),
            Part("head and neck", 0.081, EAR, EAR, 1.0),
            *_D_ARMS,
        ),
        (Part("trunk, head and neck", 0.578, HIP, SHOULDER, 0.66), *_D_ARMS),
        (Part("head, arms and trunk", 0.678, HIP, SHOULDER, 0.626),),
    ),
    (
        (
            _D_THIGHS,
            Part("legs", 2 * 0.0465, KNEE, ANKLE, 0.433),
            Part("feet", 2 * 0.0145, ANKLE, FIFTH, 0.5),
        ),
        (_D_THIGHS, Part("legs with feet", 2 * 0.061, KNEE, ANKLE, 0.606)),
    ),
)


def _de_leva(
    head: float,
    trunk: tuple[float, float],
    upper_arm: tuple[float, float],
    forearm: tuple[float, float],
    hand: float,
    thigh: tuple[float, float],
    shank: tuple[float, float],
    foot: tuple[float, float],
) -> tuple[Group, ...]:
    arms = (
        Part("upper arms", 2 * upper_arm[0], SHOULDER, ELBOW, upper_arm[1]),
        Part("forearms", 2 * forearm[0], ELBOW, WRIST, forearm[1]),
        Part("hands", 2 * hand, WRIST, WRIST, 1.0),
    )
    upper = (
        Part("trunk", trunk[0], SHOULDER, HIP, trunk[1]),
        Part("head", head, EAR, EAR, 1.0),
    )
    legs = (
        Part("thighs", 2 * thigh[0], HIP, KNEE, thigh[1]),
        Part("shanks", 2 * shank[0], KNEE, ANKLE, shank[1]),
        Part("feet", 2 * foot[0], HEEL, TOE, foot[1]),
    )
    return ((upper + arms,), (legs,))


# de Leva (1996) J Biomech 29:1223-1230: trunk between mid-shoulder and mid-hip (Trunk 3), forearm
# to the styloid (Forearm 2), shank to the lateral malleolus (Shank 2), foot from heel to toe tip;
# seen as BSPfemale_ZdeLeva.txt and BSPmale_ZdeLeva.txt in BMClab/BMC. Stand-ins as above; the
# head lies at the tragus (no vertex is placed) and the hands at the wrist.
DE_LEVA: dict[str, tuple[Group, ...]] = {
    "f": _de_leva(
        head=0.0668,
        trunk=(0.4257, 0.3782),
        upper_arm=(0.0255, 0.5754),
        forearm=(0.0138, 0.4592),
        hand=0.0056,
        thigh=(0.1478, 0.3612),
        shank=(0.0481, 0.4416),
        foot=(0.0129, 0.4014),
    ),
    "m": _de_leva(
        head=0.0694,
        trunk=(0.4346, 0.431),
        upper_arm=(0.0271, 0.5772),
        forearm=(0.0162, 0.4608),
        hand=0.0061,
        thigh=(0.1416, 0.4095),
        shank=(0.0433, 0.4459),
        foot=(0.0137, 0.4415),
    ),
}

# Share of standing height. Drillis and Contini (1966) as in Winter (2009), Fig. 4.1.
HEIGHT_SHARES = {
    "ankle height": 0.039,
    "knee height": 0.285,
    "hip height": 0.53,
    "shoulder height": 0.818,
    "upper arm length": 0.186,
    "forearm length": 0.146,
    "hand length": 0.108,
    "foot length": 0.152,
}


def groups_of(table: SegmentTable, sex: str | None) -> tuple[Group, ...]:
    """The segments of a table by region of the body; masses are shares of the body.

    sex: f or m for de_leva, which has no values for anybody else: SettingError. Source: the rows
    above.
    """
    if table is SegmentTable.DEMPSTER_WINTER:
        return DEMPSTER_WINTER
    if sex not in DE_LEVA:
        raise SettingError("sex", f"the table de_leva has values for f and m, not for {sex}")
    return DE_LEVA[sex]


def length_from_height(item: str, height_m: float) -> float:
    """Length or height of a part of the body in m from standing height.

    item: a key of HEIGHT_SHARES, else SettingError; height_m: m, above 0, else SettingError.
    Source: Drillis and Contini (1966); an average, a few per cent off for one person.
    """
    if item not in HEIGHT_SHARES:
        raise SettingError(item, "has no share of height in the table")
    if not 0 < height_m < float("inf"):
        raise SettingError("height_m", f"must be finite and above 0, is {height_m}")
    return HEIGHT_SHARES[item] * height_m
