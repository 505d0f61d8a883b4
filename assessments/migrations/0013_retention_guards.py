"""Rows of assessments go with the whole record only; then none comes back to it."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
ends = import_module("clinic.migrations.0023_retention_guards")
APP = "assessments_"
OWN = ("episode", "runninghistory", "screening", "assessment")
PARENTS = {
    "goal": "episode",
    "historyanswer": "history",
    "screeninganswer": "screening",
    **dict.fromkeys(
        ("trial", "observation", "testresult", "scorevalue", "finding", "addendum", "placement"),
        "assessment",
    ),
}
TABLES = {"history": "runninghistory"}


def of_parent(key):
    table = TABLES.get(key, key)
    return f"(SELECT p.client_id FROM {APP}{table} p WHERE p.id = OLD.{key}_id)"


GOES = {
    **{APP + table: "OLD.client_id" for table in OWN},
    **{APP + table: of_parent(key) for table, key in PARENTS.items()},
}
LOOKED_AT = " OR ".join(
    f"EXISTS (SELECT 1 FROM {APP}{table} a WHERE a.client_id = NEW.client_id)" for table in OWN
)
SINCE = (
    f"EXISTS (SELECT 1 FROM {APP}assessment a WHERE a.client_id = NEW.client_id "
    f"AND a.assessed_on > NEW.care_ended) OR EXISTS (SELECT 1 FROM {APP}screening a "
    "WHERE a.client_id = NEW.client_id AND a.screened_on > NEW.care_ended)"
)
FIRST = floor.joined(
    *(ends.nothing_after(APP + table) for table in OWN),
    floor.trigger(
        f"{ends.DESTRUCTION}_not_assessed",
        ends.DESTRUCTION,
        "UPDATE OF decision",
        f"{ends.CONFIRMING} AND ({SINCE})",
        f"{ends.DESTRUCTION}: the client was assessed after the review",
    ),
    floor.trigger(
        f"{ends.DESTRUCTION}_no_mistake",
        ends.DESTRUCTION,
        "UPDATE OF decision",
        f"{ends.CONFIRMING} AND NEW.basis = 'mistake' AND ({LOOKED_AT})",
        f"{ends.DESTRUCTION}: the record holds clinical rows",
    ),
)
AGAIN = floor.joined(*(ends.kept_until_destroyed(*one) for one in GOES.items()))
GUARDS = floor.joined(FIRST, AGAIN)
BEFORE = floor.joined(*(floor.kept(table) for table in GOES))


class Migration(migrations.Migration):
    dependencies = [
        ("assessments", "0012_consent_guards"),
        ("clinic", "0023_retention_guards"),
    ]
    operations = [floor.apply(FIRST), ends.replace(AGAIN, BEFORE)]
