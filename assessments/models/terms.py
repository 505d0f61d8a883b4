"""Codes that rows of the record point to, with the hard limits that the database keeps.

Filled from the clinical tables by `load_tables`; all else that the tables say is read from the
edition and not repeated here.
"""

from django.db import models


class Term(models.Model):
    code = models.CharField(max_length=40, primary_key=True)
    name = models.CharField(max_length=120)

    class Meta:
        abstract = True
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name


class Measured(Term):
    """A term with a number: outside minimum and maximum a database guard refuses the row."""

    per_side = models.BooleanField(default=False)
    minimum = models.DecimalField(max_digits=9, decimal_places=3, null=True)
    maximum = models.DecimalField(max_digits=9, decimal_places=3, null=True)

    class Meta(Term.Meta):
        abstract = True


class Feature(Measured):
    """One thing observed or measured in one of the five areas."""


class Test(Measured):
    """A strength or mobility test done beside the run."""

    __test__ = False  # the name begins like a test case


class Score(Measured):
    """An outcome measure."""


class Fact(Measured):
    """A fact of client, episode or running history."""


class Flag(Term):
    """A screening question or sign."""


class FindingTerm(Term):
    """What observations can amount to."""
