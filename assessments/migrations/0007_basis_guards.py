"""An answer of a history or a screening and a signature wait for each other on PostgreSQL.

The guard of 0003 looks whether a signed assessment rests on the answers; a signing that is not
yet committed was not seen. The row that both have in common is that of the history or of the
screening: an answer shares it, a signature takes it. SQLite has one writer at a time.
"""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
before = import_module("assessments.migrations.0003_guards")
PARENTS = {"historyanswer": ("history", "runninghistory"), "screeninganswer": ("screening",) * 2}


def basis_is_fixed(table, key, parent):
    name = f"{before.APP}{table}_signed"
    on, (function, create) = before.GUARDS["postgresql"][name]
    # a statement of its own: the next one then sees what was committed while this one waited
    lock = f"PERFORM 1 FROM {before.APP}{parent} p WHERE p.id = NEW.{key}_id FOR SHARE; "
    body = function.replace("BEGIN IF", f"BEGIN {lock}IF", 1)
    return {"sqlite": {}, "postgresql": {name: (on, [body, create])}}


GUARDS = floor.joined(*(basis_is_fixed(table, *parent) for table, parent in PARENTS.items()))


def bodies(guards):
    """Functions only: the triggers that call them stand already."""

    def replace(apps, schema_editor):
        if schema_editor.connection.vendor == "postgresql":
            for name in GUARDS["postgresql"]:
                schema_editor.execute(guards["postgresql"][name][1][0])

    return replace


class Migration(migrations.Migration):
    dependencies = [("assessments", "0006_signing_guards")]
    operations = [migrations.RunPython(bodies(GUARDS), bodies(before.GUARDS))]
