"""Who may open which record: restricted records, teams, openings in an emergency.

`open_to` is the one place where it is decided; every query of clients or of their rows goes
through it.
"""

from datetime import datetime, timedelta
from typing import Any, Self, TypeVar

from django.apps import apps
from django.conf import settings
from django.db import models
from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery
from django.utils import timezone

from clinic.domain.vocabulary import Role
from clinic.models.sites import SiteRow
from clinic.models.staff import Staff

M = TypeVar("M", bound=models.Model)
# the guards refuse a longer opening, whatever a setting says
LONGEST_OPENING = timedelta(hours=8)


def dated(start: str, end: str, by: str) -> Q:
    """A row stands, or its end is dated, named and not before its start."""
    return Q(**{f"{end}__isnull": True, f"{by}__isnull": True}) | Q(
        **{f"{end}__isnull": False, f"{by}__isnull": False, f"{end}__gte": F(start)}
    )


def check(row: models.Model) -> None:
    """Raise ValidationError for a row with a fault; what it has not yet, such as an end, is none.

    Two rows that stand at once are refused by the database.
    """
    fields = row._meta.concrete_fields
    row.full_clean(exclude={it.name for it in fields if it.null and not it.value_from_object(row)})


class Team(SiteRow):
    """Members of staff who are named together where a record is restricted."""

    name = models.CharField("name of the team", max_length=60)
    closed_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "name"],
                condition=Q(closed_at__isnull=True),
                name="team_name",
                violation_error_message="A team of this site has this name already.",
            )
        ]

    def __str__(self) -> str:
        return self.name


class TeamMemberQuerySet(models.QuerySet["TeamMember"]):
    def standing(self) -> Self:
        return self.filter(until__isnull=True)


class TeamMember(SiteRow):
    """One person's time in a team; who leaves and comes back has two rows."""

    team = models.ForeignKey(Team, models.PROTECT, related_name="members")
    staff = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="team_memberships"
    )
    since = models.DateTimeField()
    added_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    until = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+"
    )
    objects = TeamMemberQuerySet.as_manager()

    class Meta:
        ordering = ["since", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["team", "staff"],
                condition=Q(until__isnull=True),
                name="team_member_once",
            ),
            models.CheckConstraint(
                name="team_member_dated", condition=dated("since", "until", "ended_by")
            ),
        ]

    def __str__(self) -> str:
        return f"{self.staff} since {self.since:%d %b %Y}"


class RestrictionQuerySet(models.QuerySet["Restriction"]):
    def standing(self) -> Self:
        return self.filter(ended_at__isnull=True)


class Restriction(SiteRow):
    """A record that only the named people and teams open; who they are stands in its lines."""

    client = models.ForeignKey("clinic.Client", models.PROTECT, related_name="restrictions")
    reason = models.CharField(
        "why", max_length=300, help_text="Whoever opens the record may read it."
    )
    since = models.DateTimeField()
    set_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+"
    )
    end_reason = models.CharField("why it ends", max_length=300, blank=True)
    objects = RestrictionQuerySet.as_manager()

    class Meta:
        ordering = ["-since", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "client"],
                condition=Q(ended_at__isnull=True),
                name="restriction_one_open",
                violation_error_message="This record is restricted already: look at it again.",
            ),
            models.CheckConstraint(
                name="restriction_reason_given",
                condition=~Q(reason=""),
                violation_error_message="Say why the record is restricted.",
            ),
            models.CheckConstraint(
                name="restriction_dated", condition=dated("since", "ended_at", "ended_by")
            ),
            models.CheckConstraint(
                name="restriction_end_reason_given",
                condition=Q(ended_at__isnull=True, end_reason="")
                | (Q(ended_at__isnull=False) & ~Q(end_reason="")),
                violation_error_message="Say why the restriction ends.",
            ),
        ]

    def __str__(self) -> str:
        return f"restricted since {self.since:%d %b %Y}"


class RestrictionLineQuerySet(models.QuerySet["RestrictionLine"]):
    def standing(self) -> Self:
        return self.filter(until__isnull=True)

    def of(self, restriction: Restriction) -> Self:
        return self.filter(restriction=restriction).select_related("staff", "team", "named_by")

    def naming(self, staff: Staff) -> Self:
        """Lines that name this person, by name or through a team."""
        teams = TeamMember.objects.standing().filter(staff=staff).values("team")
        return self.filter(Q(staff=staff) | Q(team__in=teams))


