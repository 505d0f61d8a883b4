"""The texts of consents, and what may not be done once a consent was withdrawn or refused."""

from collections.abc import Iterable
from functools import cache

from django.conf import settings
from django.core.exceptions import ValidationError

from clinic.domain.consents import STOPS, ConsentText, newest_text, read_texts
from clinic.domain.vocabulary import ConsentPurpose
from clinic.models import Client, Consent

WHY = {
    ConsentPurpose.ASSESSMENT: "The client does not agree to assessment and treatment.",
    ConsentPurpose.FILMING: "The client does not agree to filming.",
    ConsentPurpose.SHARING: "The client does not agree to sharing.",
}


@cache
def texts() -> tuple[ConsentText, ...]:
    """Every version of every text of the clinic; raises ValueError for a table with a fault."""
    return read_texts(
        (settings.REFERENCE_DIR / "rights" / "consents.csv").read_text(encoding="utf-8")
    )


def text_of(purpose: ConsentPurpose) -> ConsentText:
    """What is read out now."""
    return newest_text(texts(), purpose)


def stopped(client: Client, purpose: ConsentPurpose) -> bool:
    """Whether the client was asked, and no answer that was given stands."""
    return _ended(Consent.objects.filter(client=client, purpose=purpose.value))


def _ended(answers: Iterable[Consent]) -> bool:
    found = [one.in_force for one in answers]
    return bool(found) and not any(found)


def refuse_stopped(client: Client, purpose: ConsentPurpose) -> None:
    """Raise ValidationError where a withdrawal or a refusal forbids it.

    Called inside a transaction: a withdrawal in the same moment waits for its end.
    """
    held = Consent.objects.select_for_update().order_by("pk")
    if _ended(held.filter(client=client, purpose=purpose.value)):
        raise ValidationError(refusal_of(purpose))


def refusal_of(purpose: ConsentPurpose) -> str:
    """Why it is refused, and what to do."""
    return f"{WHY[purpose]} {STOPS[purpose]} Ask again, and enter a new answer under consents."
