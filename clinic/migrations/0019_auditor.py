"""The sign-in group of the auditor."""

from django.db import migrations


def create(apps, schema_editor):
    apps.get_model("auth", "Group").objects.get_or_create(name="auditor")


def remove(apps, schema_editor):
    apps.get_model("auth", "Group").objects.filter(name="auditor").delete()


class Migration(migrations.Migration):
    dependencies = [("clinic", "0018_consent_guards")]
    operations = [migrations.RunPython(create, remove)]
