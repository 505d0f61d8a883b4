"""What somebody changes behind the clinic's back is named by `verify`.

Source: OWASP ASVS 5.0, 16.4.2 (logs are protected from being modified), and 45 CFR 164.312(c)(2)
(a mechanism to corroborate that health information was not altered or destroyed). Checked as
AU-03: the guards are dropped first, as whoever owns the tables could do.
"""

import hashlib
import io
import json
from datetime import UTC, datetime, time

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.utils import timezone

from assessments.domain.vocabulary import AddendumKind, RetractionCause
from assessments.models import (
    Addendum,
    Assessment,
    Feature,
    Observation,
    Retraction,
    ScreeningAnswer,
    Trial,
)
from assessments.services.addenda import write_addendum
from assessments.services.assessments import sign_assessment
from assessments.services.retractions import retract_assessment
from assessments.services.seals import assessment_seal
from clinic import guards
from clinic.domain.chain import COLUMNS, GENESIS, line_hash
from clinic.models import Paper, TrailEntry, TrailHead
from clinic.services import papers, trail
from exercises.models import Programme, ProgrammeItem
from exercises.services.seals import programme_seal
from tests.factories import StaffFactory
from tests.factories.consult import observe
from tests.factories.programme import Desk

BYTES = (b"%PDF-1.7 one", b"%PDF-1.7 two")


def verified(*options):
    """Exit code and what was printed."""
    said = io.StringIO()
    try:
        call_command("verify", *options, stdout=said)
    except CommandError as wrong:
        return wrong.returncode, said.getvalue()
    return 0, said.getvalue()


def found():
    """The lines that name something wrong."""
    code, said = verified()
    lines = [line for line in said.splitlines() if "newest" not in line and "held" not in line]
    assert code == 1, said
    return lines


def sql(statement, *values):
    with connection.cursor() as cursor:
        cursor.execute(statement, values)


def drop_guards():
    """As whoever owns the tables could do."""
    for name in sorted(guards.present(connection) & set(guards.defined(connection.vendor))):
        if connection.vendor == "sqlite":
            sql(f"DROP TRIGGER {name}")
        elif (statements := guards.defined("postgresql")[name])[1][-1].startswith("CREATE"):
            sql(f"DROP TRIGGER {name} ON {statements[0]}")


@pytest.fixture
def desk(edition):
    """A signed assessment with its screening and an issued programme."""
    by = StaffFactory()
    desk = Desk(edition, by=by)
    desk.take_over()
    desk.accept_all()
    desk.agree(desk.programme.review_on)
    desk.issue()
    sign_assessment(assessment=desk.assessment, findings=(), by=by)
    return desk


@pytest.fixture
def two_papers(desk):
    """Two signed letters of one client."""
    made = []
    for number, pdf in enumerate(BYTES):
        draft = papers.draft_paper(
            client=desk.assessment.client,
            kind="letter",
            about=f"assessment-{number}",
            title="Progress letter",
            dated=desk.assessment.assessed_on,
            content={"words": [1, 2.5, "é"]},
            by=desk.by,
        )
        made.append(
            papers.sign_paper(paper=draft, by=desk.by, signed_content=draft.content, pdf=pdf)
        )
    return made


@pytest.fixture
def record(desk, two_papers):
    """The whole record, without guards."""
    drop_guards()
    return desk


def chain_of(desk):
    return TrailEntry.objects.filter(chain=desk.assessment.site_id).order_by("number")


def who(desk):
    return f"client {desk.assessment.client.number}"


def test_untouched_record_is_well(record):
    code, said = verified()

    head = TrailHead.objects.get(chain=record.assessment.site_id)
    assert code == 0
    assert "assessment: 1 held against the seal\n" in said
    assert "programme: 1 held against the seal\n" in said
    assert "paper: 2 held against the seal\n" in said
    assert f"{head.number} lines, newest {head.hash}" in said
    assert said.endswith("All is as it was recorded.\n")


def test_empty_record_is_well(db):
    assert verified()[0] == 0


def the_assessment(desk, what="is not what was signed"):
    line = TrailEntry.objects.get(action="sign", object_kind="assessment")
    return [f"assessment {desk.pk}, {who(desk)}: {what} (chain {line.chain}, line {line.number})"]


