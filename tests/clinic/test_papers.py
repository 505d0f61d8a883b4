"""Drafting, changing, signing, sending and replacing papers; their lines in the trail."""

import hashlib
from datetime import UTC, date, datetime

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from clinic.documents.slip import render_slip
from clinic.domain.paper import PaperHead
from clinic.domain.slip import Slip
from clinic.models import Paper, Sending, TrailEntry
from clinic.services import papers
from clinic.services.people import StaleError
from clinic.services.seals import paper_seal
from tests.clinic.documents.papers import SLIP
from tests.factories import ClientFactory, StaffFactory

DAY = date(2026, 6, 1)
BYTES = b"%PDF-1.7 the letter"
TEXT = {"text": "Stride is even."}
pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def one_day():
    with time_machine.travel(datetime(2026, 6, 1, 10, tzinfo=UTC), tick=False):
        yield


@pytest.fixture
def runner():
    return ClientFactory()


@pytest.fixture
def clinician(runner):
    return StaffFactory(home_site=runner.site)


def draft(runner, by, **fields):
    whole = {
        "kind": "letter",
        "about": "assessment-12",
        "title": "Letter to the doctor",
        "dated": DAY,
        "content": TEXT,
        **fields,
    }
    return papers.draft_paper(client=runner, by=by, **whole)


def signed(runner, by, **fields):
    paper = draft(runner, by, **fields)
    return papers.sign_paper(paper=paper, by=by, signed_content=paper.content, pdf=BYTES)


def acts():
    entries = TrailEntry.objects.order_by("pk").values_list("action", "object_kind", "detail")
    return [(action, detail) for action, kind, detail in entries if kind == "paper"]


def test_a_draft_belongs_to_the_client_and_its_site(runner, clinician):
    paper = draft(runner, clinician)

    paper.refresh_from_db()
    assert (paper.client, paper.site, paper.version) == (runner, runner.site, 1)
    assert (paper.state, paper.content, paper.edits) == ("draft", TEXT, 1)
    assert (paper.created_by, paper.created_at) == (
        clinician,
        datetime(2026, 6, 1, 10, tzinfo=UTC),
    )
    assert acts() == [("create", {"paper": "letter", "version": 1})]


def test_a_second_draft_of_the_same_replaces_its_content(runner, clinician):
    first = draft(runner, clinician)

    second = draft(runner, clinician, title="Another title", content={"text": "Changed."})

    assert Paper.objects.get() == first == second
    second.refresh_from_db()
    assert (second.title, second.content, second.edits) == (
        "Another title",
        {"text": "Changed."},
        2,
    )
    fields = ["title", "dated", "content"]
    assert acts()[1] == ("change", {"paper": "letter", "version": 1, "fields": fields})


@pytest.mark.parametrize(
    "fields", [{"kind": "handout"}, {"about": "assessment-13"}], ids=["kind", "matter"]
)
def test_a_draft_of_something_else_stands_beside(runner, clinician, fields):
    draft(runner, clinician)

    draft(runner, clinician, **fields)

    assert Paper.objects.count() == 2


def test_a_signed_paper_is_not_drafted_over(runner, clinician):
    paper = signed(runner, clinician)

    with pytest.raises(ValidationError, match="write a new version"):
        draft(runner, clinician, content={"text": "Changed."})

    paper.refresh_from_db()
    assert paper.content == TEXT


@pytest.mark.parametrize("fields", [{"title": ""}, {"content": {}}, {"kind": "song"}])
def test_a_draft_is_checked_before_it_is_saved(runner, clinician, fields):
    with pytest.raises(ValidationError):
        draft(runner, clinician, **fields)

    assert not Paper.objects.exists()


def test_two_first_drafts_in_the_same_moment_leave_one(runner, clinician, monkeypatch):
    draft(runner, clinician)
    # the other draft is not yet to be seen
    monkeypatch.setattr(type(Paper.objects.all()), "first", lambda self: None)

    with pytest.raises(StaleError):
        draft(runner, clinician)

    assert Paper.objects.count() == 1