class RestrictionLine(SiteRow):
    """One person or team who may open a restricted record, and for how long that stood.

    The owner is the clinician who answers for the restriction. Of what others changed about that,
    the owner is told until it is marked as seen.
    """

    restriction = models.ForeignKey(Restriction, models.PROTECT, related_name="lines")
    staff = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="restriction_lines"
    )
    team = models.ForeignKey(Team, models.PROTECT, null=True, related_name="restriction_lines")
    is_owner = models.BooleanField(default=False)
    since = models.DateTimeField()
    named_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    until = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+"
    )
    seen_at = models.DateTimeField("end seen by the owner", null=True)
    objects = RestrictionLineQuerySet.as_manager()

    class Meta:
        ordering = ["-is_owner", "since", "pk"]
        constraints = [
            models.CheckConstraint(
                name="restriction_line_names_one",
                condition=Q(staff__isnull=False, team__isnull=True)
                | Q(staff__isnull=True, team__isnull=False, is_owner=False),
            ),
            models.CheckConstraint(
                name="restriction_line_dated", condition=dated("since", "until", "ended_by")
            ),
            models.CheckConstraint(
                name="restriction_line_seen",
                condition=Q(seen_at__isnull=True) | Q(until__isnull=False, is_owner=True),
            ),
            models.UniqueConstraint(
                fields=["restriction"],
                condition=Q(until__isnull=True, is_owner=True),
                name="restriction_one_owner",
            ),
            models.UniqueConstraint(
                fields=["restriction", "staff"],
                condition=Q(until__isnull=True),
                name="restriction_person_once",
            ),
            models.UniqueConstraint(
                fields=["restriction", "team"],
                condition=Q(until__isnull=True),
                name="restriction_team_once",
            ),
        ]

    def __str__(self) -> str:
        return str(self.staff or self.team)


class EmergencyOpeningQuerySet(models.QuerySet["EmergencyOpening"]):
    def running(self, now: datetime) -> Self:
        """Those that neither ran out nor were ended."""
        return self.filter(opened_at__lte=now, ends_at__gt=now, closed_at__isnull=True)

    def of(self, staff: Staff) -> Self:
        """Of this person, while they are a clinician with an open account."""
        return self.filter(
            staff=staff, staff__is_active=True, staff__groups__name=Role.CLINICIAN.value
        )


class EmergencyOpening(SiteRow):
    """A record that a clinician opened without the right to it, for some hours, with a reason.

    Source of the need: 45 CFR 164.312(a)(2)(ii). The owner of the restriction and a manager mark
    it as seen.
    """

    client = models.ForeignKey("clinic.Client", models.PROTECT, related_name="openings")
    restriction = models.ForeignKey(
        Restriction, models.PROTECT, null=True, related_name="openings"
    )
    staff = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="openings")
    reason = models.CharField("why", max_length=300)
    opened_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True)
    owner = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+"
    )
    owner_seen_at = models.DateTimeField(null=True)
    owner_word = models.CharField(max_length=300, blank=True)
    manager_seen_at = models.DateTimeField(null=True)
    manager_seen_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+"
    )
    manager_word = models.CharField(max_length=300, blank=True)
    objects = EmergencyOpeningQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_at", "-pk"]
        indexes = [models.Index(fields=["staff", "ends_at"], name="opening_running")]
        constraints = [
            models.CheckConstraint(
                name="opening_reason_given",
                condition=~Q(reason=""),
                violation_error_message="Say why the record has to be opened now.",
            ),
            models.CheckConstraint(
                name="opening_ends_after_start", condition=Q(ends_at__gt=F("opened_at"))
            ),
            models.CheckConstraint(
                name="opening_closed_within",
                condition=Q(closed_at__isnull=True)
                | Q(closed_at__gte=F("opened_at"), closed_at__lte=F("ends_at")),
            ),
            models.CheckConstraint(
                name="opening_owner_said",
                condition=Q(owner_seen_at__isnull=True, owner_word="")
                | (Q(owner_seen_at__isnull=False, owner__isnull=False) & ~Q(owner_word="")),
                violation_error_message="Say in a word what you think of it.",
            ),
            models.CheckConstraint(
                name="opening_manager_said",
                condition=Q(
                    manager_seen_at__isnull=True, manager_seen_by__isnull=True, manager_word=""
                )
                | (
                    Q(manager_seen_at__isnull=False, manager_seen_by__isnull=False)
                    & ~Q(manager_word="")
                ),
                violation_error_message="Say in a word what you think of it.",
            ),
        ]

    def __str__(self) -> str:
        return f"opened {self.opened_at:%d %b %Y %H:%M}"


