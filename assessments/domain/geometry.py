"""Angles of the side view from segments.

Every function takes segments (assessments.domain.segments) of the same n frames, or of one, and
returns a Measured in degrees of that shape, -180 to 180, with the error of placing the landmarks.
None raises: a frame without a number is NaN and has its reason; `required()` raises it.
"""

from assessments.domain.measured import Measured
from assessments.domain.segments import Segment, difference, of_lean, wrapped


def segment_angle(line: Segment) -> Measured:
    """Angle of a segment, distal to proximal end, counter-clockwise from the forward horizontal.

    line: any segment, shape (n,). Degrees; 90 is upright. Errors: reasons, as above. Source:
    Winter (2009), Appendix A, Table A.3.
    """
    return of_lean(line, sign=-1, less=-90.0)


def trunk_lean(trunk: Segment) -> Measured:
    """Lean of the line from hip to shoulder against the vertical, forward +, in degrees.

    trunk: greater trochanter to acromion, shape (n,). Errors: reasons. Source: features.csv,
    trunk_lean.
    """
    return of_lean(trunk)


def body_line_lean(body: Segment) -> Measured:
    """Lean of the line from ankle to hip against the vertical, forward +, in degrees.

    body: lateral malleolus to greater trochanter, shape (n,). Errors: reasons. Source:
    MEASUREMENT.md, body_line_lean.
    """
    return of_lean(body)


def hip_hinge_angle(trunk: Segment, body: Segment) -> Measured:
    """Bend at the hips: trunk lean less body line lean, seat back +, in degrees.

    trunk, body: as above, shape (n,). Errors: reasons. Source: features.csv, hip_hinge_angle.
    """
    return difference(trunk, body)


def shank_angle(leg: Segment) -> Measured:
    """Angle of the line from knee to ankle against the vertical, ankle ahead +, in degrees.

    leg: lateral malleolus to lateral femoral epicondyle, shape (n,). Equal to Winter's leg angle
    less 90. Errors: reasons. Source: features.csv, shank_angle_contact.
    """
    return of_lean(leg, sign=-1)


def thigh_angle(thigh: Segment) -> Measured:
    """Angle of the line from hip to knee against the vertical, knee ahead +, in degrees.

    thigh: lateral femoral epicondyle to greater trochanter, shape (n,). Equal to Winter's thigh
    angle less 90. Errors: reasons. Source: features.csv, knee_drive.
    """
    return of_lean(thigh, sign=-1)


def knee_flexion(thigh: Segment, leg: Segment) -> Measured:
    """Knee flexion, flexion +, 0 with thigh and leg in one line, in degrees.

    thigh: as above; leg: malleolus to epicondyle or to fibular head, shape (n,); the two leg
    lines differ by up to 7 degrees, so one series keeps to one of them. Errors: reasons. Source:
    Winter (2009), Appendix A, Table A.4: thigh angle less leg angle.
    """
    return difference(leg, thigh)


def hip_flexion(trunk: Segment, thigh: Segment) -> Measured:
    """Thigh against trunk, flexion +, 0 in one line, in degrees.

    trunk, thigh: as above, shape (n,). Errors: reasons. Source: Winter (2009): thigh angle less
    trunk angle.
    """
    return difference(trunk, thigh)


def hip_extension(thigh: Segment) -> Measured:
    """Thigh behind the vertical +, in degrees: thigh_angle with the other sign.

    thigh: as above, shape (n,). Errors: reasons. Source: features.csv, hip_extension_toe_off.
    """
    return of_lean(thigh)


def ankle_dorsiflexion(leg: Segment, foot: Segment) -> Measured:
    """Foot against shank, toes towards the shin +, 0 when square, in degrees.

    leg: as for the knee; foot: heel to fifth metatarsal head, shape (n,). Errors: reasons.
    Source: MEASUREMENT.md, ankle_dorsiflexion.
    """
    apart = difference(leg, foot)
    value = wrapped(apart.value + 90.0)
    return Measured(value, apart.sd, 1, apart.method, apart.why, apart.reasons)


def foot_inclination(foot: Segment, standing_foot_deg: float = 0.0) -> Measured:
    """Line from heel to fifth metatarsal head against the ground, toe-up +, in degrees.

    foot: shape (n,). standing_foot_deg: the same angle in quiet standing, taken off, 0 for the
    line as seen; its own error is not in sd. Errors: reasons. Source: features.csv.
    """
    return of_lean(foot, sign=-1, less=standing_foot_deg - 90.0)


def elbow_flexion(upper_arm: Segment, forearm: Segment) -> Measured:
    """Elbow flexion, forearm forward +, 0 straight, in degrees.

    upper_arm: epicondyle of the humerus to acromion; forearm: ulnar styloid to that epicondyle,
    shape (n,). Errors: reasons. Source: MEASUREMENT.md, elbow_flexion.
    """
    return difference(upper_arm, forearm)
