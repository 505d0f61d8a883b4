"""Looking for free times over a year: 12 clinicians, 85 % of their time booked.

Run: `uv run python -m tests.benchmarks.bench_diary` on an empty data folder (CLINIC_DATA) or
database (DATABASE_URL) after `migrate`; it makes its own rows. The floor is the same appointments
by bare SQL, fetched as the driver gives them. Aims: 6 queries at most, 5 times the floor at most.
"""

import os
import sys
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from statistics import median
from time import perf_counter

ROUNDS, WARM_UP = 30, 3
CLINICIANS, SHARE = 12, 0.85
FIRST = date(2027, 1, 4)
DAYS = 365
SLOT = timedelta(minutes=45)


def filled():
    """A year of appointments back to back, a part of them left out at random."""
    from clinic.models import Appointment
    from tests.factories import ClientFactory, RoomFactory
    from tests.factories.diary import Place

    place, random = Place(), Random(7)  # noqa: S311
    people = [place.clinician, *(place.clinician_with_hours() for _ in range(CLINICIANS - 1))]
    rooms = [RoomFactory(site=place.site, name=f"Room {n}") for n in range(CLINICIANS)]
    clients = [ClientFactory(site=place.site) for _ in range(200)]
    rows = []
    for person, room in zip(people, rooms, strict=True):
        for day in (FIRST + timedelta(days=number) for number in range(DAYS)):
            if day.weekday() > 4:
                continue
            start = datetime.combine(day, time(9), tzinfo=UTC)
            for number in range(10):  # 9 to 16:30 of an eight-hour day
                begins = start + number * SLOT
                if random.random() > SHARE:
                    continue
                rows.append(
                    Appointment(
                        site=place.site,
                        client=random.choice(clients),
                        clinician=person,
                        room=room,
                        kind=place.kind,
                        local_date=day,
                        local_time=begins.time(),
                        time_zone=place.site.time_zone,
                        starts_at=begins,
                        ends_at=begins + SLOT,
                        clear_at=begins + SLOT,
                        booked_by=place.desk,
                        booked_at=start,
                        changed_at=start,
                    )
                )
    Appointment.objects.bulk_create(rows, batch_size=500)
    return place, len(rows)


def timed(call):
    times = []
    for _ in range(WARM_UP + ROUNDS):
        start = perf_counter()
        call()
        times.append((perf_counter() - start) * 1000)
    kept = sorted(times[WARM_UP:])
    return median(kept), kept[int(len(kept) * 0.95)]


def run():
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    from clinic.services import free_times
    from clinic.services.free_times import Wish

    place, rows = filled()
    year = Wish(kind=place.kind, first_day=FIRST, clinician=place.clinician, days=DAYS)
    month = Wish(kind=place.kind, first_day=FIRST, clinician=place.clinician, days=31)

    def floor():
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT clinician_id, room_id, client_id, starts_at, clear_at "
                "FROM clinic_appointment WHERE state <> 'cancelled'"
            )
            cursor.fetchall()

    def whole_year():
        return sum(1 for _ in free_times.search(year).run())

    with CaptureQueriesContext(connection) as asked:
        free = whole_year()
    bare = timed(floor)
    say(f"{connection.vendor}: {rows} appointments, {free} free starts, {len(asked)} queries")
    say(f"bare SQL             median {bare[0]:7.1f} ms, p95 {bare[1]:7.1f}")
    for name, call in (
        ("every free start", whole_year),
        ("first offers, year", lambda: free_times.offers(year)),
        ("first offers, month", lambda: free_times.offers(month)),
    ):
        found = timed(call)
        say(
            f"{name:<20} median {found[0]:7.1f} ms, p95 {found[1]:7.1f}, "
            f"{found[0] / bare[0]:4.1f} times the bare SQL"
        )


def say(text):
    sys.stdout.write(f"{text}\n")


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    import django

    django.setup()
    run()
