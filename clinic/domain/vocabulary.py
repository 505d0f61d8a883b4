"""The floor's words: what a person, a paper and an appointment can be."""

from enum import StrEnum


class Role(StrEnum):
    """What a member of staff may do; the same names stand for the sign-in groups."""

    CLINICIAN = "clinician"
    RECEPTION = "reception"
    MANAGER = "manager"
    AUDITOR = "auditor"


class Sex(StrEnum):
    """Sex recorded for norms."""

    F = "f"
    M = "m"
    X = "x"


class Known(StrEnum):
    """State of a list that must never be blank (allergies, medicines)."""

    NOT_ASKED = "not_asked"
    NONE_KNOWN = "none_known"
    LISTED = "listed"


class DocumentFormat(StrEnum):
    STANDARD = "standard"
    LARGE_PRINT = "large_print"


class Channel(StrEnum):
    LETTER = "letter"
    EMAIL = "email"
    TELEPHONE = "telephone"


class ReferrerKind(StrEnum):
    DOCTOR = "doctor"
    CONSULTANT = "consultant"
    THERAPIST = "therapist"
    COACH = "coach"
    OTHER = "other"


class ConsentPurpose(StrEnum):
    """Each purpose is asked and answered apart.

    Source: GMC, making and using visual and audio recordings, 13 to 15 and 24.
    """

    ASSESSMENT = "assessment"
    FILMING = "filming"
    SHARING = "sharing"
    TEACHING = "teaching"
    REMINDING = "reminding"


class ConsentManner(StrEnum):
    WRITTEN = "written"
    SPOKEN = "spoken"


class ConsentFooting(StrEnum):
    """On what footing somebody answers for the client."""

    SELF = "client"
    PARENT = "parent"
    GUARDIAN = "guardian"
    AUTHORITY = "authority"
    UNSTATED = "unstated"  # answers of before it was asked: it may stand with the name


class AlertKind(StrEnum):
    ALLERGY = "allergy"
    SAFEGUARDING = "safeguarding"
    ACCESS = "access"
    OTHER = "other"


class HoldScope(StrEnum):
    """What a hold stops."""

    STOP_ALL = "stop_all"
    NO_IMPACT = "no_impact"
    LIMIT_LOAD = "limit_load"
    RULE = "rule"


class HoldEnd(StrEnum):
    LIFTED = "lifted"
    NO_LONGER_TRUE = "no_longer_true"


class AppointmentState(StrEnum):
    BOOKED = "booked"
    ARRIVED = "arrived"
    SEEN = "seen"
    MISSED = "missed"
    CANCELLED = "cancelled"


class WaitingState(StrEnum):
    WAITING = "waiting"
    BOOKED = "booked"
    ENDED = "ended"


class ReassessmentState(StrEnum):
    OPEN = "open"
    BOOKED = "booked"
    DONE = "done"
    DECLINED = "declined"
    LOST = "lost"


class ReminderOutcome(StrEnum):
    """What came of a reminder."""

    SENT = "sent"
    PRINTED = "printed"
    REACHED = "reached"
    NOT_REACHED = "not_reached"


class PaperKind(StrEnum):
    LETTER = "letter"
    REFERRAL = "referral"
    HANDOUT = "handout"
    SLIP = "slip"


class PaperState(StrEnum):
    DRAFT = "draft"
    SIGNED = "signed"


class SendingManner(StrEnum):
    POST = "post"
    EMAIL = "email"
    BY_HAND = "by_hand"


class DestructionBasis(StrEnum):
    """Why a record may be destroyed."""

    OVER = "over"
    ASKED = "asked"
    MISTAKE = "mistake"
    AGAIN = "again"  # an old backup brought it back


class DestructionDecision(StrEnum):
    """What the second person decided, or what was answered to a request."""

    REFUSED = "refused"
    KEPT = "kept"
    CONFIRMED = "confirmed"


class TrailAction(StrEnum):
    VIEW = "view"
    CREATE = "create"
    CHANGE = "change"
    SIGN = "sign"
    PRINT = "print"
    SEND = "send"
    SEARCH = "search"
    BOOK = "book"
    CANCEL = "cancel"
    CONSENT = "consent"
    LIFT = "lift"
    LOAD = "load"
    AMEND = "amend"
    EXPORT = "export"
    MOVE = "move"
    ROLE = "role"
    SIGN_IN = "sign_in"
    SIGN_OUT = "sign_out"
    SIGN_FAIL = "sign_fail"
    REFUSE = "refuse"
    EMERGENCY = "emergency"
    MERGE = "merge"
    UNMERGE = "unmerge"
    DESTROY = "destroy"
    RETAIN = "retain"
    IMPORT = "import"
    BACKUP = "backup"
    RESTORE = "restore"
    INVITE = "invite"


class RequestKind(StrEnum):
    """What a client may ask of the record."""

    AMENDMENT = "amendment"
    COPY = "copy"
    ERASURE = "erasure"
    RESTRICTION = "restriction"


class RequestManner(StrEnum):
    WRITTEN = "written"
    EMAIL = "email"
    SPOKEN = "spoken"


class RequestOutcome(StrEnum):
    ACCEPTED = "accepted"
    DENIED = "denied"
    WITHDRAWN = "withdrawn"
