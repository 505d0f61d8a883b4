import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clinic", "0007_trail_words"),
    ]

    operations = [
        migrations.CreateModel(
            name="HoursChange",
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
                        choices=[("closed", "closed"), ("open", "open")], max_length=6
                    ),
                ),
                ("first_day", models.DateField(verbose_name="from")),
                ("last_day", models.DateField(verbose_name="to, this day included")),
                (
                    "opens",
                    models.TimeField(
                        blank=True,
                        help_text="Empty: the whole day.",
                        null=True,
                        verbose_name="from",
                    ),
                ),
                ("closes", models.TimeField(blank=True, null=True, verbose_name="until")),
                (
                    "why",
                    models.CharField(blank=True, help_text="Everybody reads it.", max_length=60),
                ),
            ],
            options={
                "ordering": ["first_day", "clinician", "opens"],
            },
        ),
        migrations.CreateModel(
            name="KeptTime",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("starts_at", models.DateTimeField()),
                ("clear_at", models.DateTimeField()),
                ("kept_until", models.DateTimeField()),
            ],
            options={
                "ordering": ["starts_at"],
            },
        ),
        migrations.CreateModel(
            name="WaitingEntry",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("earliest", models.DateField(blank=True, null=True, verbose_name="not before")),
                ("latest", models.DateField(blank=True, null=True, verbose_name="not after")),
                (
                    "weekdays",
                    models.CharField(blank=True, help_text="Digits, 0 is Monday.", max_length=7),
                ),
                ("opens", models.TimeField(blank=True, null=True, verbose_name="from")),
                ("closes", models.TimeField(blank=True, null=True, verbose_name="until")),
                ("since", models.DateTimeField()),
                (
                    "state",
                    models.CharField(
                        choices=[("waiting", "waiting"), ("booked", "booked"), ("ended", "ended")],
                        default="waiting",
                        max_length=8,
                    ),
                ),
            ],
            options={
                "verbose_name_plural": "waiting entries",
            },
        ),
        migrations.AddField(
            model_name="appointment",
            name="clear_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.AddField(
            model_name="appointment",
            name="second_time",
            field=models.BooleanField(
                default=False, help_text="Of a time that the clocks show twice: the second."
            ),
        ),
        migrations.AddField(
            model_name="appointmentkind",
            name="clear_minutes",
            field=models.PositiveSmallIntegerField(
                default=0,
                help_text="Nobody else is booked in them.",
                verbose_name="minutes to clear the room",
            ),
        ),
        migrations.AddField(
            model_name="site",
            name="holiday_region",
            field=models.CharField(
                blank=True,
                help_text="Country and part by ISO 3166, such as GB-ENG; empty: none are kept.",
                max_length=10,
                verbose_name="public holidays of",
            ),
        ),
        migrations.AddConstraint(
            model_name="appointment",
            constraint=models.CheckConstraint(
                condition=models.Q(("clear_at__gte", models.F("ends_at"))),
                name="appointment_clear_after_end",
            ),
        ),
        migrations.AddConstraint(
            model_name="appointmentkind",
            constraint=models.CheckConstraint(
                condition=models.Q(("clear_minutes__lte", 60)),
                name="appointment_kind_clearing",
                violation_error_message="Clearing the room takes at most 60 minutes.",
            ),
        ),
        migrations.AddField(
            model_name="hourschange",
            name="clinician",
            field=models.ForeignKey(
                blank=True,
                help_text="Empty: the whole site.",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="hours_changes",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="hourschange",
            name="site",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinic.site",
            ),
        ),
        migrations.AddField(
            model_name="kepttime",
            name="client",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE,
                related_name="kept_times",
                to="clinic.client",
            ),
        ),
        migrations.AddField(
            model_name="kepttime",
            name="clinician",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="kepttime",
            name="kept_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="kepttime",
            name="kind",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinic.appointmentkind",
            ),
        ),
        migrations.AddField(
            model_name="kepttime",
            name="room",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="+", to="clinic.room"
            ),
        ),
        migrations.AddField(
            model_name="kepttime",
            name="site",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinic.site",
            ),
        ),
        migrations.AddField(
            model_name="waitingentry",
            name="asked_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="waitingentry",
            name="client",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="waiting_entries",
                to="clinic.client",
            ),
        ),
        migrations.AddField(
            model_name="waitingentry",
            name="clinician",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="waitingentry",
            name="kind",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinic.appointmentkind",
            ),
        ),
        migrations.AddField(
            model_name="waitingentry",
            name="site",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinic.site",
            ),
        ),
        migrations.AddConstraint(
            model_name="hourschange",
            constraint=models.CheckConstraint(
                condition=models.Q(("last_day__gte", models.F("first_day"))),
                name="hours_change_days",
                violation_error_message="The last day lies before the first.",
            ),
        ),
        migrations.AddConstraint(
            model_name="hourschange",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("closes__isnull", True), ("opens__isnull", True)),
                    models.Q(
                        ("closes__gt", models.F("opens")),
                        ("closes__isnull", False),
                        ("opens__isnull", False),
                    ),
                    _connector="OR",
                ),
                name="hours_change_times",
                violation_error_message="Give both times, the later one second, or neither.",
            ),
        ),
        migrations.AddConstraint(
            model_name="hourschange",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("kind", "open"), _negated=True),
                    ("opens__isnull", False),
                    _connector="OR",
                ),
                name="hours_change_open_has_times",
                violation_error_message="Say from when until when it is open.",
            ),
        ),
        migrations.AddConstraint(
            model_name="hourschange",
            constraint=models.CheckConstraint(
                condition=models.Q(("kind__in", ["closed", "open"])), name="hours_change_word"
            ),
        ),
        migrations.AddConstraint(
            model_name="kepttime",
            constraint=models.CheckConstraint(
                condition=models.Q(("clear_at__gt", models.F("starts_at"))), name="kept_time_order"
            ),
        ),
        migrations.AddConstraint(
            model_name="kepttime",
            constraint=models.UniqueConstraint(
                fields=("site", "client", "kept_by"), name="kept_time_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="waitingentry",
            constraint=models.UniqueConstraint(
                condition=models.Q(("state", "waiting")),
                fields=("site", "client", "kind"),
                name="waiting_once",
                violation_error_message="This client waits for that already.",
            ),
        ),
        migrations.AddConstraint(
            model_name="waitingentry",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("earliest__isnull", True),
                    ("latest__isnull", True),
                    ("latest__gte", models.F("earliest")),
                    _connector="OR",
                ),
                name="waiting_days",
                violation_error_message="The last day lies before the first.",
            ),
        ),
        migrations.AddConstraint(
            model_name="waitingentry",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("closes__isnull", True), ("opens__isnull", True)),
                    models.Q(
                        ("closes__gt", models.F("opens")),
                        ("closes__isnull", False),
                        ("opens__isnull", False),
                    ),
                    _connector="OR",
                ),
                name="waiting_times",
                violation_error_message="Give both times, the later one second, or neither.",
            ),
        ),
        migrations.AddConstraint(
            model_name="waitingentry",
            constraint=models.CheckConstraint(
                condition=models.Q(("state__in", ["waiting", "booked", "ended"])),
                name="waiting_state_word",
            ),
        ),
    ]
