"""Times of the page of progress and of the record, in process, for a client of many visits.

Run: `uv run python -m tests.benchmarks.bench_progress` on an empty data folder (CLINIC_DATA) after
`migrate` and `collectstatic`; it makes its own rows: every measure taken at every visit. 200
requests after 20 to warm up; median and 95th percentile.
"""

import argparse
import os
import sys
from datetime import timedelta

from tests.benchmarks.bench_consult import answered, clinician_at_work, line, measure, report

WEEKS = 6  # from visit to visit


def visited(edition, by, visits):
    """A client with so many signed assessments, the last one today's."""
    from assessments.services.assessments import sign_assessment
    from tests.factories import ClientFactory
    from tests.factories.consult import DAY, make_assessment

    client = ClientFactory()
    for number in reversed(range(visits)):
        on = DAY - timedelta(weeks=WEEKS * number)
        assessment = make_assessment(edition=edition, by=by, client=client, on=on)
        answered(assessment)
        sign_assessment(assessment=assessment, findings=[], by=by)
    return client


def run(visits):
    from django.urls import reverse

    by, browser, edition = clinician_at_work()
    client = visited(edition, by, visits)
    for name, page in (("progress", "progress-open"), ("record", "client-open")):
        address = reverse(page, args=[client.pk])
        size = len(browser.get(address).content)

        def view(_, address=address):
            assert browser.get(address).status_code == 200

        report(line(f"{name}, {visits} visits, {size} bytes", measure(view)))


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    import django

    django.setup()
    parser = argparse.ArgumentParser()
    parser.add_argument("--visits", type=int, default=10)
    sys.exit(run(parser.parse_args().visits))
