"""What was cancelled stays cancelled, at its time and for its reason."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
FIXED = (
    "state, reason, cancelled_at, local_date, local_time, time_zone, second_time, starts_at, "
    "ends_at, clinician_id, room_id, kind_id"
)
GUARDS = floor.trigger(
    "appointment_cancelled_fixed",
    "clinic_appointment",
    f"UPDATE OF {FIXED}",
    "OLD.state = 'cancelled'",
    "appointment: what was cancelled is never changed",
)


class Migration(migrations.Migration):
    dependencies = [("clinic", "0025_cancelled_has_time")]
    operations = [floor.apply(GUARDS)]
