"""Where a value comes from: ids of reference_values.csv in the other tables."""

from clinic.domain.tables import Reader, Row

REFERENCE_COLUMNS = ("id", "quantity", "value", "unit", "source", "seen_in")
WITHOUT_REFERENCE = frozenset({"common practice", "from memory"})


def reference_ids(reader: Reader) -> frozenset[str]:
    """Ids of reference_values.csv. Source: fixtures/README.md."""
    rows = reader.rows("reference_values.csv", REFERENCE_COLUMNS)
    reader.once(rows, "id")
    for row in rows:
        reader.text(row, "quantity")
        reader.text(row, "source")
    return frozenset(row["id"] for row in rows)


def check_sources(reader: Reader, row: Row, column: str, references: frozenset[str]) -> None:
    """Refuse ids that are not in reference_values.csv; an empty cell is refused as well.

    Source: fixtures/README.md.
    """
    reader.text(row, column)
    for item in reader.listed(row, column):
        if item and item not in references | WITHOUT_REFERENCE:
            reader.refuse(row, f"{column}: {item!r} is not in reference_values.csv")
