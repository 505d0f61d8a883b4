from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("clinic", "0016_consent_footing")]

    operations = [
        migrations.AddConstraint(
            model_name="consent",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("given_as__in", ["client", "parent", "guardian", "authority", "unstated"])
                ),
                name="consent_footing_word",
            ),
        ),
        migrations.AddConstraint(
            model_name="consent",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("given_as", "client"), ("given_by", "")),
                    models.Q(
                        models.Q(("given_as", "client"), _negated=True),
                        models.Q(("given_by", ""), _negated=True),
                    ),
                    _connector="OR",
                ),
                name="consent_giver_named",
                violation_error_message="Name who answered, and on what footing.",
            ),
        ),
        migrations.AddConstraint(
            model_name="consent",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("text_version", "1"), models.Q(("text", ""), _negated=True), _connector="OR"
                ),
                name="consent_text_kept",
            ),
        ),
    ]
