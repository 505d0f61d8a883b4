"""The command `propose`: what it prints, where, and with which exit code.

Source: fixtures/EVALUATION.md, 2 and the head of the page.
"""

import json
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from tests.exercises.domain.cases import FIXTURES, case, proposed

CASE = Path(__file__).parents[1] / "vignettes" / "cases" / "06-arm-reach-with-overstride.json"


def run(path):
    """Exit code, stdout and stderr of the command."""
    out, err = StringIO(), StringIO()
    try:
        call_command("propose", str(path), stdout=out, stderr=err, no_color=True)
    except SystemExit as stop:
        return stop.code, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


def test_propose_prints_the_proposal_and_nothing_else():
    code, out, err = run(CASE)

    expected = json.loads(CASE.with_suffix(".expected.json").read_text(encoding="utf-8"))
    assert (code, json.loads(out), err) == (0, expected, "")


def test_propose_prints_the_same_bytes_twice_with_one_blank_of_indent():
    first, second = run(CASE), run(CASE)

    assert first == second
    assert first[1].startswith('{\n "outcome": "proposed",\n "holds": [],\n')


def test_propose_prints_other_scripts_as_they_are(tmp_path):
    lift = {
        "answer": "yes_lifted",
        "lifted_on": "2027-03-01",
        "reason": "Seen",
        "lifted_by": "Ř. Łęc",
    }
    path = tmp_path / "lifted.json"
    path.write_text(json.dumps(case(flags={"s10": lift})), encoding="utf-8")

    assert '"lifted_by": "Ř. Łęc"' in run(path)[1]


def test_propose_reads_a_file_with_a_byte_order_mark(tmp_path):
    data = case()
    path = tmp_path / "marked.json"
    path.write_bytes(b"\xef\xbb\xbf" + json.dumps(data).encode())

    assert json.loads(run(path)[1]) == proposed(data)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"{", ": this is no valid JSON: "),
        (b'{"a": "\xff"}', ": is not UTF-8 at byte 7"),
        (b"[" * 100_000, ": this is nested too deeply"),
        (b'{"client":' + b"[" * 700 + b"]" * 700 + b"}", ""),
    ],
)
def test_propose_refuses_what_is_no_json_with_code_2_and_no_output(tmp_path, content, message):
    path = tmp_path / "broken.json"
    path.write_bytes(content)

    code, out, err = run(path)

    assert (code, out) == (2, "")
    assert err.startswith(message)


def test_propose_refuses_a_file_that_is_not_there(tmp_path):
    code, out, err = run(tmp_path / "none.json")

    assert (code, out, err) == (2, "", ": cannot be read: No such file or directory\n")


def test_propose_prints_every_error_one_a_line(tmp_path):
    data = case(client={"age_years": 4}, kind="first\nlook")
    path = tmp_path / "bad.json"
    path.write_text(json.dumps(data), encoding="utf-8")

    code, out, err = run(path)

    assert (code, out) == (2, "")
    assert err.splitlines() == [
        '/kind: "first\\nlook" is not allowed, allowed are baseline, reassessment, discharge',
        "/client/age_years: 4 is outside the plausible range 5 to 110",
    ]


def test_propose_names_the_problem_of_a_bad_reference_table(tmp_path, settings):
    for path in FIXTURES.iterdir():
        if path.is_file():
            (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "policy.csv").unlink()
    settings.REFERENCE_DIR = tmp_path

    with pytest.raises(CommandError, match=r"policy\.csv: the file is missing"):
        call_command("propose", str(CASE))
