"""What the settings promise: each variable is explained, the tables match the models."""

import re
from pathlib import Path

import pytest
from django.core.management import call_command

SETTINGS = Path("clinic/web/settings.py").read_text(encoding="utf-8")
VARIABLES = sorted(set(re.findall(r'environment\.\w+\(\s*"([A-Z_]+)"', SETTINGS)))


def test_variables_are_found():
    assert {"CLINIC_DATA", "CLINIC_SECRET_KEY", "DATABASE_URL"} <= set(VARIABLES)


@pytest.mark.parametrize("name", VARIABLES)
def test_variable_is_explained_in_the_readme(name):
    assert f"`{name}`" in Path("README.md").read_text(encoding="utf-8")


def test_environment_is_read_through_the_typed_readers_only():
    assert "os.environ" not in SETTINGS
    assert "getenv" not in SETTINGS


@pytest.mark.django_db
def test_no_migration_is_missing():
    call_command("makemigrations", "--check", "--dry-run", verbosity=0)