def test_changed_value_is_named(record):
    seen = Observation.objects.filter(assessment=record.pk).exclude(value=None).first()
    Observation.objects.filter(pk=seen.pk).update(value=seen.value + 1)

    assert found() == the_assessment(record)


def test_deleted_answer_is_named(record):
    Observation.objects.filter(assessment=record.pk).first().delete()

    assert found() == the_assessment(record)


def test_added_answer_is_named(record):
    taken = Observation.objects.filter(assessment=record.pk).values("feature")
    free = Feature.objects.exclude(pk__in=taken).first()
    observe(record.assessment, free.pk, "left", grade=1)

    assert found() == the_assessment(record)


def test_changed_screening_answer_is_named(record):
    answers = ScreeningAnswer.objects.filter(screening=record.assessment.screening_id)
    assert answers.filter(pk=answers.first().pk).update(answer="not_asked") == 1

    assert found() == the_assessment(record)


def test_lift_leaves_the_seal(desk):
    """A lift may be entered after the signing; the answer it lifts stays what it was."""
    drop_guards()
    answers = ScreeningAnswer.objects.filter(screening=desk.assessment.screening_id)
    answers = answers.filter(pk=answers.first().pk)
    before = assessment_seal(desk.assessment)

    answers.update(answer="yes")
    with_yes = assessment_seal(desk.assessment)
    answers.update(
        lifted_on=desk.assessment.assessed_on, lifted_by=desk.by, reason="Seen", keeps="nothing"
    )

    assert before != with_yes == assessment_seal(desk.assessment)


def test_changed_dose_is_named(record):
    item = ProgrammeItem.objects.filter(programme=record.programme).first()
    ProgrammeItem.objects.filter(pk=item.pk).update(weeks=(item.weeks or 0) + 1)

    (line,) = found()
    assert line.startswith(f"programme {record.programme.pk}, {who(record)}: is not what was")


def test_seal_that_was_made_anew_is_named(record):
    """Both the row and the seal in its line are altered, the seal rightly computed."""
    Programme.objects.filter(pk=record.programme.pk).update(minutes_a_day=99)
    line = TrailEntry.objects.get(action="sign", object_kind="programme")
    line.detail["seal"] = programme_seal(record.programme)
    TrailEntry.objects.filter(pk=line.pk).update(detail=line.detail)

    (words,) = found()
    assert f"line {line.number}: was altered (sign programme" in words


def test_unreadable_line_of_a_signature_is_named(record):
    line = TrailEntry.objects.filter(object_kind="programme", action="sign")
    line.update(object_key="no key", detail=[1])

    words = found()
    assert "was altered" in words[0]
    assert words[1].startswith(f"programme no key, {who(record)}: is gone")
    assert "is signed, and no line of the trail says so" in words[2]


def test_signature_that_was_taken_back_is_named(record):
    Assessment.objects.filter(pk=record.pk).update(signed_at=None, signed_by=None)

    assert found() == the_assessment(record, "is signed no longer")


def test_signature_without_a_line_is_named(record):
    other = Desk(record.assessment.edition, by=record.by)
    Assessment.objects.filter(pk=other.pk).update(signed_at=timezone.now(), signed_by=record.by)

    assert found() == [
        f"assessment {other.pk}, {who(other)}: is signed, and no line of the trail says so"
    ]


@pytest.mark.parametrize(
    "change",
    [
        {"actor_name": "somebody else"},
        {"detail": {"fields": ["address"]}},
        {"at": timezone.now()},
        {"object_key": "999"},
        {"detail": []},
    ],
)
def test_changed_trail_line_is_named(record, change):
    line = chain_of(record)[2]
    TrailEntry.objects.filter(pk=line.pk).update(**change)

    (words,) = found()
    assert f"line {line.number}: was altered" in words
    assert words.endswith(f"{who(record)})")


def test_changed_line_with_its_own_hash_made_anew_is_named(record):
    line = chain_of(record)[2]
    line.actor_name = "somebody else"
    line.hash = line_hash({name: getattr(line, name) for name in COLUMNS})
    line.save()

    (words,) = found()
    assert f"line {line.number + 1}: does not follow the line before it" in words


def test_deleted_middle_line_is_named(record):
    line = chain_of(record).exclude(action="sign")[2]
    TrailEntry.objects.filter(pk=line.pk).delete()

    (words,) = found()
    assert words.endswith(f"line {line.number}: line {line.number} is missing")


