"""What the slip says."""

import json
from dataclasses import replace

from clinic.domain.paper import Letterhead, words_of
from clinic.domain.slip import Slip
from tests.clinic.documents.papers import SLIP


def words(slip):
    return [text for section in slip.sections for text in words_of(section)]


def test_slip_comes_back_from_json():
    assert Slip.from_json(json.loads(json.dumps(SLIP.to_json()))) == SLIP


def test_time_has_an_end_only_if_the_length_is_known():
    assert SLIP.time == "14:30 to 15:15 (45 minutes)"
    assert replace(SLIP, minutes=0).time == "14:30"


def test_what_is_not_known_is_named():
    head = replace(SLIP.head, letterhead=Letterhead("Clinic"))
    bare = Slip(head, SLIP.starts_at)

    assert "not given" in words(bare)
    assert "ask at the front desk" in words(bare)
    assert "Nothing special." in words(bare)
    assert "Tell us as early as you can. We will find another time." in words(bare)
