"""Taking the clinical tables in, whole or not at all."""

from collections.abc import Mapping
from pathlib import Path

from django.db import transaction

from assessments.services.terms import keep_terms
from clinic.models import Edition, Staff
from clinic.services.editions import keep_edition
from exercises.domain.edition import build_edition
from exercises.models import Exercise


def read_folder(folder: Path) -> dict[str, str]:
    """File name to text of every table and schema of a folder."""
    return {
        file.name: file.read_bytes().decode("utf-8")
        for file in sorted(folder.iterdir())
        if file.suffix in {".csv", ".json"}
    }


@transaction.atomic
def load_tables(
    *, texts: Mapping[str, str], author: str, reason: str, by: Staff | None = None
) -> tuple[Edition, bool]:
    """Check every table, then store the files as an edition; the same files change nothing.

    Raises BadTables with file, line and reason of all that is wrong; then nothing is stored.
    """
    edition = build_edition(texts)
    kept, new = keep_edition(texts=texts, author=author, reason=reason, by=by)
    keep_terms(edition.tables)
    Exercise.objects.bulk_create(
        [Exercise(code=it.code, name=it.name) for it in edition.exercises.values()],
        update_conflicts=True,
        unique_fields=["code"],
        update_fields=["name"],
    )
    return kept, new
