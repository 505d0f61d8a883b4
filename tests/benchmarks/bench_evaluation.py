"""Time of one evaluation: `uv run python -m tests.benchmarks.bench_evaluation`.

Prints figures and asserts none: machines differ. Aim: at most 5 ms for all criteria and rules.
"""

import sys
from pathlib import Path
from statistics import median, quantiles
from time import perf_counter

from clinic.json_files import load_json
from exercises.assessment_file import read_assessment
from exercises.domain.edition import FILES, build_edition
from exercises.domain.printing import proposal_json
from exercises.domain.proposals import propose

ROOT = Path(__file__).parents[2]
CASES = ROOT / "tests" / "vignettes" / "cases"
WARM_UP, RUNS = 20, 200


def timed(work, runs=RUNS):
    """Milliseconds of each run after a warm-up."""
    for _ in range(min(WARM_UP, runs)):
        work()
    times = []
    for _ in range(runs):
        start = perf_counter()
        work()
        times.append((perf_counter() - start) * 1000)
    return times


def show(name, times):
    """One line: median and 95th percentile in ms."""
    high = quantiles(times, n=20)[-1]
    sys.stdout.write(f"{name:<44} {median(times):8.2f} {high:8.2f}\n")


def main():
    texts = {name: (ROOT / "fixtures" / name).read_text(encoding="utf-8") for name in FILES}
    sys.stdout.write(f"{'':<44} {'median':>8} {'p95':>8}  ms\n")
    show("build an edition from its files", timed(lambda: build_edition(texts), runs=10))
    edition, schema = build_edition(texts), load_json(texts["assessment.schema.json"])
    for path in sorted(CASES.glob("*.expected.json")):
        name = path.name.removesuffix(".expected.json")
        text = path.with_name(f"{name}.json").read_text(encoding="utf-8")
        assessment = read_assessment(load_json(text), schema, edition)
        show(f"evaluate {name}", timed(lambda one=assessment: propose(one, edition)))
    proposal = propose(assessment, edition)
    show("print the last proposal", timed(lambda: proposal_json(proposal)))
    show(
        "read the last file with every check",
        timed(lambda: read_assessment(load_json(text), schema, edition), runs=20),
    )


if __name__ == "__main__":
    main()
