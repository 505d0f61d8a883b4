"""An answer on its way and a signature wait for each other on PostgreSQL.

The guard of 0003 looks whether the assessment is signed; a signing that is not yet committed was
not seen, and an answer not yet committed came in after it. SQLite has one writer at a time.
"""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
before = import_module("assessments.migrations.0003_guards")
TABLES = ("trial", "observation", "testresult", "scorevalue", "finding")


def signed_is_fixed(table):
    # the lock is taken on every assessment, signed or not, so that a signing waits
    signed = (
        f"(SELECT a.signed_at FROM {before.APP}assessment a WHERE a.id = ROW.assessment_id "
        "FOR SHARE) IS NOT NULL"
    )
    made = floor.trigger(
        f"{before.APP}{table}_signed",
        before.APP + table,
        "INSERT OR UPDATE",
        signed,
        f"{table}: the assessment is signed",
    )
    return {"sqlite": {}, "postgresql": made["postgresql"]}


GUARDS = floor.joined(*(signed_is_fixed(table) for table in TABLES))


def bodies(guards):
    """Functions only: the triggers that call them stand already."""

    def replace(apps, schema_editor):
        if schema_editor.connection.vendor == "postgresql":
            for name in GUARDS["postgresql"]:
                schema_editor.execute(guards["postgresql"][name][1][0])

    return replace


class Migration(migrations.Migration):
    dependencies = [("assessments", "0005_addendum_guards")]
    operations = [migrations.RunPython(bodies(GUARDS), bodies(before.GUARDS))]
