"""What a signed assessment rests on stays there: no answer is moved away, no date is changed.

The guards of 0003 look at the history or screening that an answer comes to, not at the one that
it leaves, and not at the rows of these themselves.
"""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
APP = "assessments_"


def signed_rests_on(key, row):
    return (
        f"EXISTS (SELECT 1 FROM {APP}assessment a WHERE a.{key}_id = {row} "
        "AND a.signed_at IS NOT NULL)"
    )


def stays(table, key):
    return floor.trigger(
        f"{APP}{table}_stays",
        APP + table,
        f"UPDATE OF {key}_id",
        signed_rests_on(key, f"OLD.{key}_id"),
        f"{table}: a signed assessment rests on it",
    )


GUARDS = floor.joined(
    stays("historyanswer", "history"),
    stays("screeninganswer", "screening"),
    floor.unchanged(APP + "runninghistory", signed_rests_on("history", "OLD.id")),
    # its version counts lifts as well, which may be entered after the signing
    floor.unchanged(
        APP + "screening",
        signed_rests_on("screening", "OLD.id"),
        "site_id, client_id, screened_on, screened_by_id",
    ),
)


class Migration(migrations.Migration):
    dependencies = [("assessments", "0007_basis_guards")]
    operations = [floor.apply(GUARDS)]
