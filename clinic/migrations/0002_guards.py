"""What the floor's tables refuse by themselves, whatever code writes to them."""

from django.db import migrations

Guards = dict[str, tuple[str, list[str]]]


def trigger(name: str, table: str, events: str, when: str, message: str) -> dict[str, Guards]:
    """One guard on both engines: before `events`, refuse with `message` when `when` is true.

    events: words of SQL, e.g. "INSERT OR UPDATE OF site_id"; SQLite takes one event a trigger.
    """
    sqlite: Guards = {}
    for number, event in enumerate(events.split(" OR ")):
        part = f"{name}_{number}" if number else name
        sqlite[part] = (
            table,
            [
                f"CREATE TRIGGER {part} BEFORE {event} ON {table} WHEN {for_event(when, event)} "
                f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
            ],
        )
    back = "OLD" if events == "DELETE" else "NEW"
    body = (
        f"CREATE OR REPLACE FUNCTION guard_{name}() RETURNS trigger LANGUAGE plpgsql AS $$ "
        f"BEGIN IF {postgres(when, events)} THEN RAISE EXCEPTION '{message}' USING ERRCODE='23514'; "
        f"END IF; RETURN {back}; END $$"
    )
    create = (
        f"CREATE TRIGGER {name} BEFORE {events} ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION guard_{name}()"
    )
    return {"sqlite": sqlite, "postgresql": {name: (table, [body, create])}}


def for_event(when: str, event: str) -> str:
    """OLD does not exist at an insert, NEW not at a delete."""
    return when.replace("ROW.", "OLD." if event == "DELETE" else "NEW.")


def postgres(when: str, events: str) -> str:
    row = "OLD." if events == "DELETE" else "NEW."
    return when.replace("ROW.", row)


def agrees(table: str, key: str, parent: str, columns: str = "site") -> dict[str, Guards]:
    """A row has the same site (and client, or assessment) as the row it hangs on."""
    parts = [
        f"COALESCE((SELECT p.{column} FROM {parent} p WHERE p.id = ROW.{key}), -1) <> "
        f"COALESCE(ROW.{column}, -1)"
        for column in (f"{word}_id" for word in columns.split())
    ]
    watched = ", ".join([key, *(f"{word}_id" for word in columns.split())])
    return trigger(
        f"{table}_{key}_agrees"[:60],
        table,
        f"INSERT OR UPDATE OF {watched}",
        f"ROW.{key} IS NOT NULL AND ({' OR '.join(parts)})",
        f"{table}: site, client or assessment differs from that of its {key[:-3]}",
    )


def kept(table: str) -> dict[str, Guards]:
    """Rows of the record are never deleted."""
    return trigger(f"{table}_kept", table, "DELETE", "1 = 1", f"{table}: rows are never deleted")


def unchanged(table: str, when: str = "1 = 1", columns: str = "") -> dict[str, Guards]:
    """Rows (or the named columns) are never changed, once `when` is true of the old row."""
    events = f"UPDATE OF {columns}" if columns else "UPDATE"
    return trigger(f"{table}_unchanged", table, events, when, f"{table}: this row is fixed")


def joined(*parts: dict[str, Guards]) -> dict[str, Guards]:
    whole: dict[str, Guards] = {"sqlite": {}, "postgresql": {}}
    for part in parts:
        for vendor, guards in part.items():
            whole[vendor] |= guards
    return whole


def apply(guards: dict[str, Guards]) -> migrations.RunPython:
    def create(apps, schema_editor):
        for _, statements in guards[schema_editor.connection.vendor].values():
            for statement in statements:
                schema_editor.execute(statement)

    def drop(apps, schema_editor):
        vendor = schema_editor.connection.vendor
        for name, (table, statements) in guards[vendor].items():
            if vendor == "sqlite":
                schema_editor.execute(f"DROP TRIGGER IF EXISTS {name}")
            elif statements[-1].startswith("ALTER"):
                schema_editor.execute(f"ALTER TABLE {table} DROP CONSTRAINT IF EXISTS {name}")
            else:
                schema_editor.execute(f"DROP TRIGGER IF EXISTS {name} ON {table}")
                schema_editor.execute(f"DROP FUNCTION IF EXISTS guard_{name}()")

    return migrations.RunPython(create, drop)


