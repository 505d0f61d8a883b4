"""Who works here."""

from functools import cached_property

from django.contrib.auth.models import AbstractUser
from django.db import models

from clinic.domain.vocabulary import Role
from clinic.models.sites import Site


class Staff(AbstractUser):
    """A member of staff with an account; roles are sign-in groups (clinic/access.py)."""

    profession = models.CharField(max_length=60, blank=True, help_text="As it prints on papers.")
    registration_number = models.CharField(max_length=30, blank=True)
    home_site = models.ForeignKey(Site, models.PROTECT, null=True, related_name="+")
    sites = models.ManyToManyField(Site, related_name="staff", blank=True)

    class Meta:
        ordering = ["last_name", "first_name"]
        verbose_name_plural = "staff"

    def __str__(self) -> str:
        return self.get_full_name() or self.username

    @cached_property
    def roles(self) -> frozenset[Role]:
        """Roles of this person, read once a request."""
        known = set(Role)
        return frozenset(
            Role(name) for name in self.groups.values_list("name", flat=True) if name in known
        )

    @property
    def is_clinician(self) -> bool:
        return Role.CLINICIAN in self.roles

    @property
    def is_reception(self) -> bool:
        return Role.RECEPTION in self.roles

    @property
    def is_manager(self) -> bool:
        return Role.MANAGER in self.roles

    @property
    def is_auditor(self) -> bool:
        return Role.AUDITOR in self.roles

    @property
    def may_change(self) -> bool:
        """Whether a page offers this person to change anything: the auditor only looks."""
        return bool(self.roles - {Role.AUDITOR})
