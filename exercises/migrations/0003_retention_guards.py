"""Rows of programmes go with the whole record only."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
ends = import_module("clinic.migrations.0023_retention_guards")
APP = "exercises_"
ASSESSMENT = "SELECT a.client_id FROM assessments_assessment a WHERE a.id = "
OF_PROGRAMME = (
    f"({ASSESSMENT}(SELECT p.assessment_id FROM {APP}programme p WHERE p.id = OLD.programme_id))"
)
GOES = {
    APP + "programme": f"({ASSESSMENT}OLD.assessment_id)",
    APP + "programmeitem": OF_PROGRAMME,
    APP + "advice": OF_PROGRAMME,
}
GUARDS = floor.joined(*(ends.kept_until_destroyed(*one) for one in GOES.items()))
BEFORE = floor.joined(*(floor.kept(table) for table in GOES))


class Migration(migrations.Migration):
    dependencies = [
        ("exercises", "0002_guards"),
        ("clinic", "0023_retention_guards"),
        ("assessments", "0013_retention_guards"),
    ]
    operations = [ends.replace(GUARDS, BEFORE)]
