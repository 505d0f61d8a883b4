"""The trail becomes a chain for each site; the lines that stand already are chained as they are."""

import json
from datetime import UTC
from decimal import Decimal
from hashlib import sha256
from importlib import import_module

from django.db import migrations, models
from django.db.models import Q

TABLE = "clinic_trailentry"
# as they were when this migration landed: it is never edited, the domain may grow
COLUMNS = [
    "chain",
    "number",
    "prev_hash",
    "site_id",
    "at",
    "actor_id",
    "actor_name",
    "role",
    "action",
    "client_id",
    "object_kind",
    "object_key",
    "object_version",
    "origin",
    "act",
    "detail",
]


def guards(vendor):
    floor = import_module("clinic.migrations.0002_guards")
    return {name: text for name, (of, text) in floor.GUARDS[vendor].items() if of == TABLE}


def drop_guards(apps, schema_editor):
    """Lines are never changed: for this once they are."""
    vendor = schema_editor.connection.vendor
    on = f" ON {TABLE}" if vendor == "postgresql" else ""
    for name in guards(vendor):
        schema_editor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")


def put_guards_back(apps, schema_editor):
    # SQLite dropped all triggers of the table when it was rebuilt
    drop_guards(apps, schema_editor)
    for statements in guards(schema_editor.connection.vendor).values():
        for statement in statements:
            schema_editor.execute(statement)


def number(text):
    digits = format(Decimal(text), "f")
    if "." in digits:
        digits = digits.rstrip("0").rstrip(".")
    return {"#": "0" if digits == "-0" else digits}


def line_hash(line):
    values = {name: getattr(line, name) for name in COLUMNS}
    values["at"] = line.at.astimezone(UTC).isoformat(timespec="microseconds")
    counted = json.loads(json.dumps(values), parse_float=number, parse_int=number)
    text = json.dumps(counted, sort_keys=True, separators=(",", ":"))
    return sha256(text.encode("ascii")).hexdigest()


def chain_lines(apps, schema_editor):
    entries = apps.get_model("clinic", "TrailEntry").objects
    newest = {}
    for line in entries.order_by("pk").iterator(chunk_size=1000):
        line.chain = line.site_id or 0
        before, line.prev_hash = newest.get(line.chain, (0, "0" * 64))
        line.number = before + 1
        line.hash = line_hash(line)
        line.save(update_fields=["chain", "number", "prev_hash", "hash"])
        newest[line.chain] = line.number, line.hash
    heads = apps.get_model("clinic", "TrailHead")
    heads.objects.bulk_create(
        heads(chain=chain, number=last, hash=checksum)
        for chain, (last, checksum) in newest.items()
    )


class Migration(migrations.Migration):
    dependencies = [("clinic", "0004_roles")]
    operations = [
        migrations.CreateModel(
            name="TrailHead",
            fields=[
                ("chain", models.PositiveBigIntegerField(primary_key=True, serialize=False)),
                ("number", models.PositiveBigIntegerField()),
                ("hash", models.CharField(max_length=64)),
            ],
        ),
        migrations.RunPython(drop_guards, put_guards_back),
        migrations.AddField(
            "trailentry",
            "chain",
            models.PositiveBigIntegerField(
                null=True, help_text="The site, or 0 where there is none."
            ),
        ),
        migrations.AddField(
            "trailentry",
            "number",
            models.PositiveBigIntegerField(null=True, help_text="Position in the chain, from 1."),
        ),
        migrations.AddField("trailentry", "prev_hash", models.CharField(max_length=64, null=True)),
        migrations.AddField("trailentry", "hash", models.CharField(max_length=64, null=True)),
        migrations.AddField(
            "trailentry",
            "act",
            models.UUIDField(null=True, help_text="The id that the browser gave to its request."),
        ),
        migrations.RunPython(chain_lines, migrations.RunPython.noop),
        migrations.AlterField(
            "trailentry",
            "chain",
            models.PositiveBigIntegerField(help_text="The site, or 0 where there is none."),
        ),
        migrations.AlterField(
            "trailentry",
            "number",
            models.PositiveBigIntegerField(help_text="Position in the chain, from 1."),
        ),
        migrations.AlterField("trailentry", "prev_hash", models.CharField(max_length=64)),
        migrations.AlterField("trailentry", "hash", models.CharField(max_length=64)),
        migrations.AlterField(
            "trailentry",
            "action",
            models.CharField(
                choices=[
                    ("view", "view"),
                    ("create", "create"),
                    ("change", "change"),
                    ("sign", "sign"),
                    ("print", "print"),
                    ("send", "send"),
                    ("search", "search"),
                    ("book", "book"),
                    ("cancel", "cancel"),
                    ("consent", "consent"),
                    ("lift", "lift"),
                    ("load", "load"),
                    ("amend", "amend"),
                    ("export", "export"),
                    ("move", "move"),
                    ("role", "role"),
                    ("sign_in", "sign in"),
                    ("sign_out", "sign out"),
                    ("sign_fail", "sign fail"),
                    ("refuse", "refuse"),
                ],
                max_length=10,
            ),
        ),
        migrations.AddConstraint(
            "trailentry",
            models.UniqueConstraint(fields=["chain", "number"], name="trail_number"),
        ),
        migrations.AddConstraint(
            "trailentry",
            models.UniqueConstraint(
                fields=["actor", "act"], condition=Q(act__isnull=False), name="trail_act_once"
            ),
        ),
        migrations.RunPython(put_guards_back, drop_guards),
    ]
