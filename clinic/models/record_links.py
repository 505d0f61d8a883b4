"""Two records of one person, joined by a link; nothing is moved, so they can be parted again."""

from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from clinic.models.people import Client
from clinic.models.sites import SiteRow


class RecordLinkQuerySet(models.QuerySet["RecordLink"]):
    def open(self) -> Self:
        return self.filter(parted_at__isnull=True)


class RecordLink(SiteRow):
    """One joining: new entries go to the kept record, the joined one stays as it is."""

    kept = models.ForeignKey(Client, models.PROTECT, related_name="links_as_kept")
    joined = models.ForeignKey(Client, models.PROTECT, related_name="links_as_joined")
    reason = models.TextField("how you know that it is one person", max_length=1000)
    names_compared = models.BooleanField("names compared")
    births_compared = models.BooleanField("dates of birth compared")
    addresses_compared = models.BooleanField("addresses and telephones compared")
    births_differ = models.BooleanField("the dates of birth differ", default=False)
    birth_reason = models.TextField("why the dates of birth differ", blank=True, max_length=1000)
    joined_at = models.DateTimeField(editable=False)
    joined_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", editable=False
    )
    parted_at = models.DateTimeField(null=True, editable=False)
    parted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )
    part_reason = models.TextField("why they are parted", blank=True, editable=False)
    objects = RecordLinkQuerySet.as_manager()

    class Meta:
        ordering = ["-joined_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "joined"],
                condition=Q(parted_at__isnull=True),
                name="link_once_open",
            ),
            models.CheckConstraint(name="link_of_two", condition=~Q(kept=F("joined"))),
            models.CheckConstraint(
                name="link_compared",
                condition=Q(names_compared=True, births_compared=True, addresses_compared=True)
                & ~Q(reason=""),
                violation_error_message="Compare all three, and say how you know.",
            ),
            models.CheckConstraint(
                name="link_births_explained",
                condition=Q(births_differ=False, birth_reason="")
                | Q(births_differ=True) & ~Q(birth_reason=""),
            ),
            models.CheckConstraint(
                name="link_parted_whole",
                condition=Q(parted_at__isnull=True, parted_by__isnull=True, part_reason="")
                | Q(parted_at__isnull=False, parted_by__isnull=False) & ~Q(part_reason=""),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.joined.number} joined to {self.kept.number}"


def person(pk: int) -> models.QuerySet[Client, int]:
    """Keys of all records of the person whose record this is; a subquery, asked with its reader.

    pk: of any of them. One that is not joined has itself alone.
    """
    links = RecordLink.objects.open()
    kept = links.filter(joined=pk)
    found: models.QuerySet[Client, int] = (
        Client.objects.order_by()
        .filter(pk=pk)
        .values_list("pk", flat=True)
        .union(
            links.order_by().filter(kept=pk).values_list("joined", flat=True),
            kept.order_by().values_list("kept", flat=True),
            links.order_by().filter(kept__in=kept.values("kept")).values_list("joined", flat=True),
        )
    )
    return found


def together() -> dict[int, set[int]]:
    """Of each record that is joined with others: the keys of all records of its person."""
    groups: dict[int, set[int]] = {}
    for kept, joined in RecordLink.objects.open().order_by().values_list("kept", "joined"):
        groups.setdefault(kept, {kept}).add(joined)
    return {pk: group for group in groups.values() for pk in group}


def others(pk: int) -> models.QuerySet[Client]:
    """The other records of the person, with what the pages name them by."""
    return Client.objects.filter(pk__in=person(pk)).exclude(pk=pk).order_by("number")
