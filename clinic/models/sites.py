"""Addresses of the clinic; every clinical row belongs to one."""

from django.core.validators import RegexValidator
from django.db import models


class Site(models.Model):
    """One address of the clinic."""

    clinic_name = models.CharField(max_length=80)
    name = models.CharField("site", max_length=60, unique=True)
    code = models.CharField(
        "prefix of record numbers",
        max_length=4,
        unique=True,
        validators=[RegexValidator(r"^[A-Z]{1,4}$", "One to four capital letters.")],
    )
    address = models.TextField()
    telephone = models.CharField(max_length=30)
    email = models.EmailField(blank=True)
    time_zone = models.CharField(max_length=40, default="Europe/London")
    holiday_region = models.CharField(
        "public holidays of",
        max_length=10,
        blank=True,
        help_text="Country and part by ISO 3166, such as GB-ENG; empty: none are kept.",
    )
    clients_numbered = models.PositiveIntegerField(default=0, editable=False)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class SiteRow(models.Model):
    """A row that belongs to a clinic site.

    The service copies the site from the row's parent; a database guard refuses any other.
    """

    site = models.ForeignKey(Site, models.PROTECT, related_name="+", editable=False)

    class Meta:
        abstract = True
