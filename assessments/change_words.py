"""A reading and its change in words, the same on pages and papers."""

from decimal import Decimal

from assessments.domain.change import Change, Governs, Reading, Verdict
from assessments.domain.measured import printed

VERDICT_WORDS = {
    Verdict.BETTER: "better",
    Verdict.WORSE: "worse",
    Verdict.CHANGED: "changed",
    Verdict.WITHIN_ERROR: "within error",
    Verdict.NO_ERROR_PUBLISHED: "no verdict, error not published",
    Verdict.NOT_COMPARABLE: "not comparable",
}
GOVERNS_WORDS = {
    Governs.PUBLISHED: "published for this measure",
    Governs.READINGS: "of the two readings",
}


def number_words(number: Decimal) -> str:
    """A number without zeros that say nothing, at most three decimals."""
    text = format(round(number, 3), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def reading_words(reading: Reading) -> str:
    """The value, with its standard error where that was computed: "7.3 ± 1.6"."""
    if reading.sd:
        return printed(float(reading.value), float(reading.sd))
    return number_words(reading.value)


def verdict_words(change: Change) -> str:
    """The verdict, and why there is none where the two cannot be compared."""
    verdict = VERDICT_WORDS[change.verdict]
    return f"{verdict}: {change.why}" if change.why else verdict


def change_words(change: Change, unit: str) -> str:
    """Difference, verdict and the detectable difference that decided."""
    sign = "+" if change.difference > 0 else "−" if change.difference < 0 else ""
    moved = f"{sign}{number_words(abs(change.difference))} {unit}".strip()
    if change.error is None or change.governs is None or change.verdict.cannot_be_told:
        return f"{moved}, {verdict_words(change)}"
    widened = change.together > 1
    error = f"{number_words(_short(change.error) if widened else change.error)} {unit}".strip()
    whose = GOVERNS_WORDS[change.governs]
    if widened:
        whose += f", widened as {change.together} visits are judged together"
    return f"{moved}, {verdict_words(change)} (detectable difference {error}, {whose})"


def _short(number: Decimal) -> Decimal:
    """A computed number to three figures."""
    return Decimal(f"{number:.3g}")
