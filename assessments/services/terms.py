"""Codes and hard limits of the tables as rows that the database's guards read."""

from collections.abc import Sequence

from django.db import transaction

from assessments.domain.tables import AssessmentTables, TestRow
from assessments.domain.tables import Fact as FactRow
from assessments.domain.tables import Feature as FeatureRow
from assessments.domain.tables import Score as ScoreRow
from assessments.models import Fact, Feature, FindingTerm, Flag, Score, Test
from assessments.models.terms import Measured, Term

FIELDS = ["name", "per_side", "minimum", "maximum"]


@transaction.atomic
def keep_terms(tables: AssessmentTables) -> None:
    """Write every code of an edition; earlier codes stay for the rows that use them."""
    for model, items in (
        (Feature, tables.features.values()),
        (Test, tables.tests.values()),
        (Score, tables.scores.values()),
        (Fact, tables.facts.values()),
    ):
        _keep([_measured(model, item) for item in items], FIELDS)
    _keep([Flag(code=it.code, name=it.alias) for it in tables.flags.values()], ["name"])
    _keep([FindingTerm(code=it.code, name=it.name) for it in tables.findings.values()], ["name"])


def _measured(model: type[Measured], item: FeatureRow | TestRow | ScoreRow | FactRow) -> Measured:
    return model(
        code=item.code,
        name=item.name,
        per_side=getattr(item, "per_side", False),
        minimum=item.plausible.low,
        maximum=item.plausible.high,
    )


def _keep(rows: Sequence[Term], fields: list[str]) -> None:
    type(rows[0])._default_manager.bulk_create(
        rows, update_conflicts=True, unique_fields=["code"], update_fields=fields
    )
