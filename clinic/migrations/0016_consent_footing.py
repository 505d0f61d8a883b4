"""Answers that name a giver were given before the footing was asked for."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("clinic", "0015_consent_text")]
    operations = [
        migrations.RunSQL(
            "UPDATE clinic_consent SET given_as = 'unstated' WHERE given_by <> ''",
            "UPDATE clinic_consent SET given_as = 'client'",
        )
    ]
