"""What is in the database at the end, against what was acknowledged."""

import subprocess
import sys
from collections import defaultdict
from itertools import pairwise

from django.conf import settings
from django.core.management import get_commands
from django.db import connection

from assessments.answer_states import state_of
from assessments.models import Assessment, Observation, ScoreValue, TestResult
from clinic.models import TrailEntry

VALUE = "value"


def kept_cells(assessment):
    """Rows of the assessment by the key of their cell."""
    rows = [
        *((f"o.{it.feature_id}.{it.side}", it) for it in assessment.observations.all()),
        *((f"t.{it.test_id}.{it.side}", it) for it in assessment.tests.all()),
        *((f"s.{it.score_id}.none", it) for it in assessment.scores.all()),
    ]
    return dict(rows)


def lines_of(assessment):
    """Lines of the trail that say what was changed in the assessment, in the order of time."""
    return list(
        TrailEntry.objects.filter(
            action="change", object_kind="assessment", object_key=str(assessment.pk)
        ).order_by("chain", "number")
    )


def missing(acknowledged, assessment):
    """Acknowledged answers that are not there: no line says them, or their cell holds another.

    An answer stands, or a later acknowledged one of the same cell.
    """
    lines = {str(line.act): line for line in lines_of(assessment)}
    lost = [one for one in acknowledged if not _said(one, lines.get(one.act))]
    cells = kept_cells(assessment)
    last = {one.key: one for one in acknowledged}
    return lost + [
        one for key, one in last.items() if _stored(key, cells, assessment) != one.value
    ]


def _said(answer, line):
    if line is None:
        return False
    if answer.key.startswith("w."):
        return line.detail.get("fields") == [answer.key[2:]]
    moved = line.detail.get("answers", {}).get(answer.key, {})
    return moved.get(VALUE) == [answer.before, answer.value]


def _stored(key, cells, assessment):
    if key.startswith("w."):
        return getattr(assessment, key[2:])
    return state_of(cells.get(key)).value


def half_written(assessment):
    """Answers without their line, lines without their answer, in words."""
    told, words = defaultdict(list), 0
    for line in lines_of(assessment):
        words += "fields" in line.detail
        for key, moved in line.detail.get("answers", {}).items():
            told[key].append(moved[VALUE])
    found = [
        problem
        for key in told.keys() | kept_cells(assessment).keys()
        for problem in _half(key, told[key], kept_cells(assessment).get(key))
    ]
    if assessment.version != 1 + words:
        found.append(f"the words were saved {assessment.version - 1} times, {words} lines say so")
    strays = rows_elsewhere(assessment)
    return [*found, f"{strays} rows of another assessment"] if strays else found


def _half(key, told, row):
    if row is None:
        return [f"{key}: {len(told)} lines and no answer"]
    problems = []
    if row.version != len(told):
        problems.append(f"{key}: saved {row.version} times, {len(told)} lines say so")
    if any(one[1] != other[0] for one, other in pairwise(told)):
        problems.append(f"{key}: a line goes on from another answer than the line before it")
    if told and told[-1][1] != state_of(row).value:
        problems.append(f"{key}: holds {state_of(row).value}, the last line says {told[-1][1]}")
    return problems


def rows_elsewhere(assessment):
    """Answers of other assessments: the test makes one only."""
    models = (Observation, TestResult, ScoreValue)
    return sum(model.objects.exclude(assessment=assessment).count() for model in models)


def integrity():
    """What the database's own checks find wrong, in words."""
    check = sqlite_problems if connection.vendor == "sqlite" else postgres_problems
    with connection.cursor() as cursor:
        return check(cursor)


def sqlite_problems(cursor):
    cursor.execute("PRAGMA integrity_check")
    found = [text for (text,) in cursor.fetchall() if text != "ok"]
    cursor.execute("PRAGMA foreign_key_check")
    return found + [f"a row of {row[0]} points to nothing" for row in cursor.fetchall()]


def postgres_problems(cursor):
    """Each table against its format, each index against its table (extension amcheck)."""
    cursor.execute("CREATE EXTENSION IF NOT EXISTS amcheck")
    cursor.execute(
        "SELECT c.oid::regclass::text, r.msg FROM pg_class c, LATERAL verify_heapam(c.oid) r "
        "WHERE c.relkind = 'r' AND c.relpersistence = 'p'"
    )
    found = [f"{table}: {text}" for table, text in cursor.fetchall()]
    cursor.execute(
        "SELECT count(bt_index_check(c.oid, true)) "
        "FROM pg_class c JOIN pg_am a ON a.oid = c.relam "
        "WHERE a.amname = 'btree' AND c.relkind = 'i' AND c.relpersistence = 'p'"
    )
    return found


def verified():
    """What `manage.py verify` finds wrong; None while there is no such command."""
    if "verify" not in get_commands():
        return None
    done = subprocess.run(
        [sys.executable, str(settings.BASE_DIR / "manage.py"), "verify"],
        capture_output=True,
        text=True,
        check=False,
    )
    return "" if done.returncode == 0 else done.stdout + done.stderr


def kept_before_the_cut(cut):
    """How many answers were stored although the line was cut before they were acknowledged."""
    acts = {answer.act: moment for answer, moment in cut}
    lines = TrailEntry.objects.filter(act__in=acts)
    return sum(line.at.timestamp() < acts[str(line.act)] for line in lines)


def inspect(acknowledged, cut, assessment_pk):
    """The figures of the whole test."""
    assessment = Assessment.objects.get(pk=assessment_pk)
    # each cut is one try: the first of an answer says when it was in flight
    first = list({answer.act: (answer, moment) for answer, moment in reversed(cut)}.values())
    return {
        "acknowledged": len(acknowledged),
        "cut_in_flight": len(first),
        "kept_before_the_cut": kept_before_the_cut(first),
        "missing": [str(one) for one in missing(acknowledged, assessment)],
        "half_written": half_written(assessment),
        "integrity": integrity(),
        "verify": verified(),
    }
