import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clinic", "0026_cancel_guards"),
    ]

    operations = [
        migrations.CreateModel(
            name="Restriction",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "reason",
                    models.CharField(
                        help_text="Whoever opens the record may read it.",
                        max_length=300,
                        verbose_name="why",
                    ),
                ),
                ("since", models.DateTimeField()),
                ("ended_at", models.DateTimeField(null=True)),
                (
                    "end_reason",
                    models.CharField(blank=True, max_length=300, verbose_name="why it ends"),
                ),
                (
                    "client",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="restrictions",
                        to="clinic.client",
                    ),
                ),
                (
                    "ended_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "set_by",
                    models.ForeignKey(
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
                "ordering": ["-since", "-pk"],
            },
        ),
        migrations.CreateModel(
            name="EmergencyOpening",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("reason", models.CharField(max_length=300, verbose_name="why")),
                ("opened_at", models.DateTimeField()),
                ("ends_at", models.DateTimeField()),
                ("closed_at", models.DateTimeField(null=True)),
                ("owner_seen_at", models.DateTimeField(null=True)),
                ("owner_word", models.CharField(blank=True, max_length=300)),
                ("manager_seen_at", models.DateTimeField(null=True)),
                ("manager_word", models.CharField(blank=True, max_length=300)),
                (
                    "client",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="openings",
                        to="clinic.client",
                    ),
                ),
                (
                    "manager_seen_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "owner",
                    models.ForeignKey(
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
                    "staff",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="openings",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "restriction",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="openings",
                        to="clinic.restriction",
                    ),
                ),
            ],
            options={
                "ordering": ["-opened_at", "-pk"],
            },
        ),
        migrations.CreateModel(
            name="Team",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("name", models.CharField(max_length=60, verbose_name="name of the team")),
                ("closed_at", models.DateTimeField(editable=False, null=True)),
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
                "ordering": ["name"],
            },
        ),
        migrations.CreateModel(
            name="RestrictionLine",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("is_owner", models.BooleanField(default=False)),
                ("since", models.DateTimeField()),
                ("until", models.DateTimeField(null=True)),
                ("seen_at", models.DateTimeField(null=True, verbose_name="end seen by the owner")),
                (
                    "ended_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "named_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "restriction",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="lines",
                        to="clinic.restriction",
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
                    "staff",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="restriction_lines",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "team",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="restriction_lines",
                        to="clinic.team",
                    ),
                ),
            ],
            options={
                "ordering": ["-is_owner", "since", "pk"],
            },
        ),
        migrations.CreateModel(
            name="TeamMember",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("since", models.DateTimeField()),
                ("until", models.DateTimeField(null=True)),
                (
                    "added_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "ended_by",
                    models.ForeignKey(
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
                    "staff",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="team_memberships",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "team",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="members",
                        to="clinic.team",
                    ),
                ),
            ],
            options={
                "ordering": ["since", "pk"],
            },
        ),
        migrations.AddConstraint(
            model_name="restriction",
            constraint=models.UniqueConstraint(
                condition=models.Q(("ended_at__isnull", True)),
                fields=("site", "client"),
                name="restriction_one_open",
                violation_error_message="This record is restricted already: look at it again.",
            ),
        ),
        migrations.AddConstraint(
            model_name="restriction",
            constraint=models.CheckConstraint(
                condition=models.Q(("reason", ""), _negated=True),
                name="restriction_reason_given",
                violation_error_message="Say why the record is restricted.",
            ),
        ),
        migrations.AddConstraint(
            model_name="restriction",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("ended_at__isnull", True), ("ended_by__isnull", True)),
                    models.Q(
                        ("ended_at__gte", models.F("since")),
                        ("ended_at__isnull", False),
                        ("ended_by__isnull", False),
                    ),
                    _connector="OR",
                ),
                name="restriction_dated",
            ),
        ),
        migrations.AddConstraint(
            model_name="restriction",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("end_reason", ""), ("ended_at__isnull", True)),
                    models.Q(
                        ("ended_at__isnull", False), models.Q(("end_reason", ""), _negated=True)
                    ),
                    _connector="OR",
                ),
                name="restriction_end_reason_given",
                violation_error_message="Say why the restriction ends.",
            ),
        ),
        migrations.AddIndex(
            model_name="emergencyopening",
            index=models.Index(fields=["staff", "ends_at"], name="opening_running"),
        ),
        migrations.AddConstraint(
            model_name="emergencyopening",
            constraint=models.CheckConstraint(
                condition=models.Q(("reason", ""), _negated=True),
                name="opening_reason_given",
                violation_error_message="Say why the record has to be opened now.",
            ),
        ),
        migrations.AddConstraint(
            model_name="emergencyopening",
            constraint=models.CheckConstraint(
                condition=models.Q(("ends_at__gt", models.F("opened_at"))),
                name="opening_ends_after_start",
            ),
        ),
        migrations.AddConstraint(
            model_name="emergencyopening",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("closed_at__isnull", True),
                    models.Q(
                        ("closed_at__gte", models.F("opened_at")),
                        ("closed_at__lte", models.F("ends_at")),
                    ),
                    _connector="OR",
                ),
                name="opening_closed_within",
            ),
        ),
        migrations.AddConstraint(
            model_name="emergencyopening",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("owner_seen_at__isnull", True), ("owner_word", "")),
                    models.Q(
                        ("owner__isnull", False),
                        ("owner_seen_at__isnull", False),
                        models.Q(("owner_word", ""), _negated=True),
                    ),
                    _connector="OR",
                ),
                name="opening_owner_said",
                violation_error_message="Say in a word what you think of it.",
            ),
        ),
        migrations.AddConstraint(
            model_name="emergencyopening",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("manager_seen_at__isnull", True),
                        ("manager_seen_by__isnull", True),
                        ("manager_word", ""),
                    ),
                    models.Q(
                        ("manager_seen_at__isnull", False),
                        ("manager_seen_by__isnull", False),
                        models.Q(("manager_word", ""), _negated=True),
                    ),
                    _connector="OR",
                ),
                name="opening_manager_said",
                violation_error_message="Say in a word what you think of it.",
            ),
        ),
        migrations.AddConstraint(
            model_name="team",
            constraint=models.UniqueConstraint(
                condition=models.Q(("closed_at__isnull", True)),
                fields=("site", "name"),
                name="team_name",
                violation_error_message="A team of this site has this name already.",
            ),
        ),
        migrations.AddConstraint(
            model_name="restrictionline",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("staff__isnull", False), ("team__isnull", True)),
                    models.Q(
                        ("is_owner", False), ("staff__isnull", True), ("team__isnull", False)
                    ),
                    _connector="OR",
                ),
                name="restriction_line_names_one",
            ),
        ),
        migrations.AddConstraint(
            model_name="restrictionline",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("ended_by__isnull", True), ("until__isnull", True)),
                    models.Q(
                        ("ended_by__isnull", False),
                        ("until__gte", models.F("since")),
                        ("until__isnull", False),
                    ),
                    _connector="OR",
                ),
                name="restriction_line_dated",
            ),
        ),
        migrations.AddConstraint(
            model_name="restrictionline",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("seen_at__isnull", True),
                    models.Q(("is_owner", True), ("until__isnull", False)),
                    _connector="OR",
                ),
                name="restriction_line_seen",
            ),
        ),
        migrations.AddConstraint(
            model_name="restrictionline",
            constraint=models.UniqueConstraint(
                condition=models.Q(("is_owner", True), ("until__isnull", True)),
                fields=("restriction",),
                name="restriction_one_owner",
            ),
        ),
        migrations.AddConstraint(
            model_name="restrictionline",
            constraint=models.UniqueConstraint(
                condition=models.Q(("until__isnull", True)),
                fields=("restriction", "staff"),
                name="restriction_person_once",
            ),
        ),
        migrations.AddConstraint(
            model_name="restrictionline",
            constraint=models.UniqueConstraint(
                condition=models.Q(("until__isnull", True)),
                fields=("restriction", "team"),
                name="restriction_team_once",
            ),
        ),
        migrations.AddConstraint(
            model_name="teammember",
            constraint=models.UniqueConstraint(
                condition=models.Q(("until__isnull", True)),
                fields=("team", "staff"),
                name="team_member_once",
            ),
        ),
        migrations.AddConstraint(
            model_name="teammember",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("ended_by__isnull", True), ("until__isnull", True)),
                    models.Q(
                        ("ended_by__isnull", False),
                        ("until__gte", models.F("since")),
                        ("until__isnull", False),
                    ),
                    _connector="OR",
                ),
                name="team_member_dated",
            ),
        ),
    ]
