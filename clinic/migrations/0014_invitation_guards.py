"""An invitation is never deleted, and one that was used or withdrawn opens nothing again."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
GUARDS = floor.joined(
    floor.kept("clinic_invitation"),
    floor.unchanged(
        "clinic_invitation", "OLD.used_at IS NOT NULL OR OLD.withdrawn_at IS NOT NULL"
    ),
)


class Migration(migrations.Migration):
    dependencies = [("clinic", "0013_invitations")]
    operations = [floor.apply(GUARDS)]
