"""Whole versions of the clinical tables, kept as they were read."""

from typing import Self

from django.conf import settings
from django.db import models


class EditionQuerySet(models.QuerySet["Edition"]):
    def newest(self) -> Self:
        return self.order_by("-number")[:1]


class Edition(models.Model):
    """A whole version of criteria, rules and library; a signed assessment keeps its own."""

    number = models.PositiveIntegerField(unique=True)
    author = models.CharField(max_length=120)
    reason = models.CharField(max_length=300)
    made_at = models.DateTimeField()
    checksum = models.CharField(max_length=64, unique=True)
    objects = EditionQuerySet.as_manager()

    class Meta:
        ordering = ["number"]

    def __str__(self) -> str:
        return f"edition {self.number}"


class EditionTable(models.Model):
    """One file of an edition, to the byte."""

    edition = models.ForeignKey(Edition, models.PROTECT, related_name="tables")
    name = models.CharField(max_length=60)
    content = models.TextField()
    checksum = models.CharField(max_length=64)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["edition", "name"], name="edition_table_once")
        ]

    def __str__(self) -> str:
        return self.name


class PolicyConfirmation(models.Model):
    """A licensed clinician's decision on one policy point of an edition."""

    edition = models.ForeignKey(Edition, models.PROTECT, related_name="confirmations")
    code = models.CharField(max_length=40)
    confirmed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    confirmed_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["edition", "code"], name="policy_confirmed_once")
        ]

    def __str__(self) -> str:
        return self.code