def test_cut_end_is_named(record):
    first, last = list(chain_of(record))[-2:]
    TrailEntry.objects.filter(pk__in=[first.pk, last.pk]).delete()

    assert any(
        words.endswith(f"lines {first.number} to {last.number} are cut off the end")
        for words in found()
    )


def test_swapped_lines_are_named(record):
    one, two = chain_of(record)[1:3]
    places = (one.number, two.number)
    for line, number in ((one, 10**6), (two, places[0]), (one, places[1])):
        TrailEntry.objects.filter(pk=line.pk).update(number=number)

    words = " ".join(found())
    for number in places:
        assert f"line {number}: was altered" in words


def test_swapped_contents_are_named(record):
    one, two = chain_of(record)[1:3]
    for line, other in ((one, two), (two, one)):
        TrailEntry.objects.filter(pk=line.pk).update(at=other.at, detail={"of": other.number})

    words = " ".join(found())
    for number in (one.number, two.number):
        assert f"line {number}: was altered" in words


def test_altered_pdf_is_named(record, two_papers):
    Paper.objects.filter(pk=two_papers[0].pk).update(pdf=b"%PDF-1.7 other")

    (words,) = found()
    assert words.startswith(f"paper {two_papers[0].pk}, {who(record)}: its stored PDF is not")


def test_altered_pdf_with_its_checksum_is_named(record, two_papers):
    other = b"%PDF-1.7 other"
    Paper.objects.filter(pk=two_papers[0].pk).update(
        pdf=other, sha256=hashlib.sha256(other).hexdigest()
    )

    assert [words.split(":")[1].split(" (")[0] for words in found()] == [
        " is not what was signed",
        " its stored PDF is not the one that was signed",
    ]


def test_swapped_pdfs_are_named(record, two_papers):
    for paper, pdf in zip(two_papers, reversed(BYTES), strict=True):
        Paper.objects.filter(pk=paper.pk).update(pdf=pdf)

    assert [words.split(",")[0] for words in found()] == [
        f"paper {paper.pk}" for paper in two_papers
    ]


def test_altered_content_of_a_paper_is_named(record, two_papers):
    Paper.objects.filter(pk=two_papers[1].pk).update(content={"words": []})

    (words,) = found()
    assert words.startswith(f"paper {two_papers[1].pk}, {who(record)}: is not what was signed")


def test_deleted_paper_is_named(record, two_papers):
    pk = two_papers[1].pk
    Paper.objects.filter(pk=pk).delete()

    (words,) = found()
    assert words.startswith(f"paper {pk}, {who(record)}: is gone")


@pytest.fixture
def addendum(desk, time_machine):
    """An addition to the signed assessment."""
    time_machine.move_to(datetime.combine(desk.assessment.assessed_on, time(12), UTC))
    return write_addendum(
        assessment=desk.assessment,
        by=desk.by,
        kind=AddendumKind.ADDITION,
        reason="Told later",
        text="Old shoes.",
        acted_on=timezone.localdate(),
    )


def the_addendum(row, what):
    return f"addendum {row.number} of assessment {row.assessment_id}, {what}"


def test_untouched_addendum_is_well(addendum):
    assert verified()[0] == 0
    assert "addendum: 1 held against the seal" in verified()[1]


def test_changed_addendum_is_named(addendum, record):
    Addendum.objects.filter(pk=addendum.pk).update(text="New shoes.")

    (words,) = found()
    assert words.startswith(the_addendum(addendum, f"{who(record)}: is not what was signed"))


def test_deleted_addendum_is_named(addendum, record):
    Addendum.objects.filter(pk=addendum.pk).delete()

    (words,) = found()
    assert words.startswith(the_addendum(addendum, f"{who(record)}: is gone"))


def test_added_addendum_is_named(addendum, record):
    addendum.pk, addendum.number = None, 2
    addendum.save(force_insert=True)

    assert found() == [
        the_addendum(addendum, f"{who(record)}: is there, and no line of the trail says so")
    ]


def test_second_signature_is_named(record):
    line = TrailEntry.objects.get(action="sign", object_kind="programme")
    trail.record(
        "sign", by=record.by, row=record.programme, client=line.client, seal=line.detail["seal"]
    )
    head = chain_of(record).last()  # no guard moves it here
    TrailHead.objects.filter(chain=head.chain).update(number=head.number, hash=head.hash)

    assert ["was signed a second time" in words for words in found()] == [True]


