"""How long the list of records that are due for review takes; printed, never asserted.

uv run python -m tests.benchmarks.bench_retention [CLIENTS]

Makes its own database. Each client has four visits and two screenings; of one in ten the period
is over. Then the same where it is over for all: a clinic that takes over an old archive.
"""

import os
import sys
import time
from collections import Counter
from datetime import date, datetime, timedelta
from statistics import median
from zoneinfo import ZoneInfo

ROUNDS, VISITS, LOOKS = 5, 4, 2
TODAY, PLACE = date(2026, 11, 25), ZoneInfo("Europe/London")


def fill(clients, by, every):
    """Clients of the person's site; of one in `every` the eight years are over."""
    from assessments.models import Screening
    from clinic.models import Appointment, Client
    from tests.factories import AppointmentKindFactory, ClientFactory, RoomFactory

    site = by.home_site
    rows = [
        ClientFactory.build(
            site=site,
            number=f"{site.code}{number:05d}",
            registered_on=TODAY - timedelta(days=(3100 if number % every == 0 else 100) + ago),
            birth_date=date(1950 + number % 45, 1 + number % 12, 3),
        )
        for number in range(clients)
        for ago in [number % 2500]
    ]
    Client.objects.bulk_create(rows, batch_size=500)
    kind, room, taken = AppointmentKindFactory(site=site), RoomFactory(site=site), Counter()
    visits, looks = [], []
    for client in rows:
        days = [client.registered_on + timedelta(days=30 * number) for number in range(VISITS)]
        visits += [visit(client, by, kind, room, day, taken) for day in days]
        looks += [
            Screening(site=site, client=client, screened_on=day, screened_by=by)
            for day in days[:LOOKS]
        ]
    Appointment.objects.bulk_create(visits, batch_size=500)
    Screening.objects.bulk_create(looks, batch_size=500)


def visit(client, by, kind, room, day, taken):
    from clinic.models import Appointment

    starts = datetime(day.year, day.month, day.day, 3 + taken[day], tzinfo=PLACE)
    taken[day] += 1
    return Appointment(
        site=client.site,
        client=client,
        clinician=by,
        room=room,
        kind=kind,
        local_date=day,
        local_time=starts.time(),
        time_zone="Europe/London",
        starts_at=starts,
        ends_at=starts + timedelta(minutes=45),
        clear_at=starts + timedelta(minutes=45),
        state="seen",
        booked_by=by,
        booked_at=starts,
        changed_at=starts,
    )


def measure(by):
    """Milliseconds of the list judged record by record, of the list, and of the count."""
    from clinic.models import Client
    from clinic.web import retaining
    from clinic.web.due_records import count_due, due_for_review

    def one_by_one():
        clients = retaining.with_contacts(Client.objects.for_staff(by)).iterator(chunk_size=500)
        return sum(one.is_due(TODAY) for one in map(retaining.standing_from, clients))

    ways = {
        "every record judged": one_by_one,
        "the list": lambda: len(due_for_review(by, TODAY)),
        "the count for a line": lambda: count_due(by, TODAY),
    }
    for name, way in ways.items():
        times = []
        for _ in range(ROUNDS):
            start = time.perf_counter()
            found = way()
            times.append((time.perf_counter() - start) * 1000)
        print(f"{name}: {found} due, median {median(times):.0f} ms of {ROUNDS}")  # noqa: T201


def main(clients):
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    django.setup()
    from django.test.utils import setup_databases, teardown_databases

    from tests.factories import SiteFactory, StaffFactory

    kept = setup_databases(verbosity=0, interactive=False)
    try:
        for code, every in (("ML", 10), ("QY", 1)):
            by = StaffFactory(
                username=code, home_site=SiteFactory(code=code, name=code), role="manager"
            )
            fill(clients, by, every)
            print(f"{clients} clients, one in {every} over")  # noqa: T201
            measure(by)
    finally:
        teardown_databases(kept, verbosity=0)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 5000))
