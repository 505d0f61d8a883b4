"""No programme is made or changed for an assessment that was retracted."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
retracted = import_module("assessments.migrations.0015_retraction_guards").retracted
APP = "exercises_"
OF_PROGRAMME = f"(SELECT p.assessment_id FROM {APP}programme p WHERE p.id = ROW.programme_id)"
MESSAGE = "the assessment is retracted"

GUARDS = floor.joined(
    floor.trigger(
        "retracted_programme",
        APP + "programme",
        "INSERT OR UPDATE",
        retracted("ROW.assessment_id"),
        f"programme: {MESSAGE}",
    ),
    *(
        floor.trigger(
            f"retracted_{table}",
            APP + table,
            "INSERT OR UPDATE",
            retracted(OF_PROGRAMME),
            f"{table}: {MESSAGE}",
        )
        for table in ("programmeitem", "advice")
    ),
)


class Migration(migrations.Migration):
    dependencies = [
        ("exercises", "0003_retention_guards"),
        ("assessments", "0015_retraction_guards"),
    ]
    operations = [floor.apply(GUARDS)]