def test_lost_and_orphan_heads_are_named(record):
    chain = record.assessment.site_id
    TrailHead.objects.filter(chain=chain).delete()
    TrailHead.objects.create(chain=chain + 1000, number=3, hash="0" * 64)

    assert [words.split(": ")[1] for words in found()] == [
        "the chain has no head",
        "the chain has a head and no line",
    ]


def rewrite(desk):
    """Leave out a line and compute the whole chain anew, with its head."""
    chain_of(desk).exclude(action="sign").first().delete()
    last = GENESIS
    for number, line in enumerate(chain_of(desk), 1):
        line.number, line.prev_hash = number, last
        line.hash = last = line_hash({name: getattr(line, name) for name in COLUMNS})
        line.save()
    TrailHead.objects.filter(chain=line.chain).update(number=line.number, hash=line.hash)


def test_chain_written_anew_shows_in_the_noted_heads(record, tmp_path):
    file = tmp_path / "heads"
    assert verified("--heads", str(file))[0] == 0
    rewrite(record)

    assert verified()[0] == 0  # nothing in the database knows
    code, said = verified("--heads", str(file))
    assert code == 1
    assert "since it was noted on" in said


def test_heads_are_noted_once(record, tmp_path):
    file = tmp_path / "heads"
    for _ in range(2):
        assert verified("--heads", str(file))[0] == 0

    noted = [json.loads(line) for line in file.read_text().splitlines()]
    assert {(one["chain"], one["number"], one["hash"]) for one in noted} == set(
        TrailHead.objects.values_list("chain", "number", "hash")
    )
    assert len(noted) == TrailHead.objects.count()


def test_file_that_holds_no_heads_is_refused(record, tmp_path):
    file = tmp_path / "heads"
    file.write_text("{}\n")

    assert verified("--heads", str(file))[0] == 1
    assert file.read_text() == "{}\n"


def test_signature_without_a_seal_is_counted_apart(edition):
    by = StaffFactory()
    desk = Desk(edition, by=by)
    Assessment.objects.filter(pk=desk.pk).update(signed_at=timezone.now(), signed_by=by)
    trail.record("sign", by=by, row=desk.assessment, client=desk.assessment.client)

    code, said = verified()
    assert code == 0
    assert "assessment: 0 held against the seal, 1 signed before seals were kept" in said


def test_seal_of_the_first_version_is_read_by_its_columns(edition):
    by = StaffFactory()
    desk = Desk(edition, by=by)
    Assessment.objects.filter(pk=desk.pk).update(signed_at=timezone.now(), signed_by=by)
    seal = assessment_seal(desk.assessment, like="v1:")
    trail.record("sign", by=by, row=desk.assessment, client=desk.assessment.client, seal=seal)
    assert verified()[0] == 0

    drop_guards()
    seen = Observation.objects.filter(assessment=desk.pk).exclude(value=None).first()
    Observation.objects.filter(pk=seen.pk).update(sd=1)

    assert found() == the_assessment(desk)


def test_changed_error_and_camera_are_named(record):
    Trial.objects.filter(assessment=record.pk).update(camera="left")
    assert found() == the_assessment(record)

    Trial.objects.filter(assessment=record.pk).update(camera="")
    assert verified()[0] == 0
    seen = Observation.objects.filter(assessment=record.pk).exclude(value=None).first()
    Observation.objects.filter(pk=seen.pk).update(sd=1)
    assert found() == the_assessment(record)


def test_no_clinical_word_is_printed(record):
    Assessment.objects.filter(pk=record.pk).update(words="It bites after 3 km.")

    assert "bites" not in " ".join(found())


@pytest.fixture
def retraction(desk):
    assessment = desk.assessment
    return retract_assessment(
        assessment=assessment,
        by=assessment.clinician,
        cause=RetractionCause.MISTAKE,
        reason="Opened twice.",
    )


def test_deleted_retraction_is_named(retraction, record):
    assert verified()[0] == 0
    Retraction.objects.filter(pk=retraction.pk).delete()

    (words,) = found()
    assert words.startswith(f"retraction {retraction.pk}, {who(record)}: is gone")
