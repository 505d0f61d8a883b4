"""Nothing new begins in a joined record, and an end of consent counts for both."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
links = import_module("clinic.migrations.0030_link_guards")
consents = import_module("assessments.migrations.0012_consent_guards")
FILMED = f"{consents.FILMED} AND {links.ended_elsewhere(consents.OF_ROW, 'filming')}"

GUARDS = floor.joined(
    *(
        links.nothing_new(f"assessments_{name}")
        for name in ("episode", "assessment", "runninghistory", "screening")
    ),
    floor.trigger(
        "assessment_agreed_by_person",
        "assessments_assessment",
        "INSERT",
        links.ended_elsewhere("NEW.client_id", "assessment"),
        "assessment: the client does not agree to it",
    ),
    floor.trigger(
        "placement_agreed_by_person",
        "assessments_placement",
        "INSERT",
        links.ended_elsewhere(consents.OF_ROW, "filming"),
        f"placement: {consents.MESSAGE}",
    ),
    floor.trigger(
        "observation_agreed_by_person",
        "assessments_observation",
        "INSERT",
        FILMED,
        f"observation: {consents.MESSAGE}",
    ),
    floor.trigger(
        "observation_still_agreed_by_person",
        "assessments_observation",
        "UPDATE OF method, value, grade, choice",
        f"{FILMED} AND {consents.OTHER}",
        f"observation: {consents.MESSAGE}",
    ),
)


class Migration(migrations.Migration):
    dependencies = [
        ("assessments", "0015_retraction_guards"),
        ("clinic", "0030_link_guards"),
    ]
    operations = [floor.apply(GUARDS)]
