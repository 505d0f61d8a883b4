"""Who could open which record, and when, stays as it was; no opening is longer than its bound."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
retention = import_module("clinic.migrations.0023_retention_guards")
# rows that go with a record that is destroyed, and how a row finds its client
GOES = {
    "clinic_restriction": "OLD.client_id",
    "clinic_restrictionline": (
        "(SELECT r.client_id FROM clinic_restriction r WHERE r.id = OLD.restriction_id)"
    ),
    "clinic_emergencyopening": "OLD.client_id",
}
LONGEST = {
    # as days; a second is let pass for the rounding of fractions
    "sqlite": "(julianday(NEW.ends_at) - julianday(NEW.opened_at)) * 86400 > 8 * 3600 + 1",
    "postgresql": "NEW.ends_at - NEW.opened_at > interval '8 hours'",
}


def fixed(table, columns, when="1 = 1", what="row"):
    """The named columns never change, or not once `when` is true of the old row."""
    return floor.trigger(
        f"{table}_{what}_fixed",
        f"clinic_{table}",
        f"UPDATE OF {columns}",
        when,
        f"{table}: who could open what stays as it was",
    )


def bounded():
    message = "emergencyopening: longer than eight hours"
    return {
        vendor: floor.trigger(
            "emergencyopening_bounded", "clinic_emergencyopening", "INSERT", when, message
        )[vendor]
        for vendor, when in LONGEST.items()
    }


def no_line_after_the_end():
    return floor.trigger(
        "restrictionline_of_standing",
        "clinic_restrictionline",
        "INSERT",
        "EXISTS (SELECT 1 FROM clinic_restriction r WHERE r.id = NEW.restriction_id "
        "AND r.ended_at IS NOT NULL)",
        "restrictionline: the restriction has ended",
    )


GUARDS = floor.joined(
    floor.kept("clinic_team"),
    floor.kept("clinic_teammember"),
    *(retention.kept_until_destroyed(table, client) for table, client in GOES.items()),
    retention.nothing_after("clinic_restriction"),
    retention.nothing_after("clinic_emergencyopening"),
    floor.agrees("clinic_teammember", "team_id", "clinic_team"),
    floor.agrees("clinic_restriction", "client_id", "clinic_client"),
    floor.agrees("clinic_restrictionline", "restriction_id", "clinic_restriction"),
    floor.agrees("clinic_restrictionline", "team_id", "clinic_team"),
    floor.agrees("clinic_emergencyopening", "client_id", "clinic_client"),
    floor.agrees("clinic_emergencyopening", "restriction_id", "clinic_restriction", "site client"),
    fixed("team", "site_id"),
    fixed("team", "closed_at", "OLD.closed_at IS NOT NULL", "end"),
    fixed("teammember", "site_id, team_id, staff_id, since, added_by_id"),
    fixed("teammember", "until, ended_by_id", "OLD.until IS NOT NULL", "end"),
    fixed("restriction", "site_id, client_id, reason, since, set_by_id"),
    fixed("restriction", "ended_at, ended_by_id, end_reason", "OLD.ended_at IS NOT NULL", "end"),
    fixed(
        "restrictionline",
        "site_id, restriction_id, staff_id, team_id, is_owner, since, named_by_id",
    ),
    fixed("restrictionline", "until, ended_by_id", "OLD.until IS NOT NULL", "end"),
    fixed("restrictionline", "seen_at", "OLD.seen_at IS NOT NULL", "seen"),
    no_line_after_the_end(),
    fixed(
        "emergencyopening",
        "site_id, client_id, restriction_id, staff_id, reason, opened_at, ends_at, owner_id",
    ),
    fixed("emergencyopening", "closed_at", "OLD.closed_at IS NOT NULL", "end"),
    fixed(
        "emergencyopening",
        "owner_seen_at, owner_word",
        "OLD.owner_seen_at IS NOT NULL",
        "owner_word",
    ),
    fixed(
        "emergencyopening",
        "manager_seen_at, manager_seen_by_id, manager_word",
        "OLD.manager_seen_at IS NOT NULL",
        "manager_word",
    ),
    bounded(),
)


class Migration(migrations.Migration):
    dependencies = [("clinic", "0027_limits")]
    operations = [floor.apply(GUARDS)]
