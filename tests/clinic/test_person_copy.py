"""The copy of everything about one person, against the database itself (GDPR, article 15)."""

import io
import json
import zipfile
from datetime import timedelta

import pytest
from django.apps import apps
from django.db import models
from django.urls import reverse
from django.utils import timezone

from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Appointment, Client, Paper, Sending, TrailEntry
from clinic.services import papers, people, trail
from clinic.web.person_copy import write_copy
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.consult import make_history, make_screening
from tests.factories.letters import full_record
from tests.factories.people import PaperFactory

pytestmark = pytest.mark.django_db
OTHER = "Zzyzxberg"
PDF = b"%PDF-1.7 a letter"


@pytest.fixture
def staff():
    return StaffFactory()


@pytest.fixture
def runner(edition, staff):
    """A client with rows in nearly every table, and another one beside them."""
    return whole(edition, staff, "Fenwick")


def whole(edition, by, name):
    client = full_record(edition, by=by).client
    client.family_name = name
    client.search_text = people.searched_by(client)
    client.save()
    make_history(client, by)
    make_screening(client, by, flags=["s01", "s02"])
    draft = PaperFactory(client=client, created_by=by, title="=HYPERLINK(1) <b>bold</b>")
    papers.sign_paper(paper=draft, by=by, signed_content=draft.content, pdf=PDF)
    papers.send_paper(paper=draft, recipient="Dr Ash", manner="post", by=by)
    trail.record(TrailAction.VIEW, by=by, row=client, client=client)
    return client


@pytest.fixture
def beside(edition, runner, staff):
    # both records are made alike, and a room takes one of them at a time
    for one in Appointment.objects.filter(client=runner):
        day = timedelta(days=1)
        Appointment.objects.filter(pk=one.pk).update(
            local_date=one.local_date - day,
            starts_at=one.starts_at - day,
            ends_at=one.ends_at - day,
            clear_at=one.clear_at - day,
        )
    return whole(edition, staff, OTHER)


def copied(client, by):
    kept = io.BytesIO()
    write_copy(client=client, by=by, out=kept)
    return zipfile.ZipFile(kept)


def record(client, by):
    with copied(client, by) as files:
        return json.loads(files.read("record.json"))


def clients_of(row, seen=()):
    """Every client that a row reaches over any of its keys; found without the code under test."""
    if isinstance(row, Client):
        return {row.pk}
    found = set()
    for field in row._meta.concrete_fields:
        if field.is_relation and field.related_model not in seen:
            parent = getattr(row, field.name)
            if parent is not None:
                found |= clients_of(parent, (*seen, type(row)))
    return found


def reaches(model, seen=()):
    """Whether rows of a table can belong to a client."""
    return model is Client or any(
        reaches(field.related_model, (*seen, model))
        for field in model._meta.concrete_fields
        if field.is_relation and field.related_model not in (*seen, model)
    )


def test_no_table_is_forgotten(runner, staff):
    wanted = {model._meta.label for model in apps.get_models() if reaches(model)}

    assert set(record(runner, staff)["tables"]) == wanted
    assert len(wanted) > 20


def test_every_row_and_field_is_there_and_nobody_elses(runner, beside, staff):
    # the line that says that the copy was made is written after it
    before = TrailEntry.objects.count()
    tables = record(runner, staff)["tables"]

    missing, fields, others, filled = [], 0, [], 0
    for model in (one for one in apps.get_models() if reaches(one)):
        rows = {row["id"]: row for row in tables[model._meta.label]}
        filled += bool(rows)
        names = {field.name for field in model._meta.concrete_fields}
        for row in model._default_manager.order_by("pk"):
            if isinstance(row, TrailEntry) and row.action == TrailAction.EXPORT:
                continue
            owners = clients_of(row)
            if owners == {runner.pk}:
                fields += len(names)
                missing += sorted(names - set(rows.get(row.pk, {})))
            elif row.pk in rows:
                others.append(row)
    assert (missing, others) == ([], [])
    assert (fields > 1000, filled > 15) == (True, True)
    assert TrailEntry.objects.count() == before + 1


def test_values_are_those_of_the_database(runner, staff):
    tables = record(runner, staff)["tables"]

    checked = 0
    for label, rows in tables.items():
        model = apps.get_model(label)
        for row in rows:
            stored = model._default_manager.get(pk=row["id"])
            for field in model._meta.concrete_fields:
                if isinstance(field, models.BinaryField):
                    continue
                value, told = field.value_from_object(stored), row[field.name]
                if field.is_relation:
                    assert (told and told["key"]) == value
                elif isinstance(field, models.JSONField):
                    assert told == value
                else:
                    assert field.to_python(told) == value
                checked += 1
    assert checked > 1000