def test_an_edit_counts(runner, clinician):
    paper = draft(runner, clinician)

    edited = papers.edit_paper(
        paper=paper, seen_edits=1, content={"text": "Shorter."}, by=clinician
    )

    edited.refresh_from_db()
    assert (edited.content, edited.edits) == ({"text": "Shorter."}, 2)
    assert acts()[1] == ("change", {"paper": "letter", "version": 1, "fields": ["content"]})


def test_a_late_edit_writes_nothing(runner, clinician):
    paper = draft(runner, clinician)
    papers.edit_paper(paper=paper, seen_edits=1, content={"text": "Hers."}, by=clinician)

    with pytest.raises(StaleError):
        papers.edit_paper(paper=paper, seen_edits=1, content={"text": "His."}, by=clinician)

    paper.refresh_from_db()
    assert paper.content == {"text": "Hers."}
    assert len(acts()) == 2


def test_a_signed_paper_is_not_edited(runner, clinician):
    paper = signed(runner, clinician)

    with pytest.raises(ValidationError, match="write a new version"):
        papers.edit_paper(paper=paper, seen_edits=2, content={"text": "Late."}, by=clinician)


def test_signing_stores_content_bytes_checksum_person_and_time(runner, clinician):
    paper = draft(runner, clinician)

    papers.sign_paper(paper=paper, by=clinician, signed_content={"text": "Signed."}, pdf=BYTES)

    stored = Paper.objects.get()
    assert stored.is_signed
    assert stored.content == {"text": "Signed."}
    assert papers.stored_pdf(stored) == BYTES
    assert stored.sha256 == hashlib.sha256(BYTES).hexdigest()
    assert (stored.signed_by, stored.signed_at) == (
        clinician,
        datetime(2026, 6, 1, 10, tzinfo=UTC),
    )
    assert acts()[1] == (
        "sign",
        {"paper": "letter", "version": 1, "sha256": stored.sha256, "seal": paper_seal(stored)},
    )


def test_the_moment_printed_on_the_paper_is_the_one_stored(runner, clinician):
    at = datetime(2026, 6, 1, 9, 59, 58, tzinfo=UTC)

    papers.sign_paper(
        paper=draft(runner, clinician), by=clinician, signed_content=TEXT, pdf=BYTES, at=at
    )

    assert Paper.objects.get().signed_at == at


def test_a_paper_is_signed_once(runner, clinician):
    paper = signed(runner, clinician)

    with pytest.raises(ValidationError, match="signed"):
        papers.sign_paper(paper=paper, by=clinician, signed_content=TEXT, pdf=b"%PDF-other")

    assert papers.stored_pdf(Paper.objects.get()) == BYTES


def test_a_draft_that_changed_after_it_was_shown_is_not_signed(runner, clinician):
    shown = draft(runner, clinician)
    papers.edit_paper(paper=shown, seen_edits=1, content={"text": "Changed."}, by=clinician)

    with pytest.raises(StaleError):
        papers.sign_paper(paper=shown, by=clinician, signed_content=TEXT, pdf=BYTES)

    stored = Paper.objects.get()
    assert (stored.is_signed, stored.content) == (False, {"text": "Changed."})


@pytest.mark.parametrize("role", ["reception", "manager"])
def test_clinical_papers_are_signed_by_clinicians(runner, clinician, role):
    paper = draft(runner, clinician)
    other = StaffFactory(home_site=runner.site, role=role)

    with pytest.raises(ValidationError, match="clinician"):
        papers.sign_paper(paper=paper, by=other, signed_content=TEXT, pdf=BYTES)

    slip = draft(runner, other, kind="slip", about="appointment-3")
    papers.sign_paper(paper=slip, by=other, signed_content=TEXT, pdf=BYTES)
    assert slip.is_signed


def test_only_a_pdf_is_signed(runner, clinician):
    paper = draft(runner, clinician)

    with pytest.raises(ValueError, match="no PDF"):
        papers.sign_paper(paper=paper, by=clinician, signed_content=TEXT, pdf=b"a page")


