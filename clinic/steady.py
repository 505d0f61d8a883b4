"""Answers in whole steps of time, so that their length tells nothing of what was found."""

import time

from django.conf import settings


def wait_for_step(since: float) -> None:
    """Wait until a whole number of steps has passed since a moment of time.monotonic.

    What is done under a known name takes about a millisecond longer than under an unknown one;
    both end with the same step.
    """
    step = settings.STEADY_SECONDS
    if step:
        time.sleep(step - (time.monotonic() - since) % step)
