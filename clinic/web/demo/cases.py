"""What the invented runners show: answers at the first look, and what weeks of work changed."""

from dataclasses import dataclass, field

Values = dict[tuple[str, str], str]  # feature or test and side: number, grade ("g2") or word


@dataclass(frozen=True)
class Case:
    """One kind of runner. later: the answers that differ at the second look."""

    reason: str
    region: str
    side: str
    goal: str
    first: Values
    later: Values = field(default_factory=dict)
    tests: Values = field(default_factory=dict)
    tests_later: Values = field(default_factory=dict)
    pain: tuple[int, int] = (0, 0)


USUAL: Values = {
    ("forward_hand_reach", "left"): "g0",
    ("forward_hand_reach", "right"): "g0",
    ("hand_crossing_midline", "left"): "g0",
    ("hand_crossing_midline", "right"): "g0",
    ("elbow_drive_back", "left"): "g0",
    ("elbow_drive_back", "right"): "g0",
    ("shoulder_elevation", "left"): "g0",
    ("shoulder_elevation", "right"): "g0",
    ("upper_back_rounding", "none"): "g0",
    ("head_forward", "none"): "g0",
    ("trunk_lean", "none"): "7.4",
    ("hip_extension_toe_off", "left"): "14.0",
    ("hip_extension_toe_off", "right"): "13.2",
    ("lumbar_extension", "none"): "g0",
    ("pelvic_drop", "left"): "3.6",
    ("pelvic_drop", "right"): "3.9",
    ("knee_inside_foot", "left"): "g0",
    ("knee_inside_foot", "right"): "g0",
    ("cadence", "none"): "170",
    ("shank_angle_contact", "left"): "4.1",
    ("shank_angle_contact", "right"): "3.8",
    ("heel_to_com", "left"): "18.5",
    ("heel_to_com", "right"): "19.0",
    ("foot_strike", "left"): "rearfoot",
    ("foot_strike", "right"): "rearfoot",
    ("knee_flexion_contact", "left"): "17.0",
    ("knee_flexion_contact", "right"): "16.4",
    ("knee_flexion_stance_peak", "left"): "45.1",
    ("knee_flexion_stance_peak", "right"): "44.0",
    ("landing_loudness", "left"): "g0",
    ("landing_loudness", "right"): "g0",
    ("pronation_amount", "left"): "as_expected",
    ("pronation_amount", "right"): "as_expected",
    ("late_pronation", "left"): "g0",
    ("late_pronation", "right"): "g0",
}
USUAL_TESTS: Values = {
    ("knee_to_wall", "left"): "12.0",
    ("knee_to_wall", "right"): "11.5",
    ("heel_raises", "left"): "27",
    ("heel_raises", "right"): "26",
    ("side_plank", "left"): "62",
    ("side_plank", "right"): "58",
    ("single_leg_balance", "left"): "45",
    ("single_leg_balance", "right"): "40",
}

