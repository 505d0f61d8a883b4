"""What `check --deploy` refuses."""

import pytest
from django.core.checks import run_checks


def deploy_errors():
    return {found.id for found in run_checks(include_deployment_checks=True)}


@pytest.mark.parametrize(
    ("name", "value", "refused"),
    [
        ("SECRET_KEY_GIVEN", False, "clinic.E010"),
        ("DEMO", True, "clinic.E011"),
        ("SECOND_FACTOR", False, "clinic.W012"),
    ],
)
def test_deployment_is_refused(settings, name, value, refused):
    settings.SECRET_KEY_GIVEN, settings.DEMO, settings.SECOND_FACTOR = True, False, True
    assert refused not in deploy_errors()

    setattr(settings, name, value)

    assert refused in deploy_errors()
