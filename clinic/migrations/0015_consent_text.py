from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clinic", "0014_invitation_guards"),
    ]

    operations = [
        migrations.AddField(
            model_name="consent",
            name="given_as",
            field=models.CharField(
                choices=[
                    ("client", "the client"),
                    ("parent", "a parent"),
                    ("guardian", "a guardian"),
                    ("authority", "somebody with legal authority"),
                    ("unstated", "somebody on a footing that was not asked"),
                ],
                default="client",
                max_length=9,
                verbose_name="answered by",
            ),
        ),
        migrations.AddField(
            model_name="consent",
            name="text",
            field=models.TextField(blank=True, editable=False),
        ),
        migrations.AlterField(
            model_name="consent",
            name="given_by",
            field=models.CharField(
                blank=True,
                help_text="If not the client.",
                max_length=120,
                verbose_name="name of who answered",
            ),
        ),
    ]
