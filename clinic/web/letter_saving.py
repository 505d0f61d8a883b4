"""The free parts of a draft letter, saved part by part: what two people typed is merged."""

from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus

from django import forms
from django.db import transaction

from clinic.domain.letter import Letter
from clinic.models import Paper, Staff
from clinic.services import papers
from clinic.web.forms.letters import LetterForm, free_parts


@dataclass(frozen=True)
class Part:
    """One part of a draft as the page shows it: its field, and the text that is stored."""

    name: str
    field: forms.BoundField
    stored: str
    overtaken: bool = False
    refused: str = ""


@dataclass(frozen=True)
class Saving:
    """A draft after saving, and what was typed where not all of it could be saved.

    overtaken: names of the parts that somebody else changed since the page showed them.
    refused: why nothing of it is saved.
    """

    paper: Paper
    form: LetterForm
    overtaken: frozenset[str] = frozenset()
    refused: str = ""

    @property
    def status(self) -> int:
        if self.overtaken:
            return HTTPStatus.CONFLICT
        refused = self.refused or not self.form.is_valid()
        return HTTPStatus.UNPROCESSABLE_ENTITY if refused else HTTPStatus.OK

    def parts(self) -> list[Part]:
        texts = free_parts(Letter.from_json(self.paper.content))
        return [
            Part(name, self.form[name], texts[name], name in self.overtaken, self.refused)
            for name in self.form.fields
        ]


def shown(paper: Paper) -> Saving:
    """A draft as it is stored, nothing typed."""
    letter = Letter.from_json(paper.content)
    return Saving(paper, LetterForm(free_parts(letter), letter=letter))


@transaction.atomic
def save_parts(*, paper: Paper, post: Mapping[str, str], by: Staff) -> Saving:
    """Save what a page sends of a draft: one part of it, or all.

    A part that nobody else changed since it was seen (`name.seen`) is saved; of one that
    somebody did, the stored text stays and the typed one stands in the form. `name.take` leaves
    the stored text. Parts that are not sent stay. Where a text is refused, nothing is saved.
    """
    # two people who save at once come one after the other
    stored = Paper.objects.without_bytes().select_for_update(of=("self",)).get(pk=paper.pk)
    letter = Letter.from_json(stored.content)
    texts = free_parts(letter)
    typed = texts | {name: post[name] for name in texts if name in post}
    if stored.is_signed:
        return Saving(stored, LetterForm(typed, letter=letter), refused=papers.SIGNED_ALREADY)
    overtaken = frozenset(name for name in texts if _overtaken(name, post, texts[name]))
    kept = {name: texts[name] for name in texts if _left(name, post, overtaken)}
    form = LetterForm(typed | kept, letter=letter)
    if form.is_valid() and any(flat(form.data[name]) != flat(texts[name]) for name in texts):
        content = form.applied().to_json()
        stored = papers.edit_paper(paper=stored, seen_edits=stored.edits, content=content, by=by)
    asked = {name: typed[name] for name in overtaken}
    return Saving(stored, LetterForm(typed | kept | asked, letter=letter), overtaken)


def _left(name: str, post: Mapping[str, str], overtaken: frozenset[str]) -> bool:
    """Whether the stored text of a part stays: also where the page was not touched."""
    untouched = flat(post.get(name, "")) == flat(post.get(f"{name}.seen", ""))
    return name in overtaken or untouched or f"{name}.take" in post


def _overtaken(name: str, post: Mapping[str, str], stored: str) -> bool:
    if name not in post or f"{name}.take" in post:
        return False
    typed, seen = flat(post[name]), flat(post.get(f"{name}.seen", ""))
    return flat(stored) not in {seen, typed} and typed != seen


def flat(text: str) -> str:
    """A text as it is compared: a browser sends other line ends than it was given."""
    return "\n".join(text.split("\r\n")).strip()