CASES = (
    Case(
        "My shins ache when I go past 5 km",
        "shin_inner",
        "left",
        "pain_relief",
        {
            ("forward_hand_reach", "left"): "g2",
            ("forward_hand_reach", "right"): "g2",
            ("cadence", "none"): "154",
            ("heel_to_com", "left"): "32.0",
            ("heel_to_com", "right"): "31.0",
            ("shank_angle_contact", "left"): "13.2",
            ("landing_loudness", "left"): "g2",
        },
        {
            ("forward_hand_reach", "left"): "g1",
            ("cadence", "none"): "164",
            ("heel_to_com", "left"): "26.5",
            ("heel_to_com", "right"): "26.0",
            ("shank_angle_contact", "left"): "7.6",
            ("landing_loudness", "left"): "g1",
        },
        pain=(4, 1),
    ),
    Case(
        "The outside of my hip hurts after long runs",
        "hip_side",
        "right",
        "return_to_running",
        {
            ("pelvic_drop", "right"): "8.6",
            ("pelvic_drop", "left"): "4.2",
            ("knee_inside_foot", "right"): "g2",
        },
        {("pelvic_drop", "right"): "5.3", ("pelvic_drop", "left"): "4.6"},
        {("side_plank", "right"): "31", ("side_plank", "left"): "44"},
        {("side_plank", "right"): "49", ("side_plank", "left"): "52"},
        pain=(5, 2),
    ),
    Case(
        "My knee hurts at the front, mostly downhill",
        "knee_front",
        "left",
        "return_to_running",
        {
            ("trunk_lean", "none"): "2.8",
            ("knee_flexion_stance_peak", "left"): "36.0",
            ("cadence", "none"): "157",
        },
        {
            ("trunk_lean", "none"): "6.9",
            ("knee_flexion_stance_peak", "left"): "41.5",
            ("cadence", "none"): "165",
        },
        pain=(4, 3),
    ),
    Case(
        "The inside of my ankle is sore and my arch feels flat",
        "ankle_inner",
        "right",
        "pain_relief",
        {("late_pronation", "right"): "g2", ("pronation_amount", "right"): "marked"},
        {("late_pronation", "right"): "g1"},
        {("foot_posture_index", "right"): "10", ("heel_raises", "right"): "14"},
        {("heel_raises", "right"): "22"},
        pain=(3, 2),
    ),
    Case(
        "I keep turning my ankle and my feet feel stiff",
        "foot_outer",
        "left",
        "prevention",
        {
            ("pronation_amount", "left"): "restricted",
            ("pronation_amount", "right"): "restricted",
        },
        {("pronation_amount", "right"): "as_expected"},
        {("single_leg_balance", "left"): "12", ("foot_posture_index", "left"): "-6"},
        {("single_leg_balance", "left"): "26"},
        pain=(2, 1),
    ),
    Case(
        "I want to run a faster 10 km in spring",
        "",
        "",
        "performance",
        {
            ("elbow_drive_back", "left"): "g2",
            ("elbow_drive_back", "right"): "g2",
            ("trunk_lean", "none"): "10.5",
            ("hip_extension_toe_off", "left"): "7.0",
        },
        {("elbow_drive_back", "left"): "g1", ("hip_extension_toe_off", "left"): "5.8"},
    ),
    Case(
        "My Achilles is stiff in the morning",
        "achilles",
        "left",
        "return_to_running",
        {("cadence", "none"): "160", ("landing_loudness", "left"): "g1"},
        {("cadence", "none"): "159"},
        {("heel_raises", "left"): "13", ("knee_to_wall", "left"): "7.5"},
        {("heel_raises", "left"): "24", ("knee_to_wall", "left"): "8.6"},
        pain=(3, 4),
    ),
    Case("I want to know whether I run well", "", "", "prevention", {}),
)

FAMILY = [
    "Fenwick",
    "Harrow",
    "Ashdown",
    "Brightwell",
    "Calder",
    "Drummond-Vale",
    "Eastoe",
    "Fairlamb",
    "Garside",
    "Hollins",
    "Ibbot",
    "Jessop",
    "Kestrel",
    "Lockyer",
    "Maddern",
    "Norcott",
    "Oakhurst",
    "Penhale",
    "Quennell",
    "Ridding",
    "Sallow",
    "Tremlett",
    "Underhay",
    "Varley",
    "Wendover",
    "Yarrow",
    "Abbotson",
    "Birkby",
    "Copley",
    "Dunmore",
    "Elphick",
    "Farrant",
    "Goodale",
    "Haverly",
    "Inskip",
    "Kilvert",
    "Lambourne",
    "Mossop",
    "Netherby",
    "Orchard",
]
GIVEN = (
    ("Orla", "f"),
    ("Tomas", "m"),
    ("Priya", "f"),
    ("Callum", "m"),
    ("Yasmin", "f"),
    ("Edwin", "m"),
    ("Saoirse", "f"),
    ("Kofi", "m"),
    ("Marit", "f"),
    ("Luca", "m"),
    ("Ndidi", "f"),
    ("Robin", "x"),
)
