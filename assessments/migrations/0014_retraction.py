"""An assessment can be taken out of what counts."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("assessments", "0013_retention_guards"),
        ("clinic", "0028_limit_guards"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="Retraction",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "cause",
                    models.CharField(
                        choices=[
                            ("wrong_record", "it is about another person"),
                            ("mistake", "it was opened by mistake"),
                        ],
                        max_length=12,
                        verbose_name="why it does not count",
                    ),
                ),
                ("reason", models.TextField(max_length=1000, verbose_name="what happened")),
                ("retracted_at", models.DateTimeField(editable=False)),
                (
                    "assessment",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="retraction",
                        to="assessments.assessment",
                    ),
                ),
                (
                    "author",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinic.site",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("cause__in", ["wrong_record", "mistake"])),
                        name="retraction_cause_word",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("reason", ""), _negated=True),
                        name="retraction_says_why",
                        violation_error_message="Say what happened.",
                    ),
                ],
            },
        ),
    ]
