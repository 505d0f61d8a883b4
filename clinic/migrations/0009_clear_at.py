"""Appointments made before there was time to clear a room end when they end."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("clinic", "0008_hours")]
    operations = [
        migrations.RunSQL(
            "UPDATE clinic_appointment SET clear_at = ends_at WHERE clear_at IS NULL",
            migrations.RunSQL.noop,
        ),
        migrations.AlterField("appointment", "clear_at", models.DateTimeField()),
    ]
