"""What the assessment tables refuse by themselves."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
agrees, kept, trigger = floor.agrees, floor.kept, floor.trigger

APP = "assessments_"
KEPT = [
    "episode",
    "goal",
    "runninghistory",
    "historyanswer",
    "screening",
    "screeninganswer",
    "assessment",
    "trial",
    "observation",
    "testresult",
    "scorevalue",
    "finding",
    "feature",
    "test",
    "score",
    "fact",
    "flag",
    "findingterm",
]


def within_limits(table, key, term):
    """A value lies inside the hard limits of its term, and on a side that the term has."""
    sides = "1 = 0"
    if term in ("feature", "test"):
        sides = (
            f"EXISTS (SELECT 1 FROM {APP}{term} t WHERE t.code = ROW.{key} AND "
            "((t.per_side AND ROW.side = 'none') OR (NOT t.per_side AND ROW.side <> 'none')))"
        )
    return trigger(
        f"{APP}{table}_within_limits",
        APP + table,
        f"INSERT OR UPDATE OF {key}, value{', side' if term in ('feature', 'test') else ''}",
        f"EXISTS (SELECT 1 FROM {APP}{term} t WHERE t.code = ROW.{key} AND ROW.value IS NOT NULL "
        f"AND (ROW.value < t.minimum OR ROW.value > t.maximum)) OR {sides}",
        f"{table}: the value lies outside its limits or the side does not exist",
    )


def signed_is_fixed(table):
    """Nothing is added to or changed in a signed assessment."""
    signed = (
        f"EXISTS (SELECT 1 FROM {APP}assessment a WHERE a.id = ROW.assessment_id "
        "AND a.signed_at IS NOT NULL)"
    )
    return trigger(
        f"{APP}{table}_signed",
        APP + table,
        "INSERT OR UPDATE",
        signed,
        f"{table}: the assessment is signed",
    )


def basis_is_fixed(table, parent, columns):
    """History and screening stay as they were, once a signed assessment rests on them."""
    signed = (
        f"EXISTS (SELECT 1 FROM {APP}assessment a WHERE a.{parent}_id = ROW.{parent}_id "
        "AND a.signed_at IS NOT NULL)"
    )
    return trigger(
        f"{APP}{table}_signed",
        APP + table,
        f"INSERT OR UPDATE OF {columns}",
        signed,
        f"{table}: a signed assessment rests on it",
    )


GUARDS = floor.joined(
    *(kept(APP + table) for table in KEPT),
    agrees(APP + "episode", "client_id", "clinic_client"),
    agrees(APP + "episode", "referrer_id", "clinic_referrer"),
    agrees(APP + "goal", "episode_id", APP + "episode"),
    agrees(APP + "runninghistory", "client_id", "clinic_client"),
    agrees(APP + "historyanswer", "history_id", APP + "runninghistory"),
    agrees(APP + "screening", "client_id", "clinic_client"),
    agrees(APP + "screeninganswer", "screening_id", APP + "screening"),
    agrees(APP + "assessment", "client_id", "clinic_client"),
    agrees(APP + "assessment", "episode_id", APP + "episode", "site client"),
    agrees(APP + "assessment", "history_id", APP + "runninghistory", "site client"),
    agrees(APP + "assessment", "screening_id", APP + "screening", "site client"),
    *(
        agrees(APP + table, "assessment_id", APP + "assessment")
        for table in ("trial", "observation", "testresult", "scorevalue", "finding")
    ),
    agrees(APP + "observation", "trial_id", APP + "trial", "site assessment"),
    within_limits("observation", "feature_id", "feature"),
    within_limits("testresult", "test_id", "test"),
    within_limits("scorevalue", "score_id", "score"),
    within_limits("historyanswer", "fact_id", "fact"),
    floor.unchanged(APP + "assessment", "OLD.signed_at IS NOT NULL"),
    *(
        signed_is_fixed(table)
        for table in ("trial", "observation", "testresult", "scorevalue", "finding")
    ),
    basis_is_fixed("historyanswer", "history", "history_id, fact_id, value, choice, items"),
    # a lift may still be entered: it belongs to the round it was made in
    basis_is_fixed("screeninganswer", "screening", "screening_id, flag_id, answer"),
)


class Migration(migrations.Migration):
    dependencies = [("assessments", "0002_initial"), ("clinic", "0002_guards")]
    operations = [floor.apply(GUARDS)]
