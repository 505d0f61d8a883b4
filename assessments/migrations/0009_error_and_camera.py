from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("assessments", "0008_basis_kept_guards"),
        ("clinic", "0010_hours_guards"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name="observation",
            name="sd",
            field=models.DecimalField(
                blank=True, decimal_places=4, editable=False, max_digits=9, null=True
            ),
        ),
        migrations.AddField(
            model_name="trial",
            name="camera",
            field=models.CharField(
                blank=True,
                choices=[("left", "left"), ("right", "right")],
                help_text="Side view only.",
                max_length=5,
                verbose_name="camera stood on the runner's",
            ),
        ),
        migrations.AddConstraint(
            model_name="observation",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("sd__isnull", True),
                    models.Q(("sd__gte", 0), ("value__isnull", False)),
                    _connector="OR",
                ),
                name="observation_sd_of_value",
                violation_error_message="An error is 0 or more and belongs to a value.",
            ),
        ),
        migrations.AddConstraint(
            model_name="trial",
            constraint=models.CheckConstraint(
                condition=models.Q(("camera__in", ["", "left", "right"])),
                name="trial_camera_side",
                violation_error_message="The camera stood on the left or the right.",
            ),
        ),
    ]
