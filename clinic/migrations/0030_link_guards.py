"""Joined records: no chains, nothing new in the joined one, an end of consent counts for both."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
consents = import_module("clinic.migrations.0018_consent_guards")
ends = import_module("clinic.migrations.0023_retention_guards")
LINK, CONSENT = "clinic_recordlink", consents.CONSENT


def joined_already(client):
    """SQL: the record is joined to another one."""
    return f"EXISTS (SELECT 1 FROM {LINK} l WHERE l.joined_id = {client} AND l.parted_at IS NULL)"


def nothing_new(table):
    return floor.trigger(
        f"{table}_not_joined"[:60],
        table,
        "INSERT",
        joined_already("NEW.client_id"),
        f"{table}: the record is joined, new entries go to the kept one",
    )


def others(client):
    """SQL: keys of the other records of a person."""
    return (
        f"SELECT l.joined_id AS id FROM {LINK} l WHERE l.kept_id = {client} "
        "AND l.parted_at IS NULL "
        f"UNION SELECT l.kept_id FROM {LINK} l WHERE l.joined_id = {client} "
        "AND l.parted_at IS NULL "
        f"UNION SELECT m.joined_id FROM {LINK} l JOIN {LINK} m ON m.kept_id = l.kept_id "
        f"WHERE l.joined_id = {client} AND m.joined_id <> {client} "
        "AND l.parted_at IS NULL AND m.parted_at IS NULL"
    )


def ended_elsewhere(client, purpose):
    """SQL: a consent ended in another record of the person, and no later answer was given."""
    ends = (
        f"SELECT 1 FROM {CONSENT} e WHERE e.client_id = r.id AND e.purpose = '{purpose}' "
        "AND COALESCE(e.withdrawn_on, e.given_on) >= g.given_on"
    )
    later = (
        f"SELECT 1 FROM {CONSENT} g WHERE g.purpose = '{purpose}' AND g.given "
        f"AND g.withdrawn_on IS NULL AND (g.client_id = {client} "
        f"OR g.client_id IN ({others(client)})) AND NOT EXISTS ({ends})"
    )
    return (
        f"EXISTS (SELECT 1 FROM ({others(client)}) r WHERE {consents.ended('r.id', purpose)} "
        f"AND NOT EXISTS ({later}))"
    )


def no_letter_to_others():
    paper = "FROM clinic_paper p WHERE p.id = NEW.paper_id"
    when = (
        f"EXISTS (SELECT 1 {paper} AND p.kind IN ('letter', 'referral') "
        "AND COALESCE({reader}, '') <> 'client') AND "
        + ended_elsewhere(f"(SELECT p.client_id {paper})", "sharing")
    )
    message = "sending: the client does not agree to sharing"
    return {
        vendor: floor.trigger(
            "sending_agreed_by_person",
            "clinic_sending",
            "INSERT",
            when.replace("{reader}", reader),
            message,
        )[vendor]
        for vendor, reader in consents.READER.items()
    }


def of_record(key):
    """No link names a destroyed record; on PostgreSQL it waits for a destruction under way."""
    gone = f"(SELECT c.destroyed_on FROM clinic_client c WHERE c.id = NEW.{key}{{lock}})"
    return {
        vendor: floor.trigger(
            f"{LINK}_{key}_of_record",
            LINK,
            f"INSERT OR UPDATE OF {key}",
            f"{gone.format(lock=lock)} IS NOT NULL",
            f"{LINK}: the record is destroyed",
        )[vendor]
        for vendor, lock in {"sqlite": "", "postgresql": " FOR KEY SHARE"}.items()
    }


# the other records of the person whose destruction nobody has reviewed
STAYING = (
    f"EXISTS (SELECT 1 FROM ({others('NEW.client_id')}) r WHERE NEW.basis = 'mistake' "
    f"OR NOT EXISTS (SELECT 1 FROM {ends.DESTRUCTION} d WHERE d.client_id = r.id "
    "AND d.decision = ''))"
)
GUARDS = floor.joined(
    floor.trigger(
        f"{LINK}_kept",
        LINK,
        "DELETE",
        f"NOT {ends.under_way('OLD.kept_id')} AND NOT {ends.under_way('OLD.joined_id')}",
        f"{LINK}: rows are never deleted",
    ),
    of_record("kept_id"),
    of_record("joined_id"),
    floor.trigger(
        f"{ends.DESTRUCTION}_not_joined",
        ends.DESTRUCTION,
        "UPDATE OF decision",
        f"{ends.CONFIRMING} AND {STAYING}",
        f"{ends.DESTRUCTION}: the other record of this person was not reviewed",
    ),
    floor.agrees(LINK, "kept_id", "clinic_client"),
    floor.agrees(LINK, "joined_id", "clinic_client"),
    floor.trigger(
        "link_fixed",
        LINK,
        "UPDATE OF site_id, kept_id, joined_id, reason, names_compared, births_compared, "
        "addresses_compared, births_differ, birth_reason, joined_at, joined_by_id",
        "1 = 1",
        "link: what joined two records is never changed",
    ),
    floor.trigger(
        "link_parted_fixed",
        LINK,
        "UPDATE OF parted_at, parted_by_id, part_reason",
        "OLD.parted_at IS NOT NULL",
        "link: records are parted once",
    ),
    floor.trigger(
        "link_no_chain",
        LINK,
        "INSERT",
        f"EXISTS (SELECT 1 FROM {LINK} l WHERE l.parted_at IS NULL AND (l.kept_id = NEW.joined_id "
        "OR l.joined_id = NEW.kept_id OR l.joined_id = NEW.joined_id))",
        "link: a joined record is joined to no other",
    ),
    *(nothing_new(f"clinic_{name}") for name in ("appointment", "consent", "waitingentry")),
    no_letter_to_others(),
)


class Migration(migrations.Migration):
    dependencies = [("clinic", "0029_record_links")]
    operations = [floor.apply(GUARDS)]
