import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clinic", "0028_limit_guards"),
    ]

    operations = [
        migrations.CreateModel(
            name="RecordLink",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "reason",
                    models.TextField(
                        max_length=1000, verbose_name="how you know that it is one person"
                    ),
                ),
                ("names_compared", models.BooleanField(verbose_name="names compared")),
                ("births_compared", models.BooleanField(verbose_name="dates of birth compared")),
                (
                    "addresses_compared",
                    models.BooleanField(verbose_name="addresses and telephones compared"),
                ),
                (
                    "births_differ",
                    models.BooleanField(default=False, verbose_name="the dates of birth differ"),
                ),
                (
                    "birth_reason",
                    models.TextField(
                        blank=True, max_length=1000, verbose_name="why the dates of birth differ"
                    ),
                ),
                ("joined_at", models.DateTimeField(editable=False)),
                ("parted_at", models.DateTimeField(editable=False, null=True)),
                (
                    "part_reason",
                    models.TextField(
                        blank=True, editable=False, verbose_name="why they are parted"
                    ),
                ),
                (
                    "joined",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="links_as_joined",
                        to="clinic.client",
                    ),
                ),
                (
                    "joined_by",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "kept",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="links_as_kept",
                        to="clinic.client",
                    ),
                ),
                (
                    "parted_by",
                    models.ForeignKey(
                        editable=False,
                        null=True,
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
                "ordering": ["-joined_at", "-pk"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("parted_at__isnull", True)),
                        fields=("site", "joined"),
                        name="link_once_open",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("kept", models.F("joined")), _negated=True),
                        name="link_of_two",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("addresses_compared", True),
                            ("births_compared", True),
                            ("names_compared", True),
                            models.Q(("reason", ""), _negated=True),
                        ),
                        name="link_compared",
                        violation_error_message="Compare all three, and say how you know.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("birth_reason", ""), ("births_differ", False)),
                            models.Q(
                                ("births_differ", True),
                                models.Q(("birth_reason", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="link_births_explained",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("part_reason", ""),
                                ("parted_at__isnull", True),
                                ("parted_by__isnull", True),
                            ),
                            models.Q(
                                ("parted_at__isnull", False),
                                ("parted_by__isnull", False),
                                models.Q(("part_reason", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="link_parted_whole",
                    ),
                ],
            },
        ),
    ]
