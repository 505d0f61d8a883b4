"""Reading of norms.csv and pain_zones.csv; every bad cell is kept as a problem of the reader."""

from collections.abc import Mapping
from decimal import Decimal

from assessments.domain.norms import parsed_equation
from assessments.domain.sources import check_sources
from assessments.domain.tables import Equation, Norm, PainLine, Range, TestRow
from assessments.domain.vocabulary import Evidence, NormSex, Zone, ZoneLines
from clinic.domain.tables import Reader, Row

PAIN_COLUMNS = ("applies_to", "from", "to", "zone", "rule", "source")
NORM_COLUMNS = [
    "test",
    "sex",
    "age_min",
    "age_max",
    "value",
    "lower_limit",
    "unit",
    "equation",
    "lower_limit_equation",
    "source",
    "evidence",
    "basis",
]


def read_pain_lines(reader: Reader) -> tuple[PainLine, ...]:
    """Lines of pain_zones.csv, each kind without a gap from 0 to 10.

    Source: fixtures/README.md.
    """
    rows = reader.rows("pain_zones.csv", PAIN_COLUMNS)
    lines = [_pain_line(reader, row) for row in rows]
    ends: dict[ZoneLines, Decimal] = {}
    for row, line in zip(rows, lines, strict=True):
        expected = ends.get(line.lines, Decimal(-1)) + 1
        if line.pain.low != expected:
            reader.refuse(
                row, f"from {row['from']}: the line before leaves {expected} to start with"
            )
        ends[line.lines] = line.pain.high or Decimal(0)
    for kind in ZoneLines:
        if rows and ends.get(kind) != 10:
            reader.refuse_file("pain_zones.csv", f"the lines of {kind} do not reach from 0 to 10")
        if rows and not any(line.lines is kind and line.zone is not Zone.STOP for line in lines):
            reader.refuse_file("pain_zones.csv", f"the lines of {kind} allow no pain score at all")
    return tuple(lines)


def _pain_line(reader: Reader, row: Row) -> PainLine:
    low, high = reader.needed_number(row, "from"), reader.needed_number(row, "to")
    if low > high:
        reader.refuse(row, f"from {low} is above to {high}")
    return PainLine(
        lines=reader.word(row, "applies_to", ZoneLines),
        pain=Range(low, high),
        zone=reader.word(row, "zone", Zone),
        rule=reader.text(row, "rule"),
        source=reader.text(row, "source"),
    )


def read_norms(
    reader: Reader, tests: Mapping[str, TestRow], references: frozenset[str]
) -> tuple[Norm, ...]:
    """Rows of norms.csv; no two bands of one test and sex overlap. Source: fixtures/README.md."""
    rows = reader.rows("norms.csv", NORM_COLUMNS)
    norms: list[Norm] = []
    for row in rows:
        norm = _norm(reader, row, tests, references)
        if any(_overlap(norm, other) for other in norms):
            reader.refuse(row, "the band of age overlaps that of another row of this test and sex")
        norms.append(norm)
    return tuple(norms)


def _norm(
    reader: Reader, row: Row, tests: Mapping[str, TestRow], references: frozenset[str]
) -> Norm:
    test = tests.get(reader.known(row, "test", tests, "test"))
    if test is not None and row["unit"] != test.unit:
        reader.refuse(row, f"unit: {row['unit']!r} is not that of the test, {test.unit!r}")
    low, high = reader.needed_number(row, "age_min"), reader.needed_number(row, "age_max")
    if low > high:
        reader.refuse(row, f"age_min {low} is above age_max {high}")
    check_sources(reader, row, "source", references)
    value = _equation(reader, row, "value", "equation")
    if value is None:
        reader.refuse(row, "value: a number or an equation is needed")
    elif test is not None and not row["equation"] and not test.plausible.holds(value.constant):
        reader.refuse(row, f"value: {value.constant} lies outside the plausible range of the test")
    lower = _equation(reader, row, "lower_limit", "lower_limit_equation")
    if value and lower and lower.constant >= value.constant:
        reader.refuse(row, "lower_limit is not below the value")
    return Norm(
        test=row["test"],
        sex=reader.word(row, "sex", NormSex),
        ages=Range(low, high),
        value=value or Equation(Decimal(0)),
        lower_limit=lower,
        unit=row["unit"],
        source=row["source"],
        evidence=reader.word(row, "evidence", Evidence),
        basis=row["basis"],
    )


def _equation(reader: Reader, row: Row, number: str, equation: str) -> Equation | None:
    if row[number] and row[equation]:
        reader.refuse(row, f"{number} and {equation} exclude each other")
    if row[equation]:
        parsed = parsed_equation(row[equation])
        if parsed is None:
            reader.refuse(row, f"{equation}: {row[equation]!r} is no sum of age_years and male")
        return parsed
    value = reader.number(row, number)
    return None if value is None else Equation(value)


def _overlap(one: Norm, other: Norm) -> bool:
    same = one.test == other.test and (one.sex == other.sex or NormSex.ANY in (one.sex, other.sex))
    if not same or None in (one.ages.low, one.ages.high):
        return False
    ends = (one.ages.low, one.ages.high, other.ages.low, other.ages.high)
    low, high, other_low, other_high = (end or Decimal(0) for end in ends)
    return low <= other_high and other_low <= high
