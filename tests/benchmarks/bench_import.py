"""How long a file of many clients takes; printed, never asserted.

uv run python -m tests.benchmarks.bench_import [ROWS]
"""

import os
import random
import resource
import sys
import time
from datetime import date, timedelta
from hashlib import sha256

WORDS = [
    "Alder",
    "Birch",
    "Cedar",
    "Dawson",
    "Elder",
    "Fenwick",
    "Grove",
    "Hazel",
    "Ivory",
    "Juniper",
    "Kestrel",
    "Larch",
]


def file_of(rows):
    """Invented people: names of two words, all with address, telephone and email."""
    told = random.Random(5)  # noqa: S311  # invented people, no secret
    lines = ["Surname,First name,DOB,Address,Phone,Email"]
    for number in range(rows):
        family = f"{told.choice(WORDS)}{told.choice(WORDS).casefold()} {number:05d}"
        born = date(1940, 1, 1) + timedelta(days=told.randrange(25_000))
        lines.append(
            f'{family},{told.choice(WORDS)},{born:%d.%m.%Y},"{number} Mill Lane, Larkfield",'
            f"07{number:09d},p{number}@example.org"
        )
    return "\n".join(lines).encode()


def main(rows):
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    django.setup()
    from django.test.utils import setup_databases, teardown_databases
    from django.utils import timezone

    from clinic.domain.client_rows import DayOrder, guessed, readings
    from clinic.domain.tables_from_files import read_table
    from clinic.services.imports import RowState, counted, import_clients, plan, stamp_of
    from clinic.telephones import international
    from tests.factories import StaffFactory

    kept = setup_databases(verbosity=0, interactive=False)
    try:
        by, data = StaffFactory(role="manager"), file_of(rows)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        start = time.perf_counter()
        table = read_table(data)
        found = readings(
            table,
            guessed(table.headings),
            order=DayOrder.UNKNOWN,
            today=timezone.localdate(),
            telephone=lambda typed: international(typed, "GB"),
        )
        read = time.perf_counter()
        planned = plan(found, by)
        looked = time.perf_counter()
        lines = frozenset(one.line for one in planned if one.state is RowState.TWIN)
        done = import_clients(
            readings=found,
            checksum=sha256(data).hexdigest(),
            anyway=lines,
            leave_out=False,
            seen=stamp_of(planned),
            by=by,
        )
        end = time.perf_counter()
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        sys.stdout.write(
            f"{rows} rows, {len(data) / 1e6:.1f} MB: read {read - start:.1f} s, "
            f"looked at {looked - read:.1f} s, imported {end - looked:.1f} s\n"
            f"{counted(planned)}, {sum(bool(row.number) for row in done)} imported\n"
            f"peak memory before {before / 1024:.0f} MB, after {after / 1024:.0f} MB\n"
        )
    finally:
        teardown_databases(kept, verbosity=0)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