def test_the_database_keeps_a_signed_paper_as_it_is(runner, clinician):
    paper = signed(runner, clinician)

    with pytest.raises(IntegrityError), transaction.atomic():
        Paper.objects.filter(pk=paper.pk).update(pdf=b"%PDF-other")


def test_stored_bytes_are_held_against_their_checksum(runner, clinician):
    paper = signed(runner, clinician)
    paper.pdf = BYTES + b" "

    with pytest.raises(ValueError, match="differ from what was signed"):
        papers.stored_pdf(paper)


def test_a_draft_has_no_stored_bytes(runner, clinician):
    with pytest.raises(ValueError, match="draft"):
        papers.stored_pdf(draft(runner, clinician))


def test_a_rendered_paper_prints_again_as_it_was_signed(runner, clinician):
    paper = draft(runner, clinician, kind="slip", content=SLIP.to_json())
    pdf = render_slip(SLIP)

    papers.sign_paper(paper=paper, by=clinician, signed_content=SLIP.to_json(), pdf=pdf)

    stored = Paper.objects.get()
    assert papers.stored_pdf(stored) == pdf == render_slip(Slip.from_json(stored.content))


def test_a_signed_paper_is_sent(runner, clinician):
    paper = signed(runner, clinician)

    papers.send_paper(paper=paper, recipient=" Dr Alder ", manner="post", by=clinician)

    sending = Sending.objects.get()
    assert (sending.paper, sending.site, sending.recipient) == (paper, runner.site, "Dr Alder")
    assert (sending.manner, sending.sent_by) == ("post", clinician)
    assert acts()[2] == ("send", {"paper": "letter", "version": 1, "manner": "post"})


def test_a_draft_is_not_sent(runner, clinician):
    with pytest.raises(ValidationError, match="sign it first"):
        papers.send_paper(
            paper=draft(runner, clinician), recipient="Dr Alder", manner="post", by=clinician
        )

    assert not Sending.objects.exists()


@pytest.mark.parametrize("fields", [{"recipient": " "}, {"manner": "pigeon"}])
def test_a_sending_is_checked(runner, clinician, fields):
    paper = signed(runner, clinician)

    with pytest.raises(ValidationError):
        papers.send_paper(
            **{"paper": paper, "recipient": "Dr Alder", "manner": "post", "by": clinician} | fields
        )

    assert not Sending.objects.exists()


def test_a_new_version_names_the_old_one_which_stays(runner, clinician):
    old = signed(runner, clinician)

    new = papers.new_version(paper=old, by=clinician)

    old.refresh_from_db()
    assert old.is_signed
    assert (new.version, new.replaces, new.state) == (2, old, "draft")
    assert (new.title, new.content, new.dated) == (old.title, TEXT, DAY)
    assert acts()[2] == ("create", {"paper": "letter", "version": 2})


def test_a_new_version_says_on_its_head_what_it_is(runner, clinician):
    old = signed(runner, clinician, kind="slip", content=SLIP.to_json(), dated=date(2026, 5, 3))

    new = papers.new_version(paper=old, by=clinician)

    head = PaperHead.from_json(new.content["head"])
    assert head.version_words == "Version 2, replaces version 1 of 3 May 2026"
    assert (head.dated, head.draft) == (DAY, True)
    assert head.person == SLIP.head.person


def test_only_the_newest_signed_version_is_replaced(runner, clinician):
    old = signed(runner, clinician)
    new = papers.new_version(paper=old, by=clinician)

    with pytest.raises(ValidationError, match="newer version"):
        papers.new_version(paper=old, by=clinician)
    with pytest.raises(ValidationError, match="draft"):
        papers.new_version(paper=new, by=clinician)


def test_drafting_again_changes_the_draft_of_the_new_version(runner, clinician):
    new = papers.new_version(paper=signed(runner, clinician), by=clinician)

    again = draft(runner, clinician, content={"text": "Second."})

    assert (again, again.version) == (new, 2)