def no_overlap(column: str, what: str) -> dict[str, Guards]:
    """Two standing appointments never share a moment of one clinician or one room."""
    name = f"appointment_{what}_free"
    standing = "state <> 'cancelled'"
    # one appointment lasts four hours at most, so an earlier start cannot reach in;
    # the bound keeps the index range short
    clash = (
        f"NEW.{standing} AND EXISTS (SELECT 1 FROM clinic_appointment a WHERE "
        f"a.{column} = NEW.{column} AND a.{standing} AND a.id IS NOT NEW.id "
        f"AND a.starts_at < NEW.ends_at AND a.ends_at > NEW.starts_at "
        f"AND a.starts_at > datetime(NEW.starts_at, '-1 day'))"
    )
    message = f"{what} is taken at that time"
    sqlite: Guards = {
        f"{name}_{number}": (
            "clinic_appointment",
            [
                f"CREATE TRIGGER {name}_{number} BEFORE {event} ON clinic_appointment WHEN {clash} "
                f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
            ],
        )
        for number, event in enumerate(
            ["INSERT", f"UPDATE OF {column}, starts_at, ends_at, state"]
        )
    }
    exclusion = (
        f"ALTER TABLE clinic_appointment ADD CONSTRAINT {name} EXCLUDE USING gist "
        f"({column} WITH =, tstzrange(starts_at, ends_at, '[)') WITH &&) WHERE ({standing})"
    )
    extension = "CREATE EXTENSION IF NOT EXISTS btree_gist"
    return {
        "sqlite": sqlite,
        "postgresql": {name: ("clinic_appointment", [extension, exclusion])},
    }


def no_truncate(table: str) -> dict[str, Guards]:
    """PostgreSQL can empty a table without touching a row."""
    name = f"{table}_not_emptied"
    return {
        "sqlite": {},
        "postgresql": {
            name: (
                table,
                [
                    f"CREATE OR REPLACE FUNCTION guard_{name}() RETURNS trigger LANGUAGE plpgsql "
                    f"AS $$ BEGIN RAISE EXCEPTION '{table}: rows are never deleted' "
                    "USING ERRCODE='23514'; END $$",
                    f"CREATE TRIGGER {name} BEFORE TRUNCATE ON {table} "
                    f"FOR EACH STATEMENT EXECUTE FUNCTION guard_{name}()",
                ],
            )
        },
    }


KEPT = [
    "clinic_client",
    "clinic_referrer",
    "clinic_consent",
    "clinic_alert",
    "clinic_hold",
    "clinic_appointment",
    "clinic_reassessment",
    "clinic_paper",
    "clinic_sending",
    "clinic_trailentry",
    "clinic_edition",
    "clinic_editiontable",
    "clinic_policyconfirmation",
    "clinic_site",
    "clinic_staff",
]

GUARDS = joined(
    *(kept(table) for table in KEPT),
    agrees("clinic_client", "doctor_id", "clinic_referrer"),
    *(
        agrees(f"clinic_{table}", "client_id", "clinic_client")
        for table in (
            "consent",
            "alert",
            "hold",
            "reassessment",
            "appointment",
            "paper",
            "trailentry",
        )
    ),
    agrees("clinic_appointment", "room_id", "clinic_room"),
    agrees("clinic_appointment", "kind_id", "clinic_appointmentkind"),
    agrees("clinic_reassessment", "appointment_id", "clinic_appointment", "site client"),
    agrees("clinic_paper", "replaces_id", "clinic_paper", "site client"),
    agrees("clinic_sending", "paper_id", "clinic_paper"),
    unchanged("clinic_trailentry"),
    no_truncate("clinic_trailentry"),
    unchanged("clinic_edition"),
    unchanged("clinic_editiontable"),
    unchanged("clinic_policyconfirmation"),
    unchanged("clinic_sending"),
    unchanged("clinic_paper", "OLD.state = 'signed'"),
    no_overlap("clinician_id", "clinician"),
    no_overlap("room_id", "room"),
)


class Migration(migrations.Migration):
    dependencies = [("clinic", "0001_initial")]
    operations = [
        apply(GUARDS),
        migrations.RunSQL(
            [
                "CREATE INDEX appointment_clinician_time ON clinic_appointment "
                "(clinician_id, starts_at, ends_at) WHERE state <> 'cancelled'",
                "CREATE INDEX appointment_room_time ON clinic_appointment "
                "(room_id, starts_at, ends_at) WHERE state <> 'cancelled'",
            ],
            ["DROP INDEX appointment_clinician_time", "DROP INDEX appointment_room_time"],
        ),
    ]
