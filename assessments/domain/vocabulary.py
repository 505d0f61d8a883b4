"""Closed lists of words that the code itself knows; all other codes are data of an edition."""

from enum import StrEnum

NOT_SEEN = "n"  # stands where a grade is written, for what could not be seen


class Area(StrEnum):
    UPPER_BODY = "upper_body"
    TRUNK = "trunk"
    HIP = "hip"
    GROUND_CONTACT = "ground_contact"
    FOOT = "foot"


class View(StrEnum):
    SIDE = "side"
    FRONT = "front"
    BACK = "back"
    ANY = "any"


class Instant(StrEnum):
    INITIAL_CONTACT = "initial_contact"
    LOADING = "loading"
    MIDSTANCE = "midstance"
    TOE_OFF = "toe_off"
    SWING = "swing"
    WHOLE_CYCLE = "whole_cycle"


class Side(StrEnum):
    LEFT = "left"
    RIGHT = "right"
    BOTH = "both"
    NONE = "none"


class RowSide(StrEnum):
    """Side of a criterion: each and same stand for the side that is being judged."""

    EACH = "each"
    SAME = "same"
    LEFT = "left"
    RIGHT = "right"
    NONE = "none"


class Severity(StrEnum):
    """How far beyond its limit a finding lies, in rising order."""

    BORDERLINE = "borderline"
    CLEAR = "clear"
    MARKED = "marked"

    @property
    def rank(self) -> int:
        return RANKS[self]


class Outcome(StrEnum):
    STOP_ALL = "stop_all"
    DRAFT = "draft"
    PROPOSED = "proposed"


class Urgency(StrEnum):
    """How soon a client is to be seen, most urgent first."""

    EMERGENCY = "emergency"
    SAME_DAY = "same_day"
    WITHIN_DAYS = "within_days"
    ROUTINE = "routine"
    NONE = "none"

    @property
    def rank(self) -> int:
        return RANKS[self]


class Method(StrEnum):
    BY_EYE = "by_eye"
    VIDEO_2D = "video_2d"
    MOTION_CAPTURE_3D = "motion_capture_3d"
    SENSOR = "sensor"
    COUNTED = "counted"


class Answer(StrEnum):
    """Answer to a screening question; a lifted yes is a value of its own."""

    YES = "yes"
    NO = "no"
    NOT_ASKED = "not_asked"
    YES_LIFTED = "yes_lifted"


class Keeps(StrEnum):
    """What a lifted flag still withholds."""

    NOTHING = "nothing"
    NO_IMPACT = "no_impact"


class Scope(StrEnum):
    STOP_ALL = "stop_all"
    NO_IMPACT = "no_impact"
    LIMIT_LOAD = "limit_load"
    RULE = "rule"


class Zone(StrEnum):
    SAFE = "safe"
    ACCEPTABLE = "acceptable"
    STOP = "stop"


class ZoneLines(StrEnum):
    """Which lines of pain_zones.csv apply."""

    DEFAULT = "default"
    ZERO_PAIN = "zero_pain"
    POSSIBLE_BONE = "possible_bone"


class AssessmentKind(StrEnum):
    BASELINE = "baseline"
    REASSESSMENT = "reassessment"
    DISCHARGE = "discharge"


class Surface(StrEnum):
    TREADMILL = "treadmill"
    TRACK = "track"
    ROAD = "road"
    GRASS = "grass"
    TRAIL = "trail"


class Shoes(StrEnum):
    USUAL = "usual"
    OTHER = "other"
    BAREFOOT = "barefoot"


class Stage(StrEnum):
    NOW = "now"
    LATER = "later"


class Evidence(StrEnum):
    A = "A"
    B = "B"
    C = "C"


class Better(StrEnum):
    """Direction of improvement; none gives no verdict on a change."""

    HIGHER = "higher"
    LOWER = "lower"
    TOWARD_RANGE = "toward_range"
    NONE = "none"


class FeatureKind(StrEnum):
    VALUE = "value"
    GRADE = "grade"
    GRADE_OR_VALUE = "grade_or_value"
    CHOICE = "choice"


class StrengthTestKind(StrEnum):
    VALUE = "value"
    YES_NO = "yes_no"
    CHOICE = "choice"


class FactKind(StrEnum):
    YES_NO = "yes_no"
    CHOICE = "choice"
    NUMBER = "number"
    LIST = "list"


class ScoreKind(StrEnum):
    NUMBER = "number"
    YES_NO = "yes_no"


class NormSex(StrEnum):
    FEMALE = "f"
    MALE = "m"
    ANY = "any"


class SubjectKind(StrEnum):
    FEATURE = "feature"
    TEST = "test"
    SCORE = "score"
    HISTORY = "history"
    DERIVED = "derived"
    FINDING = "finding"


class Attribute(StrEnum):
    VALUE = "value"
    GRADE = "grade"
    CHOICE = "choice"
    SIDE_DIFFERENCE = "side_difference"
    NORM_DEFICIT = "norm_deficit"
    PRESENT = "present"


class Operator(StrEnum):
    LT = "lt"
    LE = "le"
    GT = "gt"
    GE = "ge"
    EQ = "eq"
    NE = "ne"
    IN = "in"
    BETWEEN = "between"


# looked up thousands of times in one evaluation
RANKS: dict[StrEnum, int] = {
    word: rank for words in (Severity, Urgency) for rank, word in enumerate(words)
}


class RetractionCause(StrEnum):
    """Why an assessment does not count. Source: rule of this clinic."""

    WRONG_RECORD = "wrong_record"
    MISTAKE = "mistake"


class AddendumKind(StrEnum):
    """What is added to a signed assessment; a statement is the client's own, on what they dispute.

    Source: rule of this clinic.
    """

    AMENDMENT = "amendment"
    CORRECTION = "correction"
    ADDITION = "addition"
    STATEMENT = "statement"
