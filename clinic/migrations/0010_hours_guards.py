"""A clinician and a room are taken until the room is cleared; new rows keep their site."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
TABLE = "clinic_appointment"
STANDING = "state <> 'cancelled'"


def no_overlap(column, what):
    """Two standing appointments never share a moment of one clinician or one room."""
    name = f"appointment_{what}_free"
    # an appointment and its clearing last five hours at most, so an earlier start cannot
    # reach in; the bound keeps the index range short
    clash = (
        f"NEW.{STANDING} AND EXISTS (SELECT 1 FROM {TABLE} a WHERE "
        f"a.{column} = NEW.{column} AND a.{STANDING} AND a.id IS NOT NEW.id "
        f"AND a.starts_at < NEW.clear_at AND a.clear_at > NEW.starts_at "
        f"AND a.starts_at > datetime(NEW.starts_at, '-1 day'))"
    )
    message = f"{what} is taken at that time"
    sqlite = {
        f"{name}_{number}": (
            TABLE,
            [
                f"CREATE TRIGGER {name}_{number} BEFORE {event} ON {TABLE} WHEN {clash} "
                f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
            ],
        )
        for number, event in enumerate(
            ["INSERT", f"UPDATE OF {column}, starts_at, clear_at, state"]
        )
    }
    exclusion = (
        f"ALTER TABLE {TABLE} ADD CONSTRAINT {name} EXCLUDE USING gist "
        f"({column} WITH =, tstzrange(starts_at, clear_at, '[)') WITH &&) WHERE ({STANDING})"
    )
    return {"sqlite": sqlite, "postgresql": {name: (TABLE, [exclusion])}}


BOOKED = floor.joined(no_overlap("clinician_id", "clinician"), no_overlap("room_id", "room"))
NEW = floor.joined(
    floor.kept("clinic_waitingentry"),
    *(
        floor.agrees(f"clinic_{table}", f"{key}_id", f"clinic_{parent}")
        for table, key, parent in (
            ("waitingentry", "client", "client"),
            ("waitingentry", "kind", "appointmentkind"),
            ("kepttime", "client", "client"),
            ("kepttime", "room", "room"),
            ("kepttime", "kind", "appointmentkind"),
        )
    ),
)
GUARDS = floor.joined(BOOKED, NEW)
INDEXES = (("clinician", "clinician_id"), ("room", "room_id"))


def replace(to_clear_at):
    """The guards of 0002, which knew no clearing, make way for these; or the other way round."""

    def run(apps, schema_editor):
        vendor = schema_editor.connection.vendor
        made = BOOKED if to_clear_at else floor.GUARDS
        for name, (table, statements) in made[vendor].items():
            if name not in BOOKED[vendor]:
                continue
            if vendor == "postgresql":
                schema_editor.execute(f"ALTER TABLE {table} DROP CONSTRAINT IF EXISTS {name}")
            else:
                schema_editor.execute(f"DROP TRIGGER IF EXISTS {name}")
            for statement in statements:
                schema_editor.execute(statement)

    return run


class Migration(migrations.Migration):
    dependencies = [("clinic", "0009_clear_at")]
    operations = [
        migrations.RunPython(replace(to_clear_at=True), replace(to_clear_at=False)),
        floor.apply(NEW),
        migrations.RunSQL(
            [
                statement
                for what, column in INDEXES
                for statement in (
                    f"DROP INDEX IF EXISTS appointment_{what}_time",
                    f"CREATE INDEX appointment_{what}_time ON {TABLE} "
                    f"({column}, starts_at, clear_at) WHERE {STANDING}",
                )
            ],
            [
                statement
                for what, column in INDEXES
                for statement in (
                    f"DROP INDEX IF EXISTS appointment_{what}_time",
                    f"CREATE INDEX appointment_{what}_time ON {TABLE} "
                    f"({column}, starts_at, ends_at) WHERE {STANDING}",
                )
            ],
        ),
    ]
