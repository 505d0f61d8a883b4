"""The appointment slip as a PDF."""

from reportlab.platypus import Flowable

from clinic.documents.blocks import FOR_CLIENTS, Rule, paragraph
from clinic.documents.fonts import refuse_unprintable
from clinic.documents.page import build, sections_story, sizes_for
from clinic.domain.slip import Slip


def render_slip(slip: Slip) -> bytes:
    """The slip as PDF/A-2b, the same bytes for the same value; it needs no signature.

    Raises Unprintable, naming the characters that the font lacks.
    """
    refuse_unprintable(slip.strings())
    sizes = sizes_for(slip.head, FOR_CLIENTS)
    story: list[Flowable] = [
        paragraph(slip.head.letterhead.name, sizes.body, "strong"),
        Rule(after=sizes.body),
        paragraph(slip.title, sizes.body, "title"),
        paragraph(f"For {slip.head.person.called}", sizes.body),
        paragraph(slip.day, sizes.body, "title"),
        paragraph(slip.time, sizes.body, "title"),
        *sections_story(slip.sections, sizes),
    ]
    return build(story, slip.head, sizes, title=slip.title, draft=False)