def test_no_name_of_another_client_stands_in_any_file(runner, beside, staff):
    with copied(runner, staff) as files:
        texts = {name: files.read(name).decode("utf-8", "replace") for name in files.namelist()}

    assert OTHER in beside.search_text.title()
    assert [name for name, text in texts.items() if OTHER.casefold() in text.casefold()] == []
    assert beside.number not in texts["record.json"]


def test_papers_are_the_stored_bytes_under_safe_names(runner, staff):
    with copied(runner, staff) as files:
        stored = Paper.objects.filter(client=runner, pdf__isnull=False)
        wanted = {f"papers/{p.kind}-{p.pk}-version-{p.version}.pdf": bytes(p.pdf) for p in stored}
        found = {name: files.read(name) for name in files.namelist() if name.startswith("papers/")}

    assert found == wanted
    assert PDF in found.values()


def test_a_paper_that_is_not_what_was_signed_stops_the_copy(runner, staff, monkeypatch):
    monkeypatch.setattr(
        "clinic.services.papers.sha256",
        lambda data: type("x", (), {"hexdigest": lambda self: "0"})(),
    )

    with pytest.raises(ValueError, match="differ from what was signed"):
        copied(runner, staff)

    assert not TrailEntry.objects.filter(action=TrailAction.EXPORT).exists()


def test_the_page_in_it_is_readable_and_escaped(runner, staff):
    with copied(runner, staff) as files:
        page = files.read("record.html").decode()

    assert "Copy of the record of Orla Fenwick" in page
    assert "<b>bold" not in page
    assert "&lt;b&gt;bold&lt;/b&gt;" in page
    for name in ("Consents", "Appointments", "Papers", "Trail entries", "Observations"):
        assert f"<h2>{name}</h2>" in page
    assert "to Dr Ash, post" in page
    assert page.count("<section>") == page.count("</section>")


def test_the_copy_is_one_line_of_the_trail(runner, staff):
    record(runner, staff)

    line = TrailEntry.objects.get(action=TrailAction.EXPORT)
    assert (line.client, line.actor, line.object_kind) == (runner, staff, "client")
    assert (line.detail["format"], line.detail["reader"]) == ("copy", "client")
    assert (line.detail["papers"], line.detail["rows"] > 50) == (1, True)


# the page


@pytest.mark.parametrize("role", [Role.CLINICIAN, Role.MANAGER])
def test_one_press_gives_the_file(client, runner, role):
    client.force_login(StaffFactory(role=role, home_site=runner.site))

    response = client.post(reverse("client-copy", args=[runner.pk]))

    content = b"".join(response.streaming_content)
    assert response["Content-Disposition"] == (
        f'attachment; filename="{runner.number}-{timezone.localdate()}-copy.zip"'
    )
    assert response["Cache-Control"] == "no-store"
    assert "record.json" in zipfile.ZipFile(io.BytesIO(content)).namelist()


def test_reception_and_strangers_get_nothing(client, runner):
    for who, status in (
        (StaffFactory(role=Role.RECEPTION, home_site=runner.site), 403),
        (StaffFactory(home_site=SiteFactory(code="XX", name="Elsewhere")), 404),
    ):
        client.force_login(who)
        for send in (client.get, client.post):
            assert send(reverse("client-copy", args=[runner.pk])).status_code == status
    assert not TrailEntry.objects.filter(action=TrailAction.EXPORT).exists()


def test_the_page_lists_what_left_the_clinic(client, runner, staff):
    client.force_login(staff)
    b"".join(client.post(reverse("client-copy", args=[runner.pk])).streaming_content)

    page = client.get(reverse("client-copy", args=[runner.pk])).content.decode()

    assert page.count("to Dr Ash, post") == 1
    assert page.count(f"copy for the client, by {staff}") == 1
    assert TrailEntry.objects.filter(object_kind="disclosures", client=runner).count() == 1


@pytest.mark.parametrize("rows", [1, 40])
def test_the_list_asks_the_same_number_of_questions(client, rows, django_assert_num_queries):
    staff = StaffFactory()
    runner = ClientFactory(site=staff.home_site)
    paper = PaperFactory(client=runner, created_by=staff)
    papers.sign_paper(paper=paper, by=staff, signed_content=paper.content, pdf=PDF)
    for _ in range(rows):
        papers.send_paper(paper=paper, recipient="Dr Ash", manner="post", by=staff)
    client.force_login(staff)
    client.get(reverse("client-copy", args=[runner.pk]))

    with django_assert_num_queries(13):
        page = client.get(reverse("client-copy", args=[runner.pk])).content.decode()

    assert page.count("to Dr Ash") == rows == Sending.objects.count()
