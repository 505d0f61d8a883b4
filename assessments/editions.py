"""The assessment tables of an edition as values, built once a process; editions never change."""

from functools import lru_cache

from assessments.domain.reading import read_assessment_tables
from assessments.domain.tables import AssessmentTables
from clinic.domain.tables import Reader
from clinic.models import Edition
from clinic.services.editions import texts_of


@lru_cache(maxsize=8)
def tables_of(edition_id: int) -> AssessmentTables:
    """Tables of one edition. Raises BadTables, which a stored edition has already passed."""
    reader = Reader(texts_of(edition_id))
    tables = read_assessment_tables(reader)
    reader.finish()
    return tables


def newest() -> Edition:
    """The edition in force. Raises Edition.DoesNotExist before the tables were loaded."""
    return Edition.objects.newest().get()


def forget() -> None:
    """Drop what is kept in the process (tests roll editions back)."""
    tables_of.cache_clear()
