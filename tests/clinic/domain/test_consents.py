"""Texts of consents, and who may answer at which age."""

from datetime import date
from pathlib import Path

import pytest

from clinic.domain.consents import alone_from, newest_text, read_texts, refused_giver
from clinic.domain.vocabulary import ConsentFooting, ConsentPurpose

TABLE = Path(__file__).parents[3] / "fixtures" / "rights" / "consents.csv"
HEAD = "purpose,version,in_use_from,text\n"


def whole():
    return TABLE.read_text(encoding="utf-8")


def test_each_purpose_has_a_text_of_the_clinic():
    texts = read_texts(whole())

    assert {one.purpose for one in texts} == set(ConsentPurpose)
    # version 1 was a number without words
    assert min(one.version for one in texts) == 2
    assert all("at any time" in one.text for one in texts)


def test_the_highest_version_is_read_out():
    texts = read_texts(whole() + "filming,3,2027-01-01,New words.\n")

    assert newest_text(texts, ConsentPurpose.FILMING).text == "New words."
    assert newest_text(texts, ConsentPurpose.FILMING).in_use_from == date(2027, 1, 1)
    assert newest_text(texts, ConsentPurpose.SHARING).version == 2


@pytest.mark.parametrize(
    ("table", "fault"),
    [
        (HEAD + "filming,2,2026-12-01,Words\n", "no text for assessment"),
        (HEAD + "selling,2,2026-12-01,Words\n", "selling"),
        (HEAD + "filming,2,2026-12-01, \n", "empty"),
        (HEAD + "filming,2,2026-12-01,a\nfilming,2,2026-12-01,b\n", "twice"),
    ],
)
def test_a_table_with_a_fault_is_refused(table, fault):
    with pytest.raises(ValueError, match=fault):
        read_texts(table)


@pytest.mark.parametrize(("country", "age"), [("GB", 16), ("IE", 16), ("FR", 18), ("", 18)])
def test_the_age_of_answering_alone_follows_the_country(country, age):
    assert alone_from(country) == age


@pytest.mark.parametrize(
    ("age", "given", "footing", "name", "field"),
    [
        (15, True, "client", "", "given_by"),
        (16, True, "client", "", None),
        (9, False, "client", "", None),
        (15, True, "parent", "Ada Fen", None),
        (15, True, "guardian", "Ada Fen", None),
        (15, True, "parent", "", "given_by"),
        (17, True, "parent", "Ada Fen", None),
        (18, True, "parent", "Ada Fen", "given_as"),
        (40, True, "authority", "Ada Fen", None),
        (40, True, "client", "Ada Fen", "given_as"),
        (15, True, "unstated", "Ada Fen", "given_as"),
    ],
)
def test_who_may_give_an_answer(age, given, footing, name, field):
    refused = refused_giver(
        age=age, country="GB", given=given, footing=ConsentFooting(footing), name=name
    )

    assert (refused and refused[0]) == field


def test_a_refusal_leaves_the_last_word_to_local_law():
    _, reason = refused_giver(
        age=15, country="GB", given=True, footing=ConsentFooting.SELF, name=""
    )

    assert "Below 16" in reason
    assert "Local law comes first" in reason
