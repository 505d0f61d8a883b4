"""Editions of the clinical tables: kept whole, found again by their checksum."""

from collections.abc import Mapping
from hashlib import sha256

from django.db import transaction
from django.utils import timezone

from clinic.domain.vocabulary import TrailAction
from clinic.models import Edition, EditionTable, Staff
from clinic.services import trail


def checksum(text: str) -> str:
    """SHA-256 of a file's text."""
    return sha256(text.encode()).hexdigest()


def checksum_of_all(texts: Mapping[str, str]) -> str:
    """One checksum of a whole edition: file names and their checksums, in order of name."""
    return checksum("\n".join(f"{name} {checksum(texts[name])}" for name in sorted(texts)))


@transaction.atomic
def keep_edition(
    *, texts: Mapping[str, str], author: str, reason: str, by: Staff | None
) -> tuple[Edition, bool]:
    """Store the files as a new edition; the same files again give the edition that has them.

    The caller has checked the tables. Returns the edition and whether it is new.
    """
    whole = checksum_of_all(texts)
    found = Edition.objects.filter(checksum=whole).first()
    if found:
        return found, False
    newest = Edition.objects.newest().first()
    edition = Edition(
        number=newest.number + 1 if newest else 1,
        author=author,
        reason=reason,
        made_at=timezone.now(),
        checksum=whole,
    )
    edition.full_clean()
    edition.save()
    EditionTable.objects.bulk_create(
        EditionTable(edition=edition, name=name, content=text, checksum=checksum(text))
        for name, text in sorted(texts.items())
    )
    trail.record(TrailAction.LOAD, by=by, row=edition, number=edition.number, checksum=whole)
    return edition, True


def texts_of(edition_id: int) -> dict[str, str]:
    """File name to text of every table of an edition."""
    return dict(EditionTable.objects.filter(edition_id=edition_id).values_list("name", "content"))
