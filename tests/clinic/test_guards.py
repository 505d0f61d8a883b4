"""What the database refuses by itself, whatever code writes to it; on both engines."""

from datetime import UTC, date, datetime

import pytest
from django.apps import apps
from django.core.checks import run_checks
from django.core.management import call_command
from django.db import IntegrityError, connection, models, transaction

from clinic import guards
from clinic.domain.vocabulary import TrailAction
from clinic.models import Consent, Paper, SiteRow, TrailEntry
from clinic.services import trail
from tests.factories import ClientFactory, SiteFactory, StaffFactory

# these belong to a site and to no client's record: hours, rooms and kinds may be removed, and a
# time that was kept for a caller is let go
FURNITURE = {
    "clinic_room",
    "clinic_appointmentkind",
    "clinic_openinghours",
    "clinic_hourschange",
    "clinic_kepttime",
}


def site_tables():
    return {m._meta.db_table: m for m in apps.get_models() if issubclass(m, SiteRow)}


def test_every_guard_stands_after_migrate(db):
    # the test database is made without the guards against deleting (conftest)
    assert guards.missing(connection) == []


def test_no_clinical_table_lets_rows_go():
    names = set(guards.defined("sqlite"))

    unguarded = {table for table in site_tables() if f"{table}_kept" not in names}

    assert unguarded == FURNITURE


def parents():
    """Each foreign key from one site row to another."""
    for table, model in site_tables().items():
        for field in model._meta.get_fields():
            if isinstance(field, models.ForeignKey) and issubclass(field.related_model, SiteRow):
                yield table, field.column


def test_every_row_agrees_with_its_parents_site():
    wanted = {f"{table}_{column}_agrees"[:60] for table, column in parents()}

    assert wanted - set(guards.defined("postgresql")) == set()


def test_deleted_client_is_refused(deleting_refused):
    runner = ClientFactory()

    with pytest.raises(IntegrityError, match="never deleted"), transaction.atomic():
        type(runner).objects.filter(pk=runner.pk).delete()


def test_row_of_another_site_is_refused(db):
    runner, clinician = ClientFactory(), StaffFactory()
    elsewhere = SiteFactory(code="QY", name="Quayside")

    with pytest.raises(IntegrityError, match="differs"), transaction.atomic():
        Consent.objects.create(
            site=elsewhere,
            client=runner,
            purpose="filming",
            given=True,
            given_on=date(2027, 1, 4),
            manner="written",
            taken_by=clinician,
        )


def test_row_cannot_move_to_another_site(db):
    runner, clinician = ClientFactory(), StaffFactory()
    elsewhere = SiteFactory(code="QY", name="Quayside")
    consent = Consent.objects.create(
        site=runner.site,
        client=runner,
        purpose="filming",
        given=True,
        given_on=date(2027, 1, 4),
        manner="written",
        taken_by=clinician,
    )

    with pytest.raises(IntegrityError, match="differs"), transaction.atomic():
        Consent.objects.filter(pk=consent.pk).update(site=elsewhere)


def test_trail_is_append_only(deleting_refused):
    entry = trail.record(TrailAction.VIEW, by=StaffFactory(), client=ClientFactory())

    with pytest.raises(IntegrityError, match="fixed"), transaction.atomic():
        TrailEntry.objects.filter(pk=entry.pk).update(actor_name="somebody else")
    with pytest.raises(IntegrityError, match="never deleted"), transaction.atomic():
        TrailEntry.objects.filter(pk=entry.pk).delete()


def signed_paper():
    runner, clinician = ClientFactory(), StaffFactory()
    moment = datetime(2027, 1, 4, 9, tzinfo=UTC)
    return Paper.objects.create(
        site=runner.site,
        client=runner,
        kind="letter",
        about="assessment-1",
        title="Progress letter",
        dated=date(2027, 1, 4),
        content={},
        state="signed",
        created_by=clinician,
        created_at=moment,
        signed_by=clinician,
        signed_at=moment,
        pdf=b"%PDF-1.7",
        sha256="0" * 64,
    )


@pytest.mark.parametrize(
    "change", [{"pdf": b"other"}, {"title": "Other"}, {"state": "draft", "signed_at": None}]
)
def test_signed_paper_stays_as_it_is(db, change):
    paper = signed_paper()

    with pytest.raises(IntegrityError), transaction.atomic():
        Paper.objects.filter(pk=paper.pk).update(**change)


def test_half_signed_paper_is_refused(db):
    paper = signed_paper()
    paper.pk, paper.version, paper.pdf = None, 2, None

    with pytest.raises(IntegrityError, match="paper_signed_whole"), transaction.atomic():
        paper.save(force_insert=True)


def test_guard_that_was_dropped_is_named_and_put_back(db):
    name = "clinic_trailentry_unchanged"
    on = " ON clinic_trailentry" if connection.vendor == "postgresql" else ""
    with connection.cursor() as cursor:
        cursor.execute(f"DROP TRIGGER {name}{on}")

    (error,) = [e for e in run_checks(databases=["default"]) if e.id == "clinic.E001"]
    assert name in error.msg
    if connection.vendor == "sqlite":
        call_command("migrate", verbosity=0)
        assert guards.missing(connection) == []
