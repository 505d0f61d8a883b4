"""A retraction stands for good, and nothing is added to or changed in what was retracted."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
ends = import_module("clinic.migrations.0023_retention_guards")
APP = "assessments_"
TABLE, PARENT = APP + "retraction", APP + "assessment"
OF_ASSESSMENT = ("trial", "observation", "testresult", "scorevalue", "finding", "placement")
LETTER = "('assessment-' || r.assessment_id || '-')"  # how the key of a letter about it begins
MESSAGE = "the assessment is retracted"


def retracted(key):
    """SQL: the assessment of this key is retracted."""
    return f"EXISTS (SELECT 1 FROM {TABLE} r WHERE r.assessment_id = {key})"


GUARDS = floor.joined(
    ends.kept_until_destroyed(
        TABLE, f"(SELECT p.client_id FROM {PARENT} p WHERE p.id = OLD.assessment_id)"
    ),
    floor.no_truncate(TABLE),
    floor.unchanged(TABLE),
    floor.agrees(TABLE, "assessment_id", PARENT),
    # SQLite can replace a row without deleting it
    floor.trigger(
        f"{TABLE}_not_replaced",
        TABLE,
        "INSERT",
        f"EXISTS (SELECT 1 FROM {TABLE} r WHERE r.id = NEW.id "
        "OR r.assessment_id = NEW.assessment_id)",
        f"{TABLE}: this row is there already",
    ),
    # on PostgreSQL after the guard that waits for the assessment's lock: names go by the alphabet
    *(
        floor.trigger(
            f"retracted_{table}",
            APP + table,
            "INSERT OR UPDATE",
            retracted("ROW.assessment_id"),
            f"{table}: {MESSAGE}",
        )
        for table in OF_ASSESSMENT
    ),
    floor.trigger(
        "retracted_addendum",
        APP + "addendum",
        "INSERT",
        retracted("NEW.assessment_id"),
        f"addendum: {MESSAGE}",
    ),
    floor.trigger(
        "retracted_paper",
        "clinic_paper",
        "UPDATE OF state",
        f"NEW.state = 'signed' AND EXISTS (SELECT 1 FROM {TABLE} r "
        f"WHERE substr(NEW.about, 1, length({LETTER})) = {LETTER})",
        f"paper: {MESSAGE}",
    ),
    floor.trigger(
        "retracted_assessment", PARENT, "UPDATE", retracted("OLD.id"), f"assessment: {MESSAGE}"
    ),
)


class Migration(migrations.Migration):
    dependencies = [("assessments", "0014_retraction")]
    operations = [floor.apply(GUARDS)]
