"""An answer and its withdrawal stay as they are; once sharing has ended no letter goes to others."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
CONSENT = "clinic_consent"
ANSWER = (
    "site_id, client_id, purpose, given, given_on, given_as, given_by, manner, limits, "
    "text_version, text, taken_by_id"
)
READER = {
    "sqlite": "json_extract(p.content, '$.to.reader')",
    "postgresql": "p.content #>> '{to,reader}'",
}


def ended(client, purpose):
    """SQL: the client was asked, and no answer that was given stands."""
    asked = f"SELECT 1 FROM {CONSENT} c WHERE c.client_id = {client} AND c.purpose = '{purpose}'"
    return f"EXISTS ({asked}) AND NOT EXISTS ({asked} AND c.given AND c.withdrawn_on IS NULL)"


def no_letter_to_others():
    paper = "FROM clinic_paper p WHERE p.id = NEW.paper_id"
    when = (
        f"EXISTS (SELECT 1 {paper} AND p.kind IN ('letter', 'referral') "
        "AND COALESCE({reader}, '') <> 'client') AND "
        + ended(f"(SELECT p.client_id {paper})", "sharing")
    )
    message = "sending: the client does not agree to sharing"
    return {
        vendor: floor.trigger(
            "sending_agreed", "clinic_sending", "INSERT", when.replace("{reader}", reader), message
        )[vendor]
        for vendor, reader in READER.items()
    }


GUARDS = floor.joined(
    floor.trigger(
        "consent_answer_fixed",
        CONSENT,
        f"UPDATE OF {ANSWER}",
        "1 = 1",
        "consent: an answer is never changed",
    ),
    floor.trigger(
        "consent_withdrawal_fixed",
        CONSENT,
        "UPDATE OF withdrawn_on, withdrawn_with_id",
        "OLD.withdrawn_on IS NOT NULL",
        "consent: a withdrawal is never changed",
    ),
    no_letter_to_others(),
)


class Migration(migrations.Migration):
    dependencies = [("clinic", "0017_consent_rules")]
    operations = [floor.apply(GUARDS)]
