"""When an appointment was cancelled; so far its last change was just that."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("clinic", "0023_retention_guards")]
    operations = [
        migrations.AddField(
            "appointment",
            "cancelled_at",
            models.DateTimeField(blank=True, editable=False, null=True),
        ),
        migrations.RunSQL(
            "UPDATE clinic_appointment SET cancelled_at = changed_at WHERE state = 'cancelled'",
            migrations.RunSQL.noop,
        ),
    ]
