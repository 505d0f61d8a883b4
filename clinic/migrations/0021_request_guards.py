"""A request and each answer to it stay as they were written; each comes once."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
TABLE = "clinic_recordrequest"


def fixed(name, columns, when, message):
    return floor.trigger(
        f"request_{name}_fixed", TABLE, f"UPDATE OF {columns}", when, f"request: {message}"
    )


GUARDS = floor.joined(
    floor.kept(TABLE),
    floor.agrees(TABLE, "client_id", "clinic_client"),
    fixed(
        "words",
        "site_id, client_id, kind, received_on, manner, words, noted_by_id, noted_at, due_on, "
        "limit_source",
        "1 = 1",
        "what came in is never changed",
    ),
    fixed(
        "extension",
        "extended_to, extended_on, extended_by_id, extension_reason",
        "OLD.extended_to IS NOT NULL OR OLD.outcome <> ''",
        "the time is extended once, before the answer",
    ),
    fixed(
        "answer",
        "about, outcome, answer, answered_with, decided_by_id, decided_at",
        "OLD.outcome <> ''",
        "an answer is never changed",
    ),
    fixed("told", "told_on, goes_along", "OLD.told_on IS NOT NULL", "the day stands"),
    fixed(
        "statement",
        "statement, statement_on, statement_noted_by_id",
        "OLD.statement <> ''",
        "a statement is never changed",
    ),
    fixed(
        "rebuttal",
        "rebuttal, rebutted_on, rebutted_by_id",
        "OLD.rebuttal <> ''",
        "an answer to a statement is never changed",
    ),
)


class Migration(migrations.Migration):
    dependencies = [("clinic", "0020_record_requests")]
    operations = [floor.apply(GUARDS)]
