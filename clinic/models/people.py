"""Clients and those around them: referrers, consents, alerts, holds."""

from datetime import date
from typing import Any, Self

from django.conf import settings
from django.db import models
from django.db.models import F, FilteredRelation, Q

from clinic.domain.people import age_on
from clinic.domain.vocabulary import (
    AlertKind,
    Channel,
    ConsentFooting,
    ConsentManner,
    ConsentPurpose,
    DocumentFormat,
    HoldEnd,
    HoldScope,
    Known,
    ReferrerKind,
    Sex,
)
from clinic.fields import choices, values
from clinic.models.limits import open_to
from clinic.models.sites import SiteRow
from clinic.models.staff import Staff


class Referrer(SiteRow):
    """A doctor, therapist or coach who sends clients or gets letters."""

    name = models.CharField(max_length=120, help_text="As it stands on an envelope.")
    kind = models.CharField(max_length=12, choices=choices(ReferrerKind))
    practice = models.CharField(max_length=120, blank=True)
    address = models.TextField(blank=True)
    telephone = models.CharField(max_length=30, blank=True)
    email = models.EmailField(blank=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return f"{self.name}, {self.practice}" if self.practice else self.name


class ClientQuerySet(models.QuerySet["Client"]):
    def for_staff(self, staff: Staff) -> Self:
        """Clients whose records this person may open."""
        return self.filter(open_to(staff))

    def matching(self, words: str, born: date | None = None) -> Self:
        """Clients whose names, number or telephone hold every word, or who were born that day."""
        if born is not None:
            return self.filter(birth_date=born)
        found = self
        for word in words.casefold().split():
            found = found.filter(search_text__contains=word)
        return found

    def for_listing(self) -> Self:
        return self.select_related("site").order_by("family_name", "given_names", "birth_date")

    def for_record(self) -> Self:
        """With the record that each is joined to, if any: joined_to and joined_to_key."""
        open_link = FilteredRelation(
            "links_as_joined", condition=Q(links_as_joined__parted_at__isnull=True)
        )
        return self.select_related("site", "doctor").annotate(
            open_link=open_link,
            joined_to=F("open_link__kept__number"),
            joined_to_key=F("open_link__kept"),
        )


EMPTIED: dict[str, Any] = {
    "family_name": "Destroyed record",
    "given_names": "",
    "preferred_name": "",
    "birth_date": date(1900, 1, 1),  # a date is needed; no real one is left
    "sex_for_norms": "",
    "address": "",
    "telephone": "",
    "email": "",
    "preferred_channel": Channel.LETTER.value,
    "next_of_kin": "",
    "doctor": None,
    "document_format": DocumentFormat.STANDARD.value,
    "communication_needs": "",
    "language": "",
    "allergies_known": Known.NOT_ASKED.value,
    "allergies": "",
    "medicines_known": Known.NOT_ASKED.value,
    "medicines": "",
    "died_on": None,
    "search_text": "",
}


class Client(SiteRow):
    """The person assessed; of a destroyed record only number, site and two days are left."""

    number = models.CharField("record number", max_length=12, editable=False)
    family_name = models.CharField(max_length=80)
    given_names = models.CharField(max_length=80)
    preferred_name = models.CharField(
        max_length=80, blank=True, help_text="What the client likes to be called."
    )
    birth_date = models.DateField()
    sex_for_norms = models.CharField(
        max_length=1,
        blank=True,
        choices=[
            (Sex.F.value, "female"),
            (Sex.M.value, "male"),
            (Sex.X.value, "neither, no norms by sex"),
        ],
        help_text="Which norms the results are compared with.",
    )
    address = models.TextField(blank=True)
    telephone = models.CharField(max_length=30, blank=True)
    email = models.EmailField(blank=True)
    preferred_channel = models.CharField(
        max_length=10, choices=choices(Channel), default=Channel.LETTER.value
    )
    next_of_kin = models.CharField(
        max_length=160, blank=True, help_text="Name, relation, telephone."
    )
    doctor = models.ForeignKey(
        Referrer, models.PROTECT, null=True, blank=True, related_name="+", verbose_name="doctor"
    )
    document_format = models.CharField(
        max_length=12, choices=choices(DocumentFormat), default=DocumentFormat.STANDARD.value
    )
    communication_needs = models.CharField(
        max_length=200, blank=True, help_text="Hearing, sight, reading, speech, interpreter."
    )
    language = models.CharField(max_length=40, blank=True, help_text="If not English.")
    allergies_known = models.CharField(
        "allergies", max_length=10, choices=choices(Known), default=Known.NOT_ASKED.value
    )
    allergies = models.CharField("which allergies", max_length=300, blank=True)
    medicines_known = models.CharField(
        "medicines", max_length=10, choices=choices(Known), default=Known.NOT_ASKED.value
    )
    medicines = models.CharField("which medicines", max_length=300, blank=True)
    died_on = models.DateField(
        null=True,
        blank=True,
        help_text="Cancels what is booked and ends what is due. Nobody is reminded any more.",
    )
    registered_on = models.DateField(editable=False)
    destroyed_on = models.DateField(null=True, editable=False)
    search_text = models.TextField(editable=False)
    version = models.PositiveIntegerField(default=1, editable=False)
    objects = ClientQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "number"], name="client_number"),
            models.CheckConstraint(
                name="client_born_before_registered",
                condition=Q(birth_date__lte=F("registered_on")),
                violation_error_message="The date of birth lies in the future.",
            ),
            models.CheckConstraint(
                name="client_born_in_reach",
                condition=Q(birth_date__gte=date(1900, 1, 1)),
                violation_error_message="The date of birth lies before 1900: check the year.",
            ),
            models.CheckConstraint(
                name="client_died_after_birth",
                condition=Q(died_on__isnull=True) | Q(died_on__gte=F("birth_date")),
                violation_error_message="The day of death lies before the birth.",
            ),
            # what stays of a destroyed record: number, site, two days
            models.CheckConstraint(
                name="client_destroyed_emptied",
                condition=Q(destroyed_on__isnull=True) | Q(**EMPTIED),
            ),
            models.CheckConstraint(
                name="client_allergies_stated",
                condition=Q(allergies_known=Known.LISTED.value) ^ Q(allergies=""),
                violation_error_message="Name the allergies, and choose “listed” for them.",
            ),
            models.CheckConstraint(
                name="client_medicines_stated",
                condition=Q(medicines_known=Known.LISTED.value) ^ Q(medicines=""),
                violation_error_message="Name the medicines, and choose “listed” for them.",
            ),
            models.CheckConstraint(
                name="client_allergies_word", condition=Q(allergies_known__in=values(Known))
            ),
            models.CheckConstraint(
                name="client_medicines_word", condition=Q(medicines_known__in=values(Known))
            ),
            models.CheckConstraint(
                name="client_sex_word", condition=Q(sex_for_norms__in=["", *values(Sex)])
            ),
            models.CheckConstraint(
                name="client_format_word", condition=Q(document_format__in=values(DocumentFormat))
            ),
        ]
        indexes = [
            models.Index(fields=["site", "family_name", "given_names"], name="client_names"),
            models.Index(fields=["birth_date"], name="client_birth_date"),
        ]

    def __str__(self) -> str:
        return self.full_name

    @property
    def full_name(self) -> str:
        return f"{self.given_names} {self.family_name}".strip()

    @property
    def called(self) -> str:
        """The name that a letter or handout speaks to."""
        return self.preferred_name or (self.given_names or self.family_name).split()[0]

    def age_on(self, day: date) -> int:
        """Whole years on that day."""
        return age_on(self.birth_date, day)


