"""Letters collected from the record: each section, full and bare.

Sections: headings of the PRSB outpatient letter (nhsconnect ITK3 specification) and RACGP 1.6.2
for referrals; sentences: findings.csv, screening.csv and notes.csv.
"""

import csv
from datetime import UTC, date, datetime
from decimal import Decimal
from io import StringIO

import pytest

from assessments.models import Addendum, Assessment
from clinic.documents.letter import render_letter
from clinic.domain.letter import Letter, Reader
from clinic.domain.paper import words_of
from clinic.web.letter_record import to_client, to_referrer
from clinic.web.letters import collect_letter, collect_referral
from tests.clinic.documents.papers import pages
from tests.factories import StaffFactory
from tests.factories.consult import make_assessment, observe
from tests.factories.letters import bare_record, file_record, full_record
from tests.factories.people import HoldFactory

pytestmark = pytest.mark.django_db
DAY = date(2027, 3, 12)


@pytest.fixture
def by():
    return StaffFactory(first_name="Ines", last_name="Marlow")


@pytest.fixture
def assessment(edition, by):
    return full_record(edition, by)


@pytest.fixture
def letter(assessment, by):
    return collect_letter(assessment, to_referrer(assessment.client.doctor), by, on=DAY)


def words(letter, heading):
    section = next(part for part in letter.sections if part.heading == heading)
    return list(words_of(section))[1:]


def test_letter_of_a_full_record_has_every_section(letter):
    assert [part.heading for part in letter.sections] == [
        "What is asked of you",
        "Summary",
        "Cautions",
        "Client",
        "Doctor's practice",
        "Contact",
        "Why seen",
        "Problems and diagnoses",
        "Findings",
        "Scales",
        "Change since last time",
        "Allergies, medicines and devices",
        "Treatment so far and response",
        "Plan",
        "Exercises",
        "Advice given",
        "Needs",
        "Next",
        "Consent to share",
        "Short forms",
        "Written by",
        "Copies to",
    ]


@pytest.mark.parametrize(
    ("heading", "expected"),
    [
        ("Doctor's practice", ["Dr Ash, Brook Surgery, 9 Brook Street, Larkfield"]),
        (
            "Contact",
            ["Date", "10 March 2027", "Kind", "first assessment", "How held", "in person"],
        ),
        (
            "Why seen",
            [
                "Reason",
                "inner edge of the shin, left",
                "In the client's own words",
                "“Runs with an ache It bites after 3 km.”",
                "Goals",
                "Run 10 km, by 13 June 2027",
                "Concerns",
                "not asked",
            ],
        ),
        ("Problems and diagnoses", ["Complaint: inner edge of the shin, left"]),
        (
            "Allergies, medicines and devices",
            ["Allergies", "Penicillin", "Medicines", "none known", "Devices", "not asked"],
        ),
        (
            "Treatment so far and response",
            [
                "What was given and what came of it",
                "Given",
                "Done at home",
                "Effect",
                "Harm",
                "Calf raise, knee straight",
                "not asked",
                "Did 15 of 18 sessions; less sore.",
                "not asked",
            ],
        ),
        ("Needs", ["Large print", "Face her when speaking", "Slow on stairs"]),
        (
            "Consent to share",
            ["Given by the client on 10 January 2026. Limits: not to the coach"],
        ),
        ("Copies to", ["Orla Fenwick"]),
    ],
)
def test_letter_says_what_the_record_holds(letter, heading, expected):
    assert words(letter, heading) == expected


def test_letter_names_only_what_was_decided(letter):
    assert words(letter, "Exercises")[5:] == [
        "Arm drive-back drill",
        "3 bouts of 30 seconds, 3 days a week",
        "Stand on 1 leg; later take quick steps on the spot, if you are allowed to run",
        "Up to 2 out of 10, in it and after it, and gone by the next morning.",
        "Handout",
        "not given",
    ]
    assert words(letter, "Plan")[-2:] == ["Agreed with the client", "yes"]


def test_letter_gives_heel_ahead_in_centimetres(letter):
    # EVALUATION.md, 4: 15.2 cm for each metre of height, here 1.7 m, so one foot is 25.8 cm
    row = next(one for one in letter.findings if one.finding == "Over-striding")

    assert (row.value, row.unit, row.side, row.error) == ("33", "cm", "left", "")
    assert (
        "Over-striding (left): at contact the heel lies ahead of the centre of mass by 33 cm "
        "(error not published), flagged above 25.8 cm."
    ) in letter.finding_notes


def test_letter_prints_the_clients_own_statement(assessment, by):
    now = datetime(2027, 3, 14, tzinfo=UTC)
    Assessment.objects.filter(pk=assessment.pk).update(signed_at=now, signed_by=by)
    signed = Assessment.objects.for_page().get(pk=assessment.pk)
    for number, kind in enumerate(("statement", "addition"), start=1):
        Addendum.objects.create(
            site=signed.site, assessment=signed, number=number, kind=kind, reason="Asked to.",
            text="It never hurt\r\nat rest.", acted_on=signed.assessed_on, entered_at=now,
            author=by,
        )  # fmt: skip

    letter = collect_letter(signed, to_referrer(signed.client.doctor), by, on=DAY)

    assert [note for note in letter.finding_notes if "never hurt" in note] == [
        "The client disputes an entry of this assessment; their statement: "
        "“It never hurt at rest.”"
    ]


