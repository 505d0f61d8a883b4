"""A record goes only by a destruction that two people decided; then nothing comes back to it."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
CLIENT, HOLD, DESTRUCTION = "clinic_client", "clinic_legalhold", "clinic_destruction"

# tables of the floor with rows of one client, and how a row that goes finds its client
GOES = {
    **{
        f"clinic_{table}": "OLD.client_id"
        for table in (
            "consent",
            "alert",
            "hold",
            "appointment",
            "reassessment",
            "waitingentry",
            "paper",
            "reminder",
            "legalhold",
            "recordrequest",
        )
    },
    "clinic_sending": "(SELECT p.client_id FROM clinic_paper p WHERE p.id = OLD.paper_id)",
}
OF_CLIENT = [table for table, client in GOES.items() if client == "OLD.client_id"]


def under_way(client):
    """SQL: the client's destruction is confirmed and not yet done."""
    return (
        f"EXISTS (SELECT 1 FROM {DESTRUCTION} d WHERE d.client_id = {client} "
        "AND d.decision = 'confirmed' AND d.done_on IS NULL)"
    )


def kept_until_destroyed(table, client):
    """Rows of the record are deleted by the destruction of the whole record only.

    client: SQL that gives the client of the row OLD.
    """
    return floor.trigger(
        f"{table}_kept",
        table,
        "DELETE",
        f"NOT {under_way(client)}",
        f"{table}: rows are never deleted",
    )


def nothing_after(table):
    """No row comes to a destroyed record; on PostgreSQL it waits for a destruction under way."""
    gone = (
        "(SELECT c.destroyed_on FROM clinic_client c WHERE c.id = NEW.client_id{lock}) IS NOT NULL"
    )
    by_engine = {"sqlite": "", "postgresql": " FOR KEY SHARE"}
    return {
        vendor: floor.trigger(
            f"{table}_of_record",
            table,
            "INSERT OR UPDATE OF client_id",
            gone.format(lock=lock),
            f"{table}: the record is destroyed",
        )[vendor]
        for vendor, lock in by_engine.items()
    }


def standing_hold(client):
    return f"EXISTS (SELECT 1 FROM {HOLD} h WHERE h.client_id = {client} AND h.ended_on IS NULL)"


REVIEW = (
    "site_id, client_id, basis, care_ended, keep_until, rule, reason, reviewed_by_id, reviewed_at"
)
DECISION = "decision, decided_by_id, decided_at, decision_reason, keep_to"
# after a restore the decision was taken long ago, and what the backup holds is older than it
CONFIRMING = "NEW.decision = 'confirmed' AND NEW.basis <> 'again'"
CAME_AGAIN = (
    "EXISTS (SELECT 1 FROM clinic_appointment a WHERE a.client_id = NEW.client_id AND "
    "((a.state IN ('arrived', 'seen') AND a.local_date > NEW.care_ended) OR "
    "(a.state = 'booked' AND a.starts_at > NEW.decided_at)))"
)
FIRST = floor.joined(
    floor.kept(DESTRUCTION),
    floor.no_truncate(DESTRUCTION),
    floor.agrees(HOLD, "client_id", CLIENT),
    floor.agrees(DESTRUCTION, "client_id", CLIENT),
    floor.unchanged(HOLD, "OLD.ended_on IS NOT NULL"),
    floor.trigger(
        f"{HOLD}_fixed",
        HOLD,
        "UPDATE OF site_id, client_id, reason, since, set_by_id",
        "1 = 1",
        f"{HOLD}: only its end is added",
    ),
    floor.trigger(
        f"{DESTRUCTION}_begins",
        DESTRUCTION,
        "INSERT",
        "NEW.decision NOT IN ('', 'refused') OR NEW.done_on IS NOT NULL "
        f"OR EXISTS (SELECT 1 FROM {DESTRUCTION} d WHERE d.id = NEW.id)",
        f"{DESTRUCTION}: it begins with a review",
    ),
    floor.trigger(
        f"{DESTRUCTION}_review_fixed",
        DESTRUCTION,
        f"UPDATE OF {REVIEW}",
        "1 = 1",
        f"{DESTRUCTION}: a review is never changed",
    ),
    floor.trigger(
        f"{DESTRUCTION}_decision_fixed",
        DESTRUCTION,
        f"UPDATE OF {DECISION}",
        "OLD.decision <> ''",
        f"{DESTRUCTION}: it was decided",
    ),
    floor.trigger(
        f"{DESTRUCTION}_not_held",
        DESTRUCTION,
        "UPDATE OF decision",
        f"{CONFIRMING} AND {standing_hold('NEW.client_id')}",
        f"{DESTRUCTION}: a legal hold stands",
    ),
    floor.trigger(
        f"{DESTRUCTION}_not_seen",
        DESTRUCTION,
        "UPDATE OF decision",
        f"{CONFIRMING} AND {CAME_AGAIN}",
        f"{DESTRUCTION}: the client came again after the review",
    ),
    floor.trigger(
        f"{DESTRUCTION}_done_once",
        DESTRUCTION,
        "UPDATE OF done_on, counts",
        "OLD.done_on IS NOT NULL OR (NEW.done_on IS NOT NULL AND NOT EXISTS ("
        f"SELECT 1 FROM {CLIENT} c WHERE c.id = NEW.client_id AND c.destroyed_on IS NOT NULL))",
        f"{DESTRUCTION}: done twice, or before the record went",
    ),
    floor.trigger(
        f"{CLIENT}_destroyed",
        CLIENT,
        "INSERT OR UPDATE OF destroyed_on",
        f"NEW.destroyed_on IS NOT NULL AND NOT {under_way('NEW.id')}",
        f"{CLIENT}: no confirmed destruction",
    ),
    floor.unchanged(CLIENT, "OLD.destroyed_on IS NOT NULL"),
    *(nothing_after(table) for table in [*OF_CLIENT, "clinic_kepttime"]),
)
AGAIN = floor.joined(*(kept_until_destroyed(*one) for one in GOES.items()))
GUARDS = floor.joined(FIRST, AGAIN)


def replace(new, old):
    """The named guards make way for new ones; `old` is what comes back."""

    def run(made):
        def execute(apps, schema_editor):
            vendor = schema_editor.connection.vendor
            for name, (table, statements) in made[vendor].items():
                if name not in new[vendor]:
                    continue
                on = f" ON {table}" if vendor == "postgresql" else ""
                schema_editor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")
                for statement in statements:
                    schema_editor.execute(statement)

        return execute

    return migrations.RunPython(run(new), run(old))


BEFORE = floor.joined(*(floor.kept(table) for table in GOES if table != HOLD))


class Migration(migrations.Migration):
    dependencies = [("clinic", "0022_retention")]
    operations = [floor.apply(FIRST), replace(AGAIN, BEFORE)]