def open_to(staff: Staff, path: str = "") -> Q:
    """Records that this person may open: the one rule, for clients and for rows that have one.

    path: the way from the row to its client, such as "assessment__client__". It was not destroyed,
    lies at a site of theirs and is not restricted, or names them; or they have opened it in an
    emergency that runs. Records that are joined are closed together, because each shows the other.
    Nothing of it is kept: the next query asks again.
    """
    here = Staff.sites.through.objects.filter(staff=staff).values("site")
    named = RestrictionLine.objects.standing().naming(staff).values("restriction")
    shut = Restriction.objects.standing().exclude(pk__in=named)
    opened = EmergencyOpening.objects.running(timezone.now()).of(staff).values("client")
    links = _links()
    # joins, because SQLite reads only so many subqueries inside one another
    beside = {"kept__links_as_kept__parted_at": None}
    together = (
        shut.values("client"),
        links.filter(joined__restrictions__in=shut).values("kept"),
        links.filter(kept__restrictions__in=shut).values("joined"),
        links.filter(kept__links_as_kept__joined__restrictions__in=shut, **beside).values(
            "joined"
        ),
    )
    own = Q(**{f"{path}site__in": here})
    for keys in together:
        own &= ~Q(**{f"{path}pk__in": keys})
    there = Q(**{f"{path}destroyed_on__isnull": True})
    return there & (own | Q(**{f"{path}pk__in": opened}))


def _links() -> QuerySet:
    """Standing links of two records; their model needs Client, which needs this module."""
    return apps.get_model("clinic", "RecordLink")._default_manager.filter(parted_at=None)


def closed(staff: Staff) -> Q:
    """Records of this person's sites that a restriction closes to them."""
    there = Q(site__in=staff.sites.all(), destroyed_on__isnull=True)
    return there & ~open_to(staff)


def closed_to(staff: Staff) -> int:
    """How many restricted records of this person's sites are closed to them."""
    here = Restriction.objects.standing().filter(site__in=staff.sites.all())
    return here.exclude(open_to(staff, "client__")).count()


def of_my_clients(
    rows: models.QuerySet[M], staff: Staff, path: str = "client__"
) -> models.QuerySet[M]:
    """Rows of the records that this person may open; path as in `open_to`."""
    return rows.filter(open_to(staff, path))


def as_kept(rows: "models.QuerySet[Any, M]") -> list[M]:
    """All rows, to be shown only: of a joined record under the one that takes new entries."""
    kept = _links().filter(joined=OuterRef("client")).values("kept")
    found = list(rows.annotate(kept_key=models.Subquery(kept)))
    keys = {row.kept_key for row in found if row.kept_key}
    if keys:
        of_row = rows.model._meta.get_field("client").related_model
        clients = of_row.objects.select_related("site").in_bulk(keys)
        for row in found:
            if row.kept_key:
                row.client = clients[row.kept_key]
    return found


def shown_above(staff: Staff) -> dict[str, Exists | Subquery]:
    """What the strip of a record says of it, to annotate clients with.

    restricted: whether a restriction stands; opening, opening_ends: this person's emergency
    opening that runs.
    """
    restricted = Restriction.objects.standing().filter(client=OuterRef("pk"))
    openings = EmergencyOpening.objects.running(timezone.now()).of(staff)
    mine = openings.filter(client=OuterRef("pk")).order_by("-ends_at")
    return {
        "restricted": Exists(restricted),
        "opening": Subquery(mine.values("pk")[:1]),
        "opening_ends": Subquery(mine.values("ends_at")[:1]),
    }


CLOSED = "Restricted record"


def told_to(rows: models.QuerySet[M], staff: Staff) -> list[M]:
    """All rows, for lists where the time counts: whose they are only where this person may know.

    The client of the others is a stand-in without number, key or address, so that a page that
    forgets to ask (`row.is_open`) tells nothing either.
    """
    field = rows.model._meta.get_field("client")
    found = as_kept(rows.annotate(is_open=open_to(staff, "client__")))
    for row in found:
        if not row.is_open:  # type: ignore[attr-defined]
            field.set_cached_value(row, field.related_model(family_name=CLOSED))  # type: ignore
    return found