def test_letter_compares_with_the_last_signed_assessment(letter):
    # features.csv: detectable difference of the pelvic drop 2.8 deg; 8.3 then, 2.8 or so now
    rows = {(row.measure, row.side): row for row in letter.changes}
    drop = rows["Contralateral pelvic drop", "right"]

    assert (drop.earlier, drop.error, drop.earlier_on) == ("8.3", "2.8", date(2027, 1, 10))
    assert drop.verdict in {"better", "within error"}
    expected = float(drop.present) - float(drop.earlier)
    assert float(drop.difference.replace("−", "-")) == pytest.approx(expected)


def test_letter_does_not_compare_with_a_draft(edition, assessment, by):
    draft = make_assessment(edition=edition, client=assessment.client, by=by, on=date(2027, 2, 20))
    observe(draft, "pelvic_drop", "right", value=Decimal(2))

    letter = collect_letter(assessment, to_client(assessment.client), by, on=DAY)

    assert {row.earlier_on for row in letter.changes} == {date(2027, 1, 10)}


def test_letter_leaves_out_what_did_not_change_and_says_so(letter):
    # equal in both files and no finding: the side lean
    measures = {row.measure for row in letter.changes}

    assert "Side lean of the trunk" not in measures
    assert {"Pain now, at rest", "Single-leg heel raises"} <= measures
    assert any(
        line.endswith("none of them changed beyond a published error.")
        for line in letter.finding_notes
    )


def test_letter_to_the_client_uses_the_sentences_for_clients(assessment, by, reference_texts):
    letter = collect_letter(assessment, to_client(assessment.client), by, on=DAY)

    rows = {row["code"]: row for row in csv.DictReader(StringIO(reference_texts["findings.csv"]))}
    assert letter.to.reader is Reader.CLIENT
    assert letter.head.large
    assert rows["arm_forward_reach"]["client_sentence"] in letter.finding_notes
    assert rows["arm_forward_reach"]["letter_sentence_graded"] not in letter.finding_notes
    assert "You land on your heel, like most runners. There is no need to change that." in (
        letter.finding_notes  # notes.csv, foot_strike_not_changed
    )


def test_letter_of_a_bare_record_says_what_is_not_known(edition, by):
    assessment = bare_record(edition, by)
    letter = collect_letter(assessment, to_client(assessment.client), by, on=DAY)

    assert words(letter, "Doctor's practice") == ["not given"]
    assert words(letter, "Allergies, medicines and devices") == [
        "Allergies", "not asked", "Medicines", "not asked", "Devices", "not asked"
    ]  # fmt: skip
    assert "Consent to share" in [part.heading for part in letter.sections]
    assert words(letter, "Consent to share") == ["not asked"]
    assert [line for line in letter.not_examined if line.endswith(": not examined")] == [
        "Upper body: not examined",
        "Trunk: not examined",
        "Hip: not examined",
        "Ground contact: not examined",
        "Foot: not examined",
    ]
    assert letter.exercises == ()


def test_letter_names_a_hold_that_came_after_the_assessment(letter):
    assert words(letter, "Cautions")[:2] == [
        "On hold",
        "No running until the scan is read. Since 1 March 2027.",
    ]


def test_letter_says_when_and_why_a_hold_of_the_assessment_was_lifted(edition, by):
    assessment = file_record("03", edition, by)
    HoldFactory(
        client=assessment.client,
        code="s01",
        since=date(2027, 3, 10),
        ended_on=date(2027, 3, 11),
        end="lifted",
        lifted_by=by,
        reason="Seen by the doctor",
    )

    letter = collect_referral(assessment, None, by, on=DAY)

    assert letter.holds[0].line.endswith(
        "Since 10 March 2027. Lifted: on 11 March 2027 by Ines Marlow: Seen by the doctor"
    )
    assert letter.holds[1].lifted == ""


def test_letter_comes_back_from_json_and_prints(letter):
    again = Letter.from_json(letter.to_json())

    text = " ".join(pages(render_letter(again)))
    assert again == letter
    assert "Draft, not signed" in text
    assert "Run 10 km, by 13 June 2027" in text


def test_referral_of_a_stopped_assessment_puts_the_question_first(edition, by, reference_texts):
    assessment = file_record("03", edition, by)
    letter = collect_referral(assessment, None, by, on=DAY)

    flags = {
        row["code"]: row for row in csv.DictReader(StringIO(reference_texts["screening.csv"]))
    }
    asked = words(letter, "What is asked of you")
    assert letter.sections[0].heading == "What is asked of you"
    assert asked[0:2] == [
        "Purpose",
        "Please see the client: Exertional heart signs.",
    ]
    assert asked[4:6] == [
        "Urgency",
        "the same day, because Exertional heart signs",
    ]
    assert letter.to.role == flags["s01"]["refer_to"]
    assert letter.holds[0].sentence == flags["s01"]["letter_sentence"]
    assert flags["s01"]["handout_sentence"] in letter.referral.told_meanwhile
    assert letter.referral.signs_present == ("Exertional heart signs", "Tendon affecting medicine")
    assert "Suspected clot" in letter.referral.signs_absent[0].split("; ")
    assert letter.referral.check_on == date(2027, 3, 13)
    assert (letter.findings, letter.exercises) == ((), ())


def test_referral_says_a_shared_sentence_once(edition, by):
    assessment = file_record("03", edition, by)
    letter = collect_referral(assessment, None, by, on=DAY)

    sentence = letter.holds[0].sentence
    boxed = words(letter, "Cautions")
    assert sum(line.count(sentence) for line in boxed) == 1
