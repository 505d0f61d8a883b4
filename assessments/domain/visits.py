"""Change over several visits, without finding by chance what a single look would not."""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from statistics import NormalDist

from assessments.domain.change import Change, Confidence, Measure, Reading, change, verdict_on

NORMAL = NormalDist()


def visit_changes(
    first: Reading,
    later: Sequence[Reading],
    measure: Measure,
    confidence: Confidence = Confidence.P95,
) -> tuple[Change, ...]:
    """The change of each later visit against the first, all judged together.

    first, later: in the unit of the measure, later in the order of the visits. The detectable
    difference of each is widened so that, with nothing truly changed, any of them is found
    changed at most 5 (or 10) times in 100. Visits that cannot be compared take no part. The
    published detectable difference is taken as one of the same confidence. Source: Holm S 1979,
    Scandinavian Journal of Statistics 6:65-70 (step-down, holds though all share one first
    visit).
    """
    changes = [change(first, now, measure, confidence) for now in later]
    judged = [place for place, one in enumerate(changes) if not one.verdict.cannot_be_told]
    judged.sort(key=lambda place: _size(changes[place]), reverse=True)
    together, stopped = 1, False
    for step, place in enumerate(judged):
        if not stopped:
            together = len(judged) - step
        one = changes[place]
        error = (one.error or Decimal(0)) * widening(together, confidence)
        stopped = stopped or abs(one.difference) < error
        changes[place] = replace(
            one,
            error=error,
            verdict=verdict_on(first, later[place], measure, error),
            together=together,
        )
    return tuple(changes)


def widening(looks: int, confidence: Confidence = Confidence.P95) -> Decimal:
    """How many times as large a difference must be if several are looked at: 1 for one.

    looks: 1 or more; ValueError below. The ratio of the two-sided normal values for alpha / looks
    and alpha. Source: Bonferroni's inequality; Holm S 1979, Scandinavian Journal of Statistics
    6:65-70.
    """
    if looks < 1:
        raise ValueError(f"looks must be 1 or more, is {looks}")
    if looks == 1:
        return Decimal(1)
    alpha = 1 - float(confidence)
    return Decimal(NORMAL.inv_cdf(1 - alpha / 2 / looks) / NORMAL.inv_cdf(1 - alpha / 2))


def _size(one: Change) -> Decimal:
    """The difference in multiples of its error; without any error it lies beyond all."""
    return abs(one.difference) / one.error if one.error else Decimal("Infinity")
