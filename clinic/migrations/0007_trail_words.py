from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clinic", "0006_chain_guards"),
    ]

    operations = [
        migrations.AlterField(
            model_name="trailentry",
            name="action",
            field=models.CharField(
                choices=[
                    ("view", "view"),
                    ("create", "create"),
                    ("change", "change"),
                    ("sign", "sign"),
                    ("print", "print"),
                    ("send", "send"),
                    ("search", "search"),
                    ("book", "book"),
                    ("cancel", "cancel"),
                    ("consent", "consent"),
                    ("lift", "lift"),
                    ("load", "load"),
                    ("amend", "amend"),
                    ("export", "export"),
                    ("move", "move"),
                    ("role", "role"),
                    ("sign_in", "sign in"),
                    ("sign_out", "sign out"),
                    ("sign_fail", "sign fail"),
                    ("refuse", "refuse"),
                    ("emergency", "emergency"),
                    ("merge", "merge"),
                    ("unmerge", "unmerge"),
                    ("destroy", "destroy"),
                    ("retain", "retain"),
                    ("import", "import"),
                    ("backup", "backup"),
                    ("restore", "restore"),
                    ("invite", "invite"),
                ],
                max_length=10,
            ),
        ),
    ]
