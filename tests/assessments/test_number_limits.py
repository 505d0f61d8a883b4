"""Every number of the assessment page at, beside and far from its limits (ASVS 2.2.1, 2.2.2).

The limits are read from the tables as they lie in fixtures, not by the code that applies them.
"""

import csv
from decimal import Decimal
from pathlib import Path

import pytest
from django.conf import settings
from django.db import transaction

from tests.assessments.test_answers import save
from tests.factories.consult import answer, make_assessment

pytestmark = pytest.mark.django_db
FILES = {
    "o": ("features.csv", "plausible"),
    "t": ("tests.csv", "plausible"),
    "s": ("scores.csv", "range"),
}
VALUED = {"value", "grade_or_value", "number"}
NO_NUMBERS = ["NaN", "Infinity", "-Infinity", "1e9", "1e400", "12 cm", "--1", "1;5"]


def numbers():
    """(kind, code, side, lowest, highest) of everything that takes a number."""
    for kind, (name, limit) in FILES.items():
        text = (Path(settings.REFERENCE_DIR) / name).read_text(encoding="utf-8")
        for row in csv.DictReader(text.splitlines()):
            lowest, highest = row[f"{limit}_min"], row[f"{limit}_max"]
            if lowest and highest and row["kind"] in VALUED:
                side = "left" if row.get("per_side") == "yes" else "none"
                yield kind, row["code"], side, Decimal(lowest), Decimal(highest)


def is_stored(assessment, kind, code, side, text):
    with transaction.atomic():
        saving = save(assessment, answer(code, side, kind=kind, value=text))
        transaction.set_rollback(True)
    assert bool(saving.saved) != bool(saving.refused), (code, text)
    return bool(saving.saved)


def test_numbers_are_taken_up_to_their_limits_and_no_further(edition):
    assessment = make_assessment(edition=edition)
    tried, wrong = 0, []
    for kind, code, side, lowest, highest in numbers():
        little = Decimal("0.001")
        good = [str(lowest), str(highest), str(highest).replace(".", ",")]
        bad = [str(lowest - little), str(highest + little), *NO_NUMBERS]
        for text, taken in [*((it, True) for it in good), *((it, False) for it in bad)]:
            tried += 1
            if is_stored(assessment, kind, code, side, text) != taken:
                wrong.append((code, text, "refused" if taken else "stored"))

    assert wrong == []
    assert tried == 585
