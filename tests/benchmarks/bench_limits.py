"""What the rule of rights adds to the search of a client, in process, and how it is planned.

uv run python -m tests.benchmarks.bench_limits

Makes its own database: 10,000 clients at one site, of whom 100 are restricted, 20 of these naming
the person who searches; 50 joined pairs; 5 openings in an emergency. Searches with the rule and
with the site alone take turns, 60 of each after 5 to warm up: names of which 1 in 100 fits, a
number, a page of everybody. No aim is set; the figures are printed.
"""

import os
import sys
from datetime import date
from statistics import median
from time import perf_counter

CLIENTS, RESTRICTED, NAMING, PAIRS, OPENINGS = 10_000, 100, 20, 50, 5
ROUNDS, WARM_UP, PAGE = 60, 5, 50
SYLLABLES = ("ar", "bel", "cor", "den", "el", "fen", "gar", "hal", "is", "jor")


def name_of(number):
    """Ten thousand different names, of which 1 in 100 holds "corcor"."""
    return "".join(SYLLABLES[int(digit)] for digit in f"{number:04d}").capitalize()


def make_rows():
    """The clinician who searches, and their site."""
    from clinic.models import Client
    from tests.factories import SiteFactory, StaffFactory
    from tests.factories.limits import open_in_emergency, restrict
    from tests.factories.people import RecordLinkFactory

    site = SiteFactory()
    staff, owner = StaffFactory(home_site=site), StaffFactory(home_site=site)
    Client.objects.bulk_create(
        Client(
            site=site,
            number=f"ML{number:05d}",
            family_name=name_of(number),
            given_names="Ada",
            birth_date=date(1960 + number % 45, 1 + number % 12, 1 + number % 28),
            registered_on=date(2026, 1, 5),
            search_text=f"ada {name_of(number)} ml{number:05d}".lower(),
        )
        for number in range(CLIENTS)
    )
    made = list(Client.objects.order_by("pk"))
    step = CLIENTS // RESTRICTED
    for place, runner in enumerate(made[::step]):
        restrict(runner, owner, staff=[staff] if place < NAMING else [])
    for runner in made[step * 50 :: step][:OPENINGS]:
        open_in_emergency(runner, staff)
    for kept, joined in zip(made[1::step][:PAIRS], made[2::step][:PAIRS], strict=True):
        RecordLinkFactory(kept=kept, joined=joined, joined_by=owner)
    return staff, site


def timed(rows):
    start = perf_counter()
    found = list(rows)
    return (perf_counter() - start) * 1000, len(found)


def compare(word, staff, site):
    """Milliseconds of the search with the rule and with the site alone, and what was found."""
    from clinic.models import Client

    with_rule, alone, found = [], [], (0, 0)
    for number in range(WARM_UP + ROUNDS):
        ruled = Client.objects.for_staff(staff).matching(word).for_listing()[:PAGE]
        plain = Client.objects.filter(site=site).matching(word).for_listing()[:PAGE]
        turns = [(with_rule, ruled), (alone, plain)]
        counts = {}
        for times, rows in turns if number % 2 else reversed(turns):
            took, counts[id(times)] = timed(rows)
            times.append(took)
        found = counts[id(with_rule)], counts[id(alone)]
    return with_rule[WARM_UP:], alone[WARM_UP:], found


def report(staff, site):
    from django.db import connection

    from clinic.models import Client

    out = [f"{connection.vendor}, {CLIENTS} clients, {RESTRICTED} restricted"]
    for word in ("corcor", "ml00500", "ada"):
        with_rule, alone, found = compare(word, staff, site)
        out.append(
            f"{word}: {median(with_rule):.1f} ms with the rule (worst {max(with_rule):.1f}), "
            f"{median(alone):.1f} ms with the site alone; found {found[0]} and {found[1]}"
        )
    everybody = Client.objects.for_staff(staff)
    seen, there = everybody.count(), Client.objects.count()
    out.append(f"open to the person: {seen} of {there}")
    plan = everybody.matching("corcor").for_listing()[:PAGE].explain()
    sys.stdout.write("\n".join([*out, plan, ""]))


def main():
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    django.setup()
    from django.db import connection
    from django.test.utils import setup_databases, teardown_databases

    kept = setup_databases(verbosity=0, interactive=False)
    try:
        staff, site = make_rows()
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
        report(staff, site)
    finally:
        teardown_databases(kept, verbosity=0)


if __name__ == "__main__":
    main()
