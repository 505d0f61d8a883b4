"""A line follows the head of its chain, and moves it; nothing else does."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
LINE, HEAD = "clinic_trailentry", "clinic_trailhead"
GENESIS = "0" * 64


def head(column, otherwise):
    return f"COALESCE((SELECT h.{column} FROM {HEAD} h WHERE h.chain = NEW.chain), {otherwise})"


def moves_head():
    """After a line is in, the head of its chain is that line."""
    name = f"{LINE}_moves_head"
    # no upsert: on SQLite the conflict word of the outer statement would stand above it
    move = (
        f"UPDATE {HEAD} SET number = NEW.number, hash = NEW.hash WHERE chain = NEW.chain; "
        f"INSERT INTO {HEAD} (chain, number, hash) SELECT NEW.chain, NEW.number, NEW.hash "
        f"WHERE NOT EXISTS (SELECT 1 FROM {HEAD} h WHERE h.chain = NEW.chain);"
    )
    sqlite = f"CREATE TRIGGER {name} AFTER INSERT ON {LINE} BEGIN {move} END"
    body = (
        f"CREATE OR REPLACE FUNCTION guard_{name}() RETURNS trigger LANGUAGE plpgsql AS $$ "
        f"BEGIN {move} RETURN NULL; END $$"
    )
    create = (
        f"CREATE TRIGGER {name} AFTER INSERT ON {LINE} "
        f"FOR EACH ROW EXECUTE FUNCTION guard_{name}()"
    )
    return {"sqlite": {name: (LINE, [sqlite])}, "postgresql": {name: (LINE, [body, create])}}


IS_A_LINE = (
    f"EXISTS (SELECT 1 FROM {LINE} l WHERE l.chain = NEW.chain AND l.number = NEW.number "
    "AND l.hash = NEW.hash)"
)

GUARDS = floor.joined(
    floor.trigger(
        f"{LINE}_follows",
        LINE,
        "INSERT",
        f"NEW.chain <> COALESCE(NEW.site_id, 0) OR NEW.number <> {head('number', 0)} + 1 "
        f"OR NEW.prev_hash <> {head('hash', repr(GENESIS))} OR length(NEW.hash) <> 64",
        f"{LINE}: the line does not follow the head of its chain",
    ),
    # SQLite can replace a row without deleting it
    floor.trigger(
        f"{LINE}_not_replaced",
        LINE,
        "INSERT",
        f"EXISTS (SELECT 1 FROM {LINE} l WHERE l.id = NEW.id OR (l.act = NEW.act "
        "AND l.actor_id = NEW.actor_id))",
        f"{LINE}: this line is there already",
    ),
    moves_head(),
    floor.kept(HEAD),
    floor.no_truncate(HEAD),
    floor.trigger(
        f"{HEAD}_begins",
        HEAD,
        "INSERT",
        f"NEW.number <> 1 OR NOT {IS_A_LINE} "
        f"OR EXISTS (SELECT 1 FROM {HEAD} h WHERE h.chain = NEW.chain)",
        f"{HEAD}: a chain begins with its first line",
    ),
    floor.trigger(
        f"{HEAD}_forward",
        HEAD,
        "UPDATE",
        f"NEW.chain <> OLD.chain OR NEW.number <> OLD.number + 1 OR NOT {IS_A_LINE}",
        f"{HEAD}: the head moves to the line just written",
    ),
)


class Migration(migrations.Migration):
    dependencies = [("clinic", "0005_trail_chain")]
    operations = [floor.apply(GUARDS)]
