"""The day of death, legal holds, reviews before destruction, and what stays of a record."""

import datetime

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clinic", "0021_request_guards"),
    ]

    operations = [
        migrations.CreateModel(
            name="Destruction",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "basis",
                    models.CharField(
                        choices=[
                            ("over", "the period is over"),
                            ("asked", "the client asks for it"),
                            ("mistake", "registered by mistake"),
                            ("again", "came back with an old backup"),
                        ],
                        max_length=8,
                        verbose_name="why it may go",
                    ),
                ),
                ("care_ended", models.DateField()),
                ("keep_until", models.DateField()),
                ("rule", models.CharField(max_length=60)),
                ("reason", models.CharField(max_length=300)),
                ("reviewed_at", models.DateTimeField()),
                (
                    "decision",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("refused", "not destroyed"),
                            ("kept", "kept longer"),
                            ("confirmed", "confirmed"),
                        ],
                        max_length=9,
                    ),
                ),
                ("decided_at", models.DateTimeField(blank=True, null=True)),
                ("decision_reason", models.CharField(blank=True, max_length=300)),
                ("keep_to", models.DateField(blank=True, null=True)),
                ("done_on", models.DateField(blank=True, null=True)),
                (
                    "counts",
                    models.JSONField(
                        blank=True, default=dict, help_text="Rows that went, by table."
                    ),
                ),
            ],
            options={
                "ordering": ["-reviewed_at", "-pk"],
            },
        ),
        migrations.CreateModel(
            name="LegalHold",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "reason",
                    models.CharField(help_text="What the record is needed for.", max_length=300),
                ),
                ("since", models.DateField()),
                ("ended_on", models.DateField(blank=True, null=True)),
                (
                    "end_reason",
                    models.CharField(blank=True, max_length=300, verbose_name="why it ends"),
                ),
            ],
            options={
                "ordering": ["-since", "-pk"],
            },
        ),
        migrations.AddField(
            model_name="client",
            name="destroyed_on",
            field=models.DateField(editable=False, null=True),
        ),
        migrations.AddField(
            model_name="client",
            name="died_on",
            field=models.DateField(
                blank=True,
                help_text="Cancels what is booked and ends what is due. Nobody is reminded any more.",
                null=True,
            ),
        ),
        migrations.AddConstraint(
            model_name="client",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("died_on__isnull", True),
                    ("died_on__gte", models.F("birth_date")),
                    _connector="OR",
                ),
                name="client_died_after_birth",
                violation_error_message="The day of death lies before the birth.",
            ),
        ),
        migrations.AddConstraint(
            model_name="client",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("destroyed_on__isnull", True),
                    models.Q(
                        ("address", ""),
                        ("allergies", ""),
                        ("allergies_known", "not_asked"),
                        ("birth_date", datetime.date(1900, 1, 1)),
                        ("communication_needs", ""),
                        ("died_on", None),
                        ("doctor", None),
                        ("document_format", "standard"),
                        ("email", ""),
                        ("family_name", "Destroyed record"),
                        ("given_names", ""),
                        ("language", ""),
                        ("medicines", ""),
                        ("medicines_known", "not_asked"),
                        ("next_of_kin", ""),
                        ("preferred_channel", "letter"),
                        ("preferred_name", ""),
                        ("search_text", ""),
                        ("sex_for_norms", ""),
                        ("telephone", ""),
                    ),
                    _connector="OR",
                ),
                name="client_destroyed_emptied",
            ),
        ),
        migrations.AddField(
            model_name="destruction",
            name="client",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="destructions",
                to="clinic.client",
            ),
        ),
        migrations.AddField(
            model_name="destruction",
            name="decided_by",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="destruction",
            name="reviewed_by",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="destruction",
            name="site",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinic.site",
            ),
        ),
        migrations.AddField(
            model_name="legalhold",
            name="client",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="legal_holds",
                to="clinic.client",
            ),
        ),
        migrations.AddField(
            model_name="legalhold",
            name="ended_by",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="legalhold",
            name="set_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="legalhold",
            name="site",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinic.site",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.UniqueConstraint(
                condition=models.Q(("decision", ""), models.Q(("basis", "again"), _negated=True)),
                fields=("site", "client"),
                name="destruction_one_waiting",
                violation_error_message="This record was reviewed: a second person decides.",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.UniqueConstraint(
                condition=models.Q(("done_on__isnull", False)),
                fields=("site", "client"),
                name="destruction_once",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.CheckConstraint(
                condition=models.Q(("basis__in", ["over", "asked", "mistake", "again"])),
                name="destruction_basis_word",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.CheckConstraint(
                condition=models.Q(("decision__in", ["", "refused", "kept", "confirmed"])),
                name="destruction_decision_word",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.CheckConstraint(
                condition=models.Q(("reason", ""), _negated=True),
                name="destruction_reasoned",
                violation_error_message="Say why.",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("basis", "again"),
                        ("decided_by__isnull", True),
                        ("reviewed_by__isnull", True),
                    ),
                    models.Q(
                        models.Q(("basis", "again"), _negated=True), ("reviewed_by__isnull", False)
                    ),
                    _connector="OR",
                ),
                name="destruction_reviewed",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("basis", "again"),
                    models.Q(
                        ("decided_at__isnull", True),
                        ("decided_by__isnull", True),
                        ("decision", ""),
                    ),
                    models.Q(
                        models.Q(("decision", ""), _negated=True),
                        ("decided_at__isnull", False),
                        ("decided_by__isnull", False),
                    ),
                    _connector="OR",
                ),
                name="destruction_decided_whole",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("decision", "confirmed"), _negated=True),
                    ("basis", "again"),
                    models.Q(("decided_by", models.F("reviewed_by")), _negated=True),
                    _connector="OR",
                ),
                name="destruction_by_two",
                violation_error_message="A second person confirms: you reviewed this record.",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("decision__in", ["", "confirmed"]),
                    models.Q(("decision_reason", ""), _negated=True),
                    _connector="OR",
                ),
                name="destruction_declined_with_reason",
                violation_error_message="Say why.",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("decision", "kept"), ("keep_to__gt", models.F("keep_until"))),
                    models.Q(
                        models.Q(("decision", "kept"), _negated=True), ("keep_to__isnull", True)
                    ),
                    _connector="OR",
                ),
                name="destruction_kept_to",
                violation_error_message="Give a day after the end of the period.",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("done_on__isnull", True), ("decision", "confirmed"), _connector="OR"
                ),
                name="destruction_done_confirmed",
            ),
        ),
        migrations.AddConstraint(
            model_name="destruction",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("done_on__isnull", True),
                    ("done_on__gt", models.F("keep_until")),
                    ("basis__in", ["mistake", "again"]),
                    _connector="OR",
                ),
                name="destruction_after_period",
                violation_error_message="The period still runs.",
            ),
        ),
        migrations.AddConstraint(
            model_name="legalhold",
            constraint=models.UniqueConstraint(
                condition=models.Q(("ended_on__isnull", True)),
                fields=("site", "client"),
                name="legal_hold_one_open",
                violation_error_message="A legal hold stands already: end that one first.",
            ),
        ),
        migrations.AddConstraint(
            model_name="legalhold",
            constraint=models.CheckConstraint(
                condition=models.Q(("reason", ""), _negated=True),
                name="legal_hold_reasoned",
                violation_error_message="Say what the record is needed for.",
            ),
        ),
        migrations.AddConstraint(
            model_name="legalhold",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("ended_on__isnull", True),
                    ("ended_on__gte", models.F("since")),
                    _connector="OR",
                ),
                name="legal_hold_ends_after_start",
                violation_error_message="The legal hold ends before it starts.",
            ),
        ),
        migrations.AddConstraint(
            model_name="legalhold",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("end_reason", ""), ("ended_by__isnull", True), ("ended_on__isnull", True)
                    ),
                    models.Q(
                        ("ended_by__isnull", False),
                        ("ended_on__isnull", False),
                        models.Q(("end_reason", ""), _negated=True),
                    ),
                    _connector="OR",
                ),
                name="legal_hold_ended_whole",
                violation_error_message="Say who ends the legal hold and why.",
            ),
        ),
    ]