class Consent(SiteRow):
    """One purpose, asked and answered; a withdrawal is dated, never erased."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="consents")
    purpose = models.CharField(
        max_length=12,
        choices=[
            (ConsentPurpose.ASSESSMENT.value, "assessment and treatment"),
            (ConsentPurpose.FILMING.value, "filming for the own care"),
            (ConsentPurpose.SHARING.value, "sharing letters with the doctor or referrer"),
            (ConsentPurpose.TEACHING.value, "showing the film for teaching"),
            (ConsentPurpose.REMINDING.value, "appointments by e-mail"),
        ],
    )
    given = models.BooleanField(choices=[(True, "given"), (False, "refused")])
    given_on = models.DateField("answered on")
    given_as = models.CharField(
        "answered by",
        max_length=9,
        default=ConsentFooting.SELF.value,
        choices=[
            (ConsentFooting.SELF.value, "the client"),
            (ConsentFooting.PARENT.value, "a parent"),
            (ConsentFooting.GUARDIAN.value, "a guardian"),
            (ConsentFooting.AUTHORITY.value, "somebody with legal authority"),
            (ConsentFooting.UNSTATED.value, "somebody on a footing that was not asked"),
        ],
    )
    given_by = models.CharField(
        "name of who answered", max_length=120, blank=True, help_text="If not the client."
    )
    manner = models.CharField(max_length=8, choices=choices(ConsentManner))
    limits = models.CharField(max_length=200, blank=True)
    # the words that were read out; version 1 was kept by its number only
    text_version = models.CharField(max_length=20, default="1", editable=False)
    text = models.TextField(blank=True, editable=False)
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    withdrawn_on = models.DateField(null=True, blank=True, editable=False)
    withdrawn_with = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )

    class Meta:
        ordering = ["purpose", "-given_on", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "client", "purpose"],
                condition=Q(withdrawn_on__isnull=True),
                name="consent_one_answer",
                violation_error_message="This purpose is answered: withdraw that answer first.",
            ),
            models.CheckConstraint(
                name="consent_withdrawn_after",
                condition=Q(withdrawn_on__isnull=True) | Q(withdrawn_on__gte=F("given_on")),
                violation_error_message="The withdrawal lies before the answer.",
            ),
            models.CheckConstraint(
                name="consent_withdrawn_named",
                condition=Q(withdrawn_on__isnull=True, withdrawn_with__isnull=True)
                | Q(withdrawn_on__isnull=False, withdrawn_with__isnull=False),
            ),
            models.CheckConstraint(
                name="consent_purpose_word", condition=Q(purpose__in=values(ConsentPurpose))
            ),
            models.CheckConstraint(
                name="consent_footing_word", condition=Q(given_as__in=values(ConsentFooting))
            ),
            models.CheckConstraint(
                name="consent_giver_named",
                condition=Q(given_as=ConsentFooting.SELF.value, given_by="")
                | (~Q(given_as=ConsentFooting.SELF.value) & ~Q(given_by="")),
                violation_error_message="Name who answered, and on what footing.",
            ),
            models.CheckConstraint(
                name="consent_text_kept",
                condition=Q(text_version="1") | ~Q(text=""),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_purpose_display()}: {'given' if self.given else 'refused'}"

    @property
    def in_force(self) -> bool:
        """Whether it allows anything."""
        return self.given and self.withdrawn_on is None

    @property
    def giver(self) -> str:
        """Who answered, and on what footing."""
        if self.given_as == ConsentFooting.SELF:
            return "the client"
        return f"{self.given_by} ({self.get_given_as_display()})"


class Alert(SiteRow):
    """What everybody who opens the record must see."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="alerts")
    kind = models.CharField(max_length=12, choices=choices(AlertKind))
    text = models.CharField(max_length=160)
    since = models.DateField()
    ended_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["kind", "since"]
        constraints = [
            models.CheckConstraint(
                name="alert_ends_after_start",
                condition=Q(ended_on__isnull=True) | Q(ended_on__gte=F("since")),
                violation_error_message="The alert ends before it starts.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.text}"


class HoldQuerySet(models.QuerySet["Hold"]):
    def open(self) -> Self:
        return self.filter(ended_on__isnull=True)


class Hold(SiteRow):
    """What a screening answer, a score or a fact stops; kept as text to read the same later."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="holds")
    code = models.CharField(max_length=8)
    scope = models.CharField(max_length=12, choices=choices(HoldScope))
    sentence = models.TextField()
    refer_to = models.CharField(max_length=200, blank=True)
    urgency = models.CharField(max_length=12, blank=True)
    since = models.DateField()
    ended_on = models.DateField(null=True, blank=True)
    end = models.CharField(max_length=16, blank=True, choices=choices(HoldEnd))
    lifted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    reason = models.CharField(max_length=300, blank=True)
    objects = HoldQuerySet.as_manager()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "client", "code"],
                condition=Q(ended_on__isnull=True),
                name="hold_once_open",
            ),
            models.CheckConstraint(
                name="hold_ends_after_start",
                condition=Q(ended_on__isnull=True) | Q(ended_on__gte=F("since")),
                violation_error_message="The hold ends before it starts.",
            ),
            models.CheckConstraint(
                name="hold_lifted_with_reason",
                condition=~Q(end=HoldEnd.LIFTED.value)
                | (Q(lifted_by__isnull=False) & ~Q(reason="") & Q(ended_on__isnull=False)),
                violation_error_message="Say who lifts the hold and why.",
            ),
            models.CheckConstraint(
                name="hold_scope_word", condition=Q(scope__in=values(HoldScope))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code}: {self.get_scope_display()}"
