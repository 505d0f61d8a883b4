"""What the two documents promise is there."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md")
PLACES = ("clinic", "assessments", "exercises", "tests", "fixtures", ".ci")


def named_paths(name):
    """Paths in backticks, and in the map of the apps."""
    text = (ROOT / name).read_text(encoding="utf-8")
    words = {word for quoted in re.findall(r"`([^`\n]+)`", text) for word in quoted.split()}
    words |= set(re.findall(r"(?<![\w/`])[a-z.]+/[\w/.]+\w", text))
    return sorted(
        word for word in words if word.split("/")[0] in PLACES or word.endswith((".md", ".toml"))
    )


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_path_exists(name):
    paths = named_paths(name)
    there = {path for path in paths if (ROOT / path).exists() or is_module(path)}

    assert len(paths) > 2
    assert set(paths) - there == set()


def is_module(path):
    """clinic.web and the like are packages."""
    return (ROOT / path.replace(".", "/")).is_dir()


def test_readme_has_the_two_commands_and_the_cautions():
    text = (ROOT / "README.md").read_text(encoding="utf-8")

    assert "python -m pip install uv && uv run manage.py demo\n" in text
    assert "uv run pytest\n" in text
    for words in ("not a diagnosis", "Local law", "licensed clinician", "policy.csv"):
        assert words in text
