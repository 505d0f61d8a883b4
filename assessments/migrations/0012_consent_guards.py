"""Once a consent has ended, no assessment is opened and nothing new is measured from film."""

from importlib import import_module

from django.db import migrations

# a migration is never edited, so its helpers stay what they were
floor = import_module("clinic.migrations.0002_guards")
ended = import_module("clinic.migrations.0018_consent_guards").ended
OF_ROW = "(SELECT a.client_id FROM assessments_assessment a WHERE a.id = NEW.assessment_id)"
FILMED = (
    "NEW.method = 'video_2d' AND (NEW.value IS NOT NULL OR NEW.grade IS NOT NULL "
    "OR NEW.choice <> '')"
)
OTHER = (
    "(OLD.method <> NEW.method OR OLD.choice <> NEW.choice "
    "OR COALESCE(OLD.value, -99999) <> COALESCE(NEW.value, -99999) "
    "OR COALESCE(OLD.grade, -1) <> COALESCE(NEW.grade, -1))"
)
MESSAGE = "the client does not agree to filming"

GUARDS = floor.joined(
    floor.trigger(
        "assessment_agreed",
        "assessments_assessment",
        "INSERT",
        ended("NEW.client_id", "assessment"),
        "assessment: the client does not agree to it",
    ),
    floor.trigger(
        "placement_agreed",
        "assessments_placement",
        "INSERT",
        ended(OF_ROW, "filming"),
        f"placement: {MESSAGE}",
    ),
    floor.trigger(
        "observation_agreed",
        "assessments_observation",
        "INSERT",
        f"{FILMED} AND {ended(OF_ROW, 'filming')}",
        f"observation: {MESSAGE}",
    ),
    floor.trigger(
        "observation_still_agreed",
        "assessments_observation",
        "UPDATE OF method, value, grade, choice",
        f"{FILMED} AND {OTHER} AND {ended(OF_ROW, 'filming')}",
        f"observation: {MESSAGE}",
    ),
)


class Migration(migrations.Migration):
    dependencies = [
        ("assessments", "0011_placement_guards"),
        ("clinic", "0018_consent_guards"),
    ]
    operations = [floor.apply(GUARDS)]
