"""How blocks break over pages."""

from clinic.documents.blocks import FOR_CLIENTS, Stack, listed, paragraph
from clinic.documents.page import WIDTH, part_blocks
from clinic.domain.paper import Items


def texts(stack):
    return [part.getPlainText() for part in stack.parts]


def test_label_at_the_foot_goes_over_with_what_follows():
    parts = [paragraph("above", 12), paragraph("label", 12, "subheading"), paragraph("below", 12)]
    room = Stack(parts[:2]).wrap(WIDTH, 800)[1] + 3

    head, tail = Stack(parts).splitOn(None, WIDTH, room)

    assert (texts(head), texts(tail)) == (["above"], ["label", "below"])


def test_stack_that_fits_is_not_parted():
    stack = Stack([paragraph("above", 12)])

    assert stack.splitOn(None, WIDTH, 800) == [stack]


def test_stack_without_room_for_its_first_block_is_not_parted():
    assert Stack([paragraph("above", 12)]).splitOn(None, WIDTH, 5) == []


def test_item_without_room_for_a_line_is_not_parted():
    (item,) = listed(["one line"], FOR_CLIENTS)

    assert item.splitOn(None, WIDTH, 5) == []


def test_numbered_list_has_numbers():
    items = part_blocks(Items(("a", "b"), numbered=True), FOR_CLIENTS, WIDTH)

    assert [item.label for item in items] == ["1.", "2."]
