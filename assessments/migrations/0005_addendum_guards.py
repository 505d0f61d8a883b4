"""Addenda hang on signed assessments, follow one another, and are never changed."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
TABLE, PARENT = "assessments_addendum", "assessments_assessment"

GUARDS = floor.joined(
    floor.kept(TABLE),
    floor.no_truncate(TABLE),
    floor.unchanged(TABLE),
    floor.agrees(TABLE, "assessment_id", PARENT),
    floor.trigger(
        f"{TABLE}_of_signed",
        TABLE,
        "INSERT",
        f"NOT EXISTS (SELECT 1 FROM {PARENT} a WHERE a.id = NEW.assessment_id "
        "AND a.signed_at IS NOT NULL AND a.assessed_on <= NEW.acted_on)",
        f"{TABLE}: the assessment is not signed, or lies after the date given",
    ),
    floor.trigger(
        f"{TABLE}_follows",
        TABLE,
        "INSERT",
        f"NEW.number <> 1 + COALESCE((SELECT MAX(o.number) FROM {TABLE} o "
        "WHERE o.assessment_id = NEW.assessment_id), 0)",
        f"{TABLE}: the number does not follow the last one",
    ),
    # SQLite can replace a row without deleting it
    floor.trigger(
        f"{TABLE}_not_replaced",
        TABLE,
        "INSERT",
        f"EXISTS (SELECT 1 FROM {TABLE} o WHERE o.id = NEW.id)",
        f"{TABLE}: this row is there already",
    ),
)


class Migration(migrations.Migration):
    dependencies = [("assessments", "0004_addendum"), ("clinic", "0006_chain_guards")]
    operations = [floor.apply(GUARDS)]
