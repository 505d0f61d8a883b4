import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("assessments", "0009_error_and_camera"),
        ("clinic", "0012_reminder_guards"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="Placement",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "view",
                    models.CharField(
                        choices=[("side", "side"), ("back", "back"), ("front", "front")],
                        max_length=5,
                    ),
                ),
                ("version", models.PositiveIntegerField(editable=False)),
                ("content", models.TextField()),
                ("moments", models.JSONField(blank=True, default=list)),
                ("sha256", models.CharField(max_length=64)),
                ("saved_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["trial", "view", "-version"],
            },
        ),
        migrations.AddField(
            model_name="observation",
            name="steps",
            field=models.PositiveIntegerField(blank=True, editable=False, null=True),
        ),
        migrations.AddConstraint(
            model_name="observation",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("steps__isnull", True),
                    models.Q(("steps__gte", 1), ("value__isnull", False)),
                    _connector="OR",
                ),
                name="observation_steps_of_value",
                violation_error_message="A mean is of one reading or more.",
            ),
        ),
        migrations.AddField(
            model_name="placement",
            name="assessment",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="placements",
                to="assessments.assessment",
            ),
        ),
        migrations.AddField(
            model_name="placement",
            name="saved_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="placement",
            name="site",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinic.site",
            ),
        ),
        migrations.AddField(
            model_name="placement",
            name="trial",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="placements",
                to="assessments.trial",
            ),
        ),
        migrations.AddConstraint(
            model_name="placement",
            constraint=models.UniqueConstraint(
                fields=("site", "trial", "view", "version"), name="placement_version_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="placement",
            constraint=models.CheckConstraint(
                condition=models.Q(("view__in", ["side", "back", "front"])),
                name="placement_view_word",
            ),
        ),
    ]
