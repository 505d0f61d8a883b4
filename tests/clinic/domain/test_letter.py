"""What letters say, from the full value and from a bare one."""

import json
from dataclasses import replace
from datetime import date

import pytest

from clinic.domain.letter import (
    AUTHOR,
    MANDATORY_HEADINGS,
    Addressee,
    Caution,
    ChangeRow,
    ConsentToShare,
    FindingRow,
    Letter,
    LetterKind,
    Referral,
)
from clinic.domain.paper import Answer, words_of
from tests.clinic.documents.papers import BARE, BARE_REFERRAL, FULL, REFERRAL

ALL = {"bare": BARE, "bare referral": BARE_REFERRAL, "full": FULL, "referral": REFERRAL}


def headings(letter):
    return [section.heading for section in letter.sections]


def words(letter, heading):
    return list(words_of(next(s for s in letter.sections if s.heading == heading)))[1:]


@pytest.mark.parametrize("name", ALL)
def test_letter_comes_back_from_json(name):
    assert Letter.from_json(json.loads(json.dumps(ALL[name].to_json()))) == ALL[name]


def test_progress_letter_has_every_part_in_order():
    # letter content: PRSB headings, request and cautions first (AoMRC, Please, write to me)
    assert headings(FULL) == [
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


def test_referral_letter_adds_its_own_parts():
    added = [heading for heading in headings(REFERRAL) if heading not in headings(FULL)]

    assert added == [
        "Red-flag findings",
        "Effect on daily life and sport",
        "What the client was told to do meanwhile",
        "How this referral is followed",
    ]
    assert headings(REFERRAL).index("Red-flag findings") == 2


def test_referral_names_question_and_urgency_first():
    assert words(REFERRAL, "What is asked of you") == [
        "Purpose",
        "Please see the client for a suspected bone stress injury.",
        "Question",
        "Which imaging is needed?",
        "Urgency",
        "same day, because the pain is there at night",
        "Client agreed to this referral",
        "yes",
    ]


@pytest.mark.parametrize("letter", [BARE, BARE_REFERRAL], ids=["progress", "referral"])
def test_nothing_is_blank_in_a_bare_letter(letter):
    every = [text for section in letter.sections for text in words_of(section)]

    assert set(MANDATORY_HEADINGS) <= set(headings(letter))
    assert all(text.strip() for text in every)


def test_empty_parts_stand_in_one_line_before_the_author():
    place = headings(BARE).index("Nothing recorded")

    assert headings(BARE)[place + 1] == AUTHOR
    assert words(BARE, "Nothing recorded") == [
        "Why seen: not given; Problems and diagnoses: not given; Findings: not examined; "
        "Scales: not asked; Change since last time: No earlier measurement to compare with; "
        "Treatment so far and response: None so far; Plan: not given; Exercises: None given; "
        "Advice given: not given; Needs: not asked."
    ]


def test_plan_without_actions_still_says_whether_it_was_agreed():
    letter = replace(BARE, plan_agreed=False)

    assert words(letter, "Plan") == ["not given", "Agreed with the client", "no"]


def test_findings_tell_nothing_found_from_not_examined():
    letter = replace(BARE, examined=("hip",), not_examined=("foot",))

    assert words(letter, "Findings") == [
        "No finding in what was examined.",
        "Examined",
        "hip",
        "Not examined",
        "foot",
    ]


def test_findings_that_were_all_left_out_are_not_called_none():
    letter = replace(BARE, not_examined=("all: the client was unwell",))

    assert words(letter, "Findings")[0] == "not given"


def test_finding_row_has_value_error_and_unit():
    row = FindingRow("Hip", "Drop", "left", "7.3", "deg", "1.6")

    assert row.measured == "7.3 ± 1.6 deg"
    assert replace(row, error="").measured == "7.3 deg"
    assert replace(row, value="").measured == "no value"


def test_unasked_lists_and_known_none_differ():
    letter = replace(BARE, allergies=Answer.listed(), medicines=Answer.listed("Amlodipine 5 mg"))

    assert words(letter, "Allergies, medicines and devices") == [
        "Allergies",
        "none known",
        "Medicines",
        "Amlodipine 5 mg",
        "Devices",
        "not asked",
    ]


def test_problem_is_marked_uncertain_unless_certain():
    assert words(FULL, "Problems and diagnoses") == [
        "Achilles tendon pain, left (uncertain)",
        "Raised blood pressure",
    ]


def test_changes_of_one_pair_of_days_name_it_once():
    assert words(FULL, "Change since last time")[1:8] == [
        "Measure",
        "Side",
        "Earlier, on 29 January 2027",
        "Present, on 12 March 2027",
        "Difference",
        "Error",
        "Verdict",
    ]


def test_changes_of_several_days_name_them_in_the_rows():
    first, second = FULL.changes
    letter = replace(FULL, changes=(first, replace(second, earlier_on=date(2027, 1, 3))))

    assert "158 on 29 January 2027" in words(letter, "Change since last time")
    assert "6.6 on 3 January 2027" in words(letter, "Change since last time")


def test_change_without_numbers_is_not_blank():
    letter = replace(BARE, changes=(ChangeRow("Cadence", "", "", "", "", "", "", ""),))

    assert words(letter, "Change since last time")[8:] == [
        "Cadence",
        "none",
        "not given",
        "not given",
        "not given",
        "not known",
        "not given",
        "A change within the error is not counted as a change.",
    ]


def test_caution_line_says_whom_how_soon_since_and_why_lifted():
    caution = Caution("Stop.", "doctor", "same day", date(2027, 3, 1), "on 2 March 2027.")

    assert caution.line == (
        "Stop. See: doctor. How soon: same day. Since 1 March 2027. Lifted: on 2 March 2027."
    )
    assert Caution("Stop.").line == "Stop."


@pytest.mark.parametrize(
    ("consent", "expected"),
    [
        (ConsentToShare(), "not asked"),
        (ConsentToShare(given=False), "Refused. No limits named."),
        (
            ConsentToShare(given=True, by="Jo", on=date(2027, 3, 1), limits="not to the coach"),
            "Given by Jo on 1 March 2027. Limits: not to the coach",
        ),
    ],
)
def test_consent_words(consent, expected):
    assert consent.words == expected


def test_kind_and_referral_must_fit():
    with pytest.raises(ValueError, match="a referral letter"):
        Letter(BARE.head, LetterKind.REFERRAL, Addressee())
    with pytest.raises(ValueError, match="a progress letter"):
        Letter(BARE.head, LetterKind.PROGRESS, Addressee(), referral=Referral())
