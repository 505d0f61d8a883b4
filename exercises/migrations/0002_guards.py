"""What the programme tables refuse by themselves."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
APP = "exercises_"


def issued_is_fixed(table):
    issued = (
        f"EXISTS (SELECT 1 FROM {APP}programme p WHERE p.id = ROW.programme_id "
        "AND p.issued_at IS NOT NULL)"
    )
    return floor.trigger(
        f"{APP}{table}_issued",
        APP + table,
        "INSERT OR UPDATE",
        issued,
        f"{table}: the programme is issued",
    )


GUARDS = floor.joined(
    *(floor.kept(APP + table) for table in ("exercise", "programme", "programmeitem", "advice")),
    floor.agrees(APP + "programme", "assessment_id", "assessments_assessment"),
    floor.agrees(APP + "programmeitem", "programme_id", APP + "programme"),
    floor.agrees(APP + "advice", "programme_id", APP + "programme"),
    floor.unchanged(APP + "programme", "OLD.issued_at IS NOT NULL"),
    issued_is_fixed("programmeitem"),
    issued_is_fixed("advice"),
)


class Migration(migrations.Migration):
    dependencies = [("exercises", "0001_initial"), ("assessments", "0003_guards")]
    operations = [floor.apply(GUARDS)]
