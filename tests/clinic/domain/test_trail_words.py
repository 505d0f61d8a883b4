"""A line of the trail in words: every act has one, values and seals are not told."""

import pytest

from clinic.domain.trail_words import ACTS, act_words, detail_words, object_words
from clinic.domain.vocabulary import TrailAction


def test_every_action_has_its_own_words():
    assert set(ACTS) == set(TrailAction)
    assert len(set(ACTS.values())) == len(TrailAction)
    assert act_words("sign_fail") == "failed to sign in to"


def test_unknown_action_is_refused():
    with pytest.raises(ValueError, match="whistle"):
        act_words("whistle")


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (("assessment", "12", 4), "assessment 12, version 4"),
        (("staff", "3", None), "account 3"),
        (("trail", "", None), "the trail"),
        (("client", "7", 2), "the record"),
        (("", "", None), ""),
    ],
)
def test_object_is_named(given, words):
    assert object_words(*given) == words


def test_details_tell_names_and_numbers():
    detail = {"fields": ["family_name", "email"], "hits": 3, "kind": "allergy", "given": True}

    told = "fields: family name, email; hits: 3; kind: allergy; given: yes"
    assert detail_words(detail) == told


def test_old_and_new_values_are_not_told():
    assert detail_words({"answers": {"x10": {"left": [1, 2]}, "x11": {}}}) == "answers: x10, x11"
    assert detail_words({"grade": [["0", "2"], ["1", "3"]]}) == ""


def test_seals_and_empty_details_are_not_told():
    assert (
        detail_words(
            {"seal": "ab" * 32, "sha256": "ef", "checksum": "cd" * 32, "why": None, "goals": []}
        )
        == ""
    )


def test_long_list_is_cut_and_counted():
    assert detail_words({"flags": [f"s{n}" for n in range(11)]}) == (
        "flags: s0, s1, s2, s3, s4, s5, s6, s7 and 3 more"
    )
