"""Reminders are kept as they were made; a calendar address is revoked, never given out anew."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")

GUARDS = floor.joined(
    floor.kept("clinic_reminder"),
    floor.unchanged("clinic_reminder"),
    floor.agrees("clinic_reminder", "client_id", "clinic_client"),
    floor.agrees("clinic_reminder", "reassessment_id", "clinic_reassessment", "site client"),
    floor.unchanged("clinic_calendarfeed", "OLD.revoked_at IS NOT NULL"),
)


class Migration(migrations.Migration):
    dependencies = [("clinic", "0011_reminders")]
    operations = [floor.apply(GUARDS)]
