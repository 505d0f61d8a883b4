"""Shared values of the papers: words, answers, and the way to JSON and back."""

import json
from datetime import UTC, date, datetime

import pytest

from clinic.domain.paper import (
    Answer,
    Asked,
    Facts,
    Grid,
    Items,
    Letterhead,
    PaperHead,
    Person,
    PrintSize,
    Section,
    Signature,
    Text,
    Unprintable,
    date_words,
    day_words,
    joined,
    time_words,
    words_of,
    yes_no_words,
)

PERSON = Person("Jo Bare", date(2001, 1, 9), "7")
HEAD = PaperHead(Letterhead("Harbour Lane Gait Clinic"), PERSON, date(2027, 3, 12))


def test_date_words_name_the_month():
    assert date_words(date(2027, 3, 12)) == "12 March 2027"
    assert [date_words(date(2027, m, 1)).split()[1] for m in (1, 12)] == ["January", "December"]


def test_missing_date_is_named():
    assert date_words(None) == "not given"


def test_day_words_name_the_weekday():
    # ISO 8601: 2027-W14-2 is a Tuesday, as date.fromisocalendar gives it
    assert day_words(date.fromisocalendar(2027, 14, 2)) == "Tuesday 6 April 2027"


def test_time_words_use_two_digits():
    assert time_words(datetime(2027, 4, 6, 9, 5, tzinfo=UTC)) == "09:05"


@pytest.mark.parametrize(("answer", "words"), [(True, "yes"), (False, "no"), (None, "not asked")])
def test_yes_no_words(answer, words):
    assert yes_no_words(answer) == words


def test_joined_leaves_out_what_is_empty():
    assert joined("a", "", "b") == "a, b"
    assert joined("", "") == ""


def test_answer_tells_not_asked_from_none_known():
    assert Answer().lines == ("not asked",)
    assert Answer.listed().lines == ("none known",)
    assert Answer.listed("Penicillin", "Nuts").lines == ("Penicillin", "Nuts")


@pytest.mark.parametrize(
    ("state", "items"), [(Asked.LISTED, ()), (Asked.NONE_KNOWN, ("x",)), (Asked.NOT_ASKED, ("x",))]
)
def test_answer_that_contradicts_itself_is_refused(state, items):
    with pytest.raises(ValueError, match="an answer"):
        Answer(state, items)


def test_person_is_called_by_the_preferred_name():
    assert PERSON.called == "Jo Bare"
    assert Person("Jo Bare", PERSON.born, "7", "Joey").called == "Joey"


def test_person_has_three_identifiers():
    assert PERSON.identity == "Jo Bare, born 9 January 2001, record 7"


def test_signature_event_says_when_or_draft():
    at = datetime(2027, 3, 12, 16, 5)  # noqa: DTZ001  # a local time without a zone
    assert Signature().event == "Draft, not signed"
    assert Signature(signed_at=at.replace(tzinfo=UTC)).event == (
        "Signed on 12 March 2027 at 16:05 (UTC)"
    )
    assert Signature(signed_at=at).event == "Signed on 12 March 2027 at 16:05"


def test_head_is_a_draft_until_signed():
    signed = PaperHead(
        HEAD.letterhead, PERSON, HEAD.dated, Signature(signed_at=datetime(2027, 3, 12, tzinfo=UTC))
    )

    assert HEAD.draft
    assert not signed.draft


def test_version_words_name_what_is_replaced():
    second = PaperHead(HEAD.letterhead, PERSON, HEAD.dated, version=2, replaces="version 1")

    assert HEAD.version_words == "Version 1"
    assert second.version_words == "Version 2, replaces version 1"


def test_letterhead_call_is_never_blank():
    assert HEAD.letterhead.call == "not given"
    assert Letterhead("Clinic", "Quay", telephone="0123").call == "0123"
    assert Letterhead("Clinic", "Quay").name == "Clinic, Quay"


def test_head_comes_back_from_json():
    full = PaperHead(
        Letterhead("Clinic", "Quay", ("Lane 1",), "0123", "a@b.example"),
        Person("Jo Bare", date(2001, 1, 9), "7", "Joey", ("Walk 2", "Town"), "0777"),
        date(2027, 3, 12),
        Signature("Ines", "Physio", "PH 1", datetime(2027, 3, 12, 16, 5, tzinfo=UTC)),
        2,
        "version 1",
        ("A", "B"),
        "line",
        PrintSize.LARGE,
        "de-DE",
    )

    assert PaperHead.from_json(json.loads(json.dumps(full.to_json()))) == full
    assert full.large


def test_later_field_takes_its_default():
    data = HEAD.to_json()
    del data["edition_line"], data["copies"]

    assert PaperHead.from_json(data) == HEAD


def test_unknown_and_lost_fields_are_refused():
    with pytest.raises(ValueError, match="Person has no field age"):
        Person.from_json({**PERSON.to_json(), "age": 3})
    with pytest.raises(ValueError, match="Person needs born, record_number"):
        Person.from_json({"full_name": "Jo Bare"})


def test_strings_reach_every_depth():
    head = PaperHead(Letterhead("Clinic", address=("Lane",)), PERSON, HEAD.dated, copies=("A",))

    assert {"Clinic", "Lane", "Jo Bare", "7", "A", "en-GB"} <= set(head.strings())


def test_words_of_a_section_are_in_reading_order():
    section = Section(
        "Head",
        (
            Text("b", "a"),
            Items(("d", "e"), "c"),
            Items(("f",)),
            Facts((("g", "h"),)),
            Grid("i", ("j", "k"), (("l", ""),), (1, 1)),
        ),
    )

    assert list(words_of(section)) == ["Head", *"abcdefghijkl"]


def test_section_without_parts_is_refused():
    with pytest.raises(ValueError, match="nothing stands under Plan"):
        Section("Plan", ())


def test_unprintable_names_each_character():
    error = Unprintable(("你", "☃"))

    assert error.characters == ("你", "☃")
    assert str(error) == (
        "The paper cannot be printed: no letter shape for '你' (U+4F60), '☃' (U+2603)."
    )
