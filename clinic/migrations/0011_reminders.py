import uuid

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


def fill(apps, schema_editor):
    """Each appointment gets an id of its own, and an arrival the time of its last change."""
    Appointment = apps.get_model("clinic", "Appointment")
    for row in Appointment.objects.filter(uid=None).only("pk").iterator():
        Appointment.objects.filter(pk=row.pk).update(uid=str(uuid.uuid4()))
    Appointment.objects.filter(state="arrived", arrived_at=None).update(
        arrived_at=models.F("changed_at")
    )


class Migration(migrations.Migration):
    dependencies = [
        ("clinic", "0010_hours_guards"),
    ]

    operations = [
        migrations.CreateModel(
            name="CalendarFeed",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("secret_sha256", models.CharField(max_length=64, unique=True)),
                ("made_at", models.DateTimeField()),
                ("revoked_at", models.DateTimeField(blank=True, null=True)),
            ],
        ),
        migrations.CreateModel(
            name="Reminder",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "channel",
                    models.CharField(
                        choices=[
                            ("letter", "letter"),
                            ("email", "email"),
                            ("telephone", "telephone"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "outcome",
                    models.CharField(
                        choices=[
                            ("sent", "sent"),
                            ("printed", "printed"),
                            ("reached", "reached"),
                            ("not_reached", "not reached"),
                        ],
                        max_length=12,
                    ),
                ),
                ("made_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["made_at"],
            },
        ),
        migrations.RemoveConstraint(
            model_name="consent",
            name="consent_purpose_word",
        ),
        migrations.AddField(
            model_name="appointment",
            name="arrived_at",
            field=models.DateTimeField(blank=True, editable=False, null=True),
        ),
        migrations.AddField("appointment", "uid", models.CharField(max_length=255, null=True)),
        migrations.RunPython(fill, migrations.RunPython.noop),
        migrations.AlterField(
            model_name="appointment",
            name="uid",
            field=models.CharField(
                default=uuid.uuid4,
                editable=False,
                help_text="In calendar files, for good; an imported appointment keeps its own.",
                max_length=255,
            ),
        ),
        migrations.AlterField(
            model_name="consent",
            name="purpose",
            field=models.CharField(
                choices=[
                    ("assessment", "assessment and treatment"),
                    ("filming", "filming for the own care"),
                    ("sharing", "sharing letters with the doctor or referrer"),
                    ("teaching", "showing the film for teaching"),
                    ("reminding", "appointments by e-mail"),
                ],
                max_length=12,
            ),
        ),
        migrations.AddConstraint(
            model_name="appointment",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("state", "arrived"), _negated=True),
                    ("arrived_at__isnull", False),
                    _connector="OR",
                ),
                name="appointment_arrived_has_time",
            ),
        ),
        migrations.AddConstraint(
            model_name="appointment",
            constraint=models.UniqueConstraint(fields=("site", "uid"), name="appointment_uid"),
        ),
        migrations.AddConstraint(
            model_name="consent",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("purpose__in", ["assessment", "filming", "sharing", "teaching", "reminding"])
                ),
                name="consent_purpose_word",
            ),
        ),
        migrations.AddField(
            model_name="calendarfeed",
            name="staff",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="feeds",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="reminder",
            name="client",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="reminders",
                to="clinic.client",
            ),
        ),
        migrations.AddField(
            model_name="reminder",
            name="made_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="reminder",
            name="reassessment",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="reminders",
                to="clinic.reassessment",
            ),
        ),
        migrations.AddField(
            model_name="reminder",
            name="site",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinic.site",
            ),
        ),
        migrations.AddConstraint(
            model_name="calendarfeed",
            constraint=models.UniqueConstraint(
                condition=models.Q(("revoked_at__isnull", True)),
                fields=("staff",),
                name="feed_one_open",
            ),
        ),
        migrations.AddConstraint(
            model_name="reminder",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("channel", "email"), ("outcome", "sent")),
                    models.Q(("channel", "letter"), ("outcome", "printed")),
                    models.Q(
                        ("channel", "telephone"), ("outcome__in", ["reached", "not_reached"])
                    ),
                    _connector="OR",
                ),
                name="reminder_outcome_fits",
            ),
        ),
        migrations.AddConstraint(
            model_name="reminder",
            constraint=models.CheckConstraint(
                condition=models.Q(("channel__in", ["letter", "email", "telephone"])),
                name="reminder_channel_word",
            ),
        ),
    ]
