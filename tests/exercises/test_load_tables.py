"""The clinical tables come in whole, or not at all."""

import pytest
from django.core.management import CommandError, call_command

from assessments.editions import tables_of
from assessments.models import Fact, Feature, FindingTerm, Flag, Score, Test
from clinic.domain.tables import BadTables
from clinic.models import Edition, EditionTable, TrailEntry
from clinic.services.editions import texts_of
from exercises.editions import edition_of
from exercises.models import Exercise
from exercises.services.editions import load_tables


def test_every_row_of_the_tables_is_there(edition):
    counts = [m.objects.count() for m in (Feature, Test, Score, Fact, Flag, FindingTerm, Exercise)]

    # rows of features, tests, scores, history, screening, findings and exercises.csv
    assert counts == [43, 15, 8, 28, 34, 31, 50]
    assert Feature.objects.get(pk="trunk_lean").maximum == 45


def test_files_are_kept_to_the_byte(edition, reference_texts):
    assert texts_of(edition.pk) == reference_texts
    assert tables_of(edition.pk).features["cadence"].unit == "steps/min"
    assert len(edition_of(edition.pk).exercises) == 50


def test_loading_twice_changes_nothing(edition, reference_texts, capsys):
    tables, lines = EditionTable.objects.count(), TrailEntry.objects.count()

    again, new = load_tables(texts=reference_texts, author="x", reason="y")
    call_command("load_tables")

    assert (again, new) == (edition, False)
    assert (EditionTable.objects.count(), TrailEntry.objects.count()) == (tables, lines)
    assert "is loaded already" in capsys.readouterr().out


def test_changed_table_makes_a_new_edition(edition, reference_texts):
    changed = reference_texts | {
        "features.csv": reference_texts["features.csv"].replace(
            "Elbow angle", "Angle at the elbow"
        )
    }

    newer, new = load_tables(texts=changed, author="A clinician", reason="Plainer name")

    assert (newer.number, new) == (2, True)
    assert Feature.objects.get(pk="elbow_angle").name == "Angle at the elbow"
    assert tables_of(edition.pk).features["elbow_angle"].name == "Elbow angle"


def test_bad_table_is_refused_whole(db, reference_texts):
    lines = reference_texts["criteria.csv"].splitlines(keepends=True)
    lines[3] = lines[3].replace("hand_crossing_midline", "hand_crossing_nothing")
    bad = reference_texts | {"criteria.csv": "".join(lines)}

    with pytest.raises(BadTables) as refused:
        load_tables(texts=bad, author="A clinician", reason="A slip of the pen")

    assert {(p.file, p.line) for p in refused.value.problems} >= {("criteria.csv", 4)}
    assert (Edition.objects.count(), Feature.objects.count()) == (0, 0)


def test_command_names_file_line_and_reason(db, tmp_path, reference_texts):
    for name, text in reference_texts.items():
        (tmp_path / name).write_bytes(text.encode())
    (tmp_path / "norms.csv").write_text("test,sex\nheel_raises,f\n")

    with pytest.raises(CommandError, match=r"norms\.csv:1: column age_min is missing"):
        call_command("load_tables", str(tmp_path))


def test_command_says_what_it_cannot_read(db, tmp_path):
    with pytest.raises(CommandError, match="Cannot read"):
        call_command("load_tables", str(tmp_path / "nowhere"))
