"""The table of the shared cache, which throttling of sign-in needs."""

from django.core.management import call_command
from django.db import migrations


def create(apps, schema_editor):
    call_command("createcachetable", database=schema_editor.connection.alias, verbosity=0)


def drop(apps, schema_editor):
    schema_editor.execute("DROP TABLE IF EXISTS cache")


class Migration(migrations.Migration):
    dependencies = [("clinic", "0002_guards")]
    operations = [migrations.RunPython(create, drop)]
