"""A cancelled appointment has the time at which it was cancelled, and no other has one."""

from django.db import migrations, models
from django.db.models import Q


class Migration(migrations.Migration):
    dependencies = [("clinic", "0024_cancelled_at")]
    operations = [
        migrations.AddConstraint(
            "appointment",
            models.CheckConstraint(
                name="appointment_cancelled_has_time",
                condition=Q(state="cancelled", cancelled_at__isnull=False)
                | (~Q(state="cancelled") & Q(cancelled_at__isnull=True)),
            ),
        ),
    ]
