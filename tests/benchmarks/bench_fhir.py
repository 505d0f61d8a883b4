"""How long an export of many clients takes and how large it is; printed, never asserted.

uv run python -m tests.benchmarks.bench_fhir [CLIENTS]
"""

import os
import resource
import sys
import tempfile
import time
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

WIDE = {"first": date(2000, 1, 1), "last": date(2100, 1, 1)}


def prepare(count):
    """Clients with two signed looks each, every feature answered in both."""
    from django.utils import timezone

    from assessments.editions import tables_of
    from assessments.models import Assessment, Feature, Observation
    from clinic.models import Edition
    from tests.factories import ClientFactory, StaffFactory
    from tests.factories.consult import make_assessment, make_history
    from tests.factories.people import ConsentFactory

    manager = StaffFactory(role="manager")
    by = StaffFactory(home_site=manager.home_site)
    edition = Edition.objects.get()
    tables = tables_of(edition.pk)
    known = {one.pk for one in Feature.objects.all()}
    for _ in range(count):
        runner = ClientFactory(site=manager.home_site)
        ConsentFactory(client=runner, purpose="sharing", taken_by=by)
        history = make_history(runner, by, on=date(2026, 1, 5), height_m=Decimal("1.72"))
        for weeks in (0, 6):
            day = date(2026, 3, 12) + timedelta(weeks=weeks)
            look = make_assessment(edition=edition, client=runner, by=by, on=day, history=history)
            trial = look.trials.get()
            Observation.objects.bulk_create(
                Observation(
                    site=look.site,
                    assessment=look,
                    trial=trial,
                    feature_id=code,
                    side=side.value,
                    saved_at=timezone.now(),
                    saved_by=by,
                    value=row.plausible.low if "value" in row.kind.value else None,
                    grade=1 if row.kind.value == "grade" else None,
                    choice=row.choices[0] if row.choices else "",
                )
                for code, row in tables.features.items()
                if code in known
                for side in row.sides
            )
            Assessment.objects.filter(pk=look.pk).update(signed_at=timezone.now(), signed_by=by)
    return manager


def main(count):
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    django.setup()
    from django.conf import settings
    from django.test.utils import setup_databases, teardown_databases

    from clinic.web.exports import export_period
    from clinic.web.fhir.reading import Wish
    from exercises.services.editions import load_tables, read_folder

    kept = setup_databases(verbosity=0, interactive=False)
    try:
        load_tables(texts=read_folder(settings.REFERENCE_DIR), author="a", reason="b")
        manager = prepare(count)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "out"
            start = time.perf_counter()
            with file.open("w", encoding="utf-8") as out:
                tally = export_period(by=manager, wish=Wish(**WIDE), out=out, **WIDE)
            seconds = time.perf_counter() - start
            size = file.stat().st_size
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        sys.stdout.write(
            f"{count} clients, {tally.total} resources: {tally}\n"
            f"{seconds:.1f} s, {size / 1e6:.1f} MB\n"
            f"peak memory before {before / 1024:.0f} MB, after {after / 1024:.0f} MB\n"
        )
    finally:
        teardown_databases(kept, verbosity=0)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
