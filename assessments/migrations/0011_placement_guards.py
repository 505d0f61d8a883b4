"""Placements follow one another, are never changed or deleted, and end with the signature."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
TABLE, ASSESSMENT = "assessments_placement", "assessments_assessment"


def signed_is_fixed():
    """On PostgreSQL a signing that is not yet committed is waited for, as for answers (0006)."""
    signed = (
        f"(SELECT a.signed_at FROM {ASSESSMENT} a WHERE a.id = NEW.assessment_id{{lock}}) "
        "IS NOT NULL"
    )
    name, message = f"{TABLE}_signed", "placement: the assessment is signed"
    by_engine = {"sqlite": "", "postgresql": " FOR SHARE"}
    return {
        vendor: floor.trigger(name, TABLE, "INSERT", signed.format(lock=lock), message)[vendor]
        for vendor, lock in by_engine.items()
    }


GUARDS = floor.joined(
    floor.kept(TABLE),
    floor.no_truncate(TABLE),
    floor.unchanged(TABLE),
    floor.agrees(TABLE, "assessment_id", ASSESSMENT),
    floor.agrees(TABLE, "trial_id", "assessments_trial", "site assessment"),
    signed_is_fixed(),
    floor.trigger(
        f"{TABLE}_follows",
        TABLE,
        "INSERT",
        f"NEW.version <> 1 + COALESCE((SELECT MAX(o.version) FROM {TABLE} o "
        "WHERE o.trial_id = NEW.trial_id AND o.view = NEW.view), 0)",
        "placement: the version does not follow the last one",
    ),
    # SQLite can replace a row without deleting it
    floor.trigger(
        f"{TABLE}_not_replaced",
        TABLE,
        "INSERT",
        f"EXISTS (SELECT 1 FROM {TABLE} o WHERE o.id = NEW.id)",
        "placement: this row is there already",
    ),
)


class Migration(migrations.Migration):
    dependencies = [("assessments", "0010_placement")]
    operations = [floor.apply(GUARDS)]
