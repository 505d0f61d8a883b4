"""Times of the assessment page and of one answer, in process.

Run: `uv run python -m tests.benchmarks.bench_consult` on an empty data folder (CLINIC_DATA) after
`migrate` and `collectstatic`; it makes its own rows. 200 requests after 20 to warm up; median and
95th percentile.
"""

import argparse
import os
import sys
from datetime import timedelta
from decimal import Decimal
from statistics import median, quantiles
from time import perf_counter

REQUESTS, WARM_UP = 200, 20


def measure(act, prepare=lambda number: number):
    """Milliseconds of each of 200 calls; what `prepare` makes for a call is not timed."""
    times = []
    for number in range(WARM_UP + REQUESTS):
        given = prepare(number)
        start = perf_counter()
        act(given)
        times.append((perf_counter() - start) * 1000)
    return times[WARM_UP:]


def report(text):
    sys.stdout.write(text + "\n")


def line(name, times):
    late = quantiles(times, n=20)[-1]
    return f"{name:<34} median {median(times):6.1f} ms   p95 {late:6.1f} ms"


def filled(edition, by, others):
    """One client with an assessment and the one before it, both answered, beside others."""
    from tests.factories import ClientFactory
    from tests.factories.consult import DAY, make_assessment

    for number in range(others):
        make_assessment(edition=edition, by=by, client=ClientFactory(), on=DAY - timedelta(number))
    client = ClientFactory()
    answered(make_assessment(edition=edition, by=by, client=client, on=DAY - timedelta(42)))
    assessment = make_assessment(edition=edition, by=by, client=client)
    answered(assessment)
    return assessment


def answered(assessment):
    """Every feature with what it can take, every test and score with a number."""
    from assessments.editions import tables_of
    from tests.factories.consult import observe

    for feature in tables_of(assessment.edition_id).features.values():
        given = {"grade": 1} if feature.grades else {}
        low, high = feature.plausible.low, feature.plausible.high
        if feature.choices:
            given = {"choice": feature.choices[0]}
        elif feature.unit != "grade" and low is not None and high is not None:
            given |= {"value": ((low + high) / 2).quantize(Decimal("0.1")), "method": "video_2d"}
        for side in feature.sides:
            observe(assessment, feature.code, side.value, **given)


def clinician_at_work():
    """A clinician signed in with a test browser, and the tables as an edition."""
    from django.conf import settings
    from django.test import Client

    from clinic.models import Staff
    from exercises.services.editions import load_tables, read_folder
    from tests.factories import StaffFactory

    settings.ALLOWED_HOSTS = [*settings.ALLOWED_HOSTS, "testserver"]
    settings.SECURE_SSL_REDIRECT = settings.SECOND_FACTOR = False
    texts = read_folder(settings.REFERENCE_DIR)
    edition = load_tables(texts=texts, author="a clinician", reason="Loaded as it is.")[0]
    by = StaffFactory(username=f"bench{Staff.objects.count()}")
    browser = Client()
    browser.force_login(by)
    return by, browser, edition


def answering(browser, assessment):
    """What the page of an assessment posts next, and how it is sent."""
    from django.urls import reverse

    from assessments.answer_states import seen_token
    from assessments.models import Observation
    from tests.factories.consult import answer

    answers = reverse("assessment-answers", args=[assessment.pk])

    def next_answer(number):
        # what the page would have seen: a stale answer is refused
        row = Observation.objects.get(assessment=assessment, feature="cadence")
        said = {"value": str(150 + number % 30), "method": row.method, "seen": seen_token(row)}
        return {"trial": "1"} | answer("cadence", **said)

    def send(post):
        response = browser.post(answers, post, headers={"HX-Request": "true"})
        assert response.status_code == 200, response.status_code

    return next_answer, send


def run(others):
    from django.urls import reverse

    by, browser, edition = clinician_at_work()
    assessment = filled(edition, by, others)
    page = reverse("assessment-open", args=[assessment.pk])
    next_answer, send = answering(browser, assessment)

    def view(_):
        assert browser.get(page).status_code == 200

    report(f"{others} other assessments, page of {len(browser.get(page).content)} bytes")
    report(line("assessment page", measure(view)))
    report(line("one answer saved and judged", measure(send, next_answer)))


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    import django

    django.setup()
    parser = argparse.ArgumentParser()
    parser.add_argument("--others", type=int, default=100)
    sys.exit(run(parser.parse_args().others))
