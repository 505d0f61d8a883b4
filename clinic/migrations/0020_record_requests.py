import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clinic", "0019_auditor"),
    ]

    operations = [
        migrations.CreateModel(
            name="RecordRequest",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("amendment", "an amendment of the record"),
                            ("copy", "a copy of the record"),
                            ("erasure", "erasure"),
                            ("restriction", "a restriction of use"),
                        ],
                        max_length=12,
                        verbose_name="asks for",
                    ),
                ),
                ("received_on", models.DateField(verbose_name="received on")),
                (
                    "manner",
                    models.CharField(
                        choices=[("written", "written"), ("email", "email"), ("spoken", "spoken")],
                        max_length=8,
                        verbose_name="how it came",
                    ),
                ),
                ("words", models.TextField(max_length=4000, verbose_name="the client’s words")),
                ("noted_at", models.DateTimeField(editable=False)),
                ("due_on", models.DateField(editable=False)),
                ("limit_source", models.CharField(editable=False, max_length=200)),
                ("extended_to", models.DateField(editable=False, null=True)),
                ("extended_on", models.DateField(editable=False, null=True)),
                (
                    "extension_reason",
                    models.TextField(blank=True, editable=False, max_length=1000),
                ),
                (
                    "about",
                    models.CharField(
                        default="record", max_length=40, verbose_name="what it is about"
                    ),
                ),
                (
                    "outcome",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("accepted", "accepted"),
                            ("denied", "denied"),
                            ("withdrawn", "withdrawn"),
                        ],
                        max_length=9,
                    ),
                ),
                (
                    "answer",
                    models.TextField(
                        blank=True, max_length=4000, verbose_name="what was done, or why not"
                    ),
                ),
                ("answered_with", models.CharField(blank=True, max_length=40)),
                ("decided_at", models.DateTimeField(editable=False, null=True)),
                (
                    "goes_along",
                    models.BooleanField(
                        default=False, verbose_name="goes along with later letters"
                    ),
                ),
                (
                    "told_on",
                    models.DateField(blank=True, null=True, verbose_name="client told on"),
                ),
                (
                    "statement",
                    models.TextField(
                        blank=True, max_length=4000, verbose_name="statement of disagreement"
                    ),
                ),
                (
                    "statement_on",
                    models.DateField(blank=True, null=True, verbose_name="statement received on"),
                ),
                (
                    "rebuttal",
                    models.TextField(
                        blank=True, max_length=4000, verbose_name="our answer to the statement"
                    ),
                ),
                ("rebutted_on", models.DateField(blank=True, null=True)),
                (
                    "client",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="record_requests",
                        to="clinic.client",
                    ),
                ),
                (
                    "decided_by",
                    models.ForeignKey(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "extended_by",
                    models.ForeignKey(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "noted_by",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "rebutted_by",
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
                (
                    "statement_noted_by",
                    models.ForeignKey(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "ordering": ["-received_on", "-pk"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind__in", ["amendment", "copy", "erasure", "restriction"])
                        ),
                        name="request_kind_word",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("manner__in", ["written", "email", "spoken"])),
                        name="request_manner_word",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("outcome__in", ["", "accepted", "denied", "withdrawn"])
                        ),
                        name="request_outcome_word",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("words", ""), _negated=True),
                        name="request_says_what",
                        violation_error_message="Write down what the client asks for.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("due_on__gte", models.F("received_on"))),
                        name="request_due_after",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("extended_by__isnull", True),
                                ("extended_on__isnull", True),
                                ("extended_to__isnull", True),
                                ("extension_reason", ""),
                            ),
                            models.Q(
                                ("extended_by__isnull", False),
                                ("extended_on__lte", models.F("due_on")),
                                ("extended_to__gt", models.F("due_on")),
                                models.Q(("extension_reason", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="request_extended_whole",
                        violation_error_message="An extension has a reason and is taken in time.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("answer", ""),
                                ("answered_with", ""),
                                ("decided_at__isnull", True),
                                ("decided_by__isnull", True),
                                ("outcome", ""),
                                ("told_on__isnull", True),
                            ),
                            models.Q(
                                models.Q(("outcome", ""), _negated=True),
                                models.Q(("answer", ""), _negated=True),
                                ("decided_at__isnull", False),
                                ("decided_by__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="request_decided_whole",
                        violation_error_message="An answer says what was done, or why not.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("statement", ""),
                                ("statement_noted_by__isnull", True),
                                ("statement_on__isnull", True),
                            ),
                            models.Q(
                                ("kind", "amendment"),
                                ("outcome", "denied"),
                                models.Q(("statement", ""), _negated=True),
                                ("statement_noted_by__isnull", False),
                                ("statement_on__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="request_statement_fits",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("rebuttal", ""),
                                ("rebutted_by__isnull", True),
                                ("rebutted_on__isnull", True),
                            ),
                            models.Q(
                                models.Q(("rebuttal", ""), _negated=True),
                                models.Q(("statement", ""), _negated=True),
                                ("rebutted_by__isnull", False),
                                ("rebutted_on__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="request_rebuttal_fits",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("goes_along", False),
                            models.Q(("kind", "amendment"), ("outcome", "denied")),
                            _connector="OR",
                        ),
                        name="request_goes_along_denied",
                    ),
                ],
            },
        ),
    ]
