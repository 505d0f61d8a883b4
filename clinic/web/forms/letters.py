"""Forms of letters: what to write from and to whom, the free parts, and sending."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from crispy_forms.helper import FormHelper
from crispy_forms.layout import Div, Layout
from django import forms
from django.core.exceptions import ValidationError

from assessments.models import Assessment, Episode
from clinic.domain.letter import Addressee, Letter, LetterKind, PlanRow, Problem
from clinic.domain.vocabulary import PaperKind, SendingManner
from clinic.fields import choices
from clinic.models import Client, Referrer
from clinic.web.letter_parts import URGENCY_WORDS
from clinic.web.letter_record import lines_of, to_client, to_referrer
from clinic.web.letters import with_short_forms

UNCERTAIN = "(uncertain)"
YES_NO = [("", "not asked"), ("yes", "yes"), ("no", "no")]
ANSWERS = {"": None, "yes": True, "no": False}
WORDS = {answer: word for word, answer in ANSWERS.items()}
SETTING = "setting"
URGENCIES = [(words, words) for words in URGENCY_WORDS.values() if words]


def helper_of(*parts: Any) -> FormHelper:
    """A layout whose <form> and buttons belong to the template."""
    helper = FormHelper()
    helper.form_tag = False
    helper.layout = Layout(*parts)
    return helper


def readers_of(client: Client, *, episodes: bool = True) -> dict[str, Referrer]:
    """Whom letters of this client may go to, by key; the client comes on top of them."""
    found = {}
    if client.doctor is not None:
        found["doctor"] = client.doctor
    if episodes:
        sent = Episode.objects.filter(client=client, referrer__isnull=False)
        for episode in sent.select_related("referrer"):
            if episode.referrer is not None and episode.referrer != client.doctor:
                found[f"referrer-{episode.referrer.pk}"] = episode.referrer
    return found


class LetterNewForm(forms.Form):
    kind = forms.ChoiceField(
        choices=[
            (PaperKind.LETTER.value, "Progress letter"),
            (PaperKind.REFERRAL.value, "Referral letter"),
        ]
    )
    assessment = forms.ModelChoiceField(
        Assessment.objects.none(), label="Written from", empty_label=None
    )
    to = forms.ChoiceField(label="To")

    def __init__(self, *args: Any, client: Client, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.of_client = client
        self.readers = readers_of(client)
        assessments = Assessment.objects.standing().filter(client=client)
        self.fields["assessment"].queryset = assessments  # type: ignore[attr-defined]
        people = [(key, str(person)) for key, person in self.readers.items()]
        self.fields["to"].choices = [  # type: ignore[attr-defined]
            ("client", f"{client.full_name}, the client"),
            *people,
        ]
        self.helper = helper_of("kind", "assessment", "to")

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if (data.get("kind"), data.get("to")) == (PaperKind.REFERRAL.value, "client"):
            raise ValidationError({"to": "A referral letter goes to a professional."})
        return data

    @property
    def addressee(self) -> Addressee:
        to = self.cleaned_data["to"]
        return to_client(self.of_client) if to == "client" else to_referrer(self.readers[to])


class ReferralNewForm(forms.Form):
    to = forms.ChoiceField(label="To", required=True)

    def __init__(self, *args: Any, client: Client, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.readers = readers_of(client)
        people = [(key, str(person)) for key, person in self.readers.items()]
        nobody = (SETTING, "No person yet: the place named first above")
        self.fields["to"].choices = [*people, nobody]  # type: ignore[attr-defined]
        self.helper = helper_of("to")

    @property
    def addressee(self) -> Addressee | None:
        to = self.cleaned_data["to"]
        return None if to == SETTING else to_referrer(self.readers[to])


def area(label: str, help_text: str = "", rows: int = 3, **more: Any) -> forms.CharField:
    """A text of several lines."""
    return forms.CharField(
        label=label,
        help_text=help_text,
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": rows}),
        **more,
    )


class LetterForm(forms.Form):
    """The free parts of a letter; all else comes from the record."""

    asked = area("What is asked of the reader", "Stands first. Empty: for information.", 2)
    question = area("Question", "", 2)
    urgency = forms.ChoiceField(choices=[("", "not chosen"), *URGENCIES], required=False)
    urgency_reason = forms.CharField(label="Why this urgent", required=False, max_length=300)
    summary = area("Summary", "A few lines that a busy reader can act on.", 4)
    problems = area("Problems and diagnoses", f"One a line; {UNCERTAIN} at the end if it is.")
    practice = area("Doctor’s practice", "As recorded, or say that there is none.", 2)
    concerns = area("Concerns of the client", "One a line.", 2)
    effect_on_life = area("Effect on daily life and sport", "", 2)
    told_meanwhile = area("What the client was told to do meanwhile")
    sent_by = forms.CharField(
        label="How it is sent", required=False, max_length=100, help_text="A safe way."
    )
    plan = area("Plan", "One action a line: who | what | when | expected outcome.", 5)
    agreed = forms.ChoiceField(label="Agreed with the client", choices=YES_NO, required=False)
    if_worse = area("If it gets worse", "", 2)
    next_contact = forms.CharField(label="Next contact", required=False, max_length=300)

    REFERRAL_ONLY = (
        "question",
        "urgency",
        "urgency_reason",
        "effect_on_life",
        "told_meanwhile",
        "sent_by",
    )

    def __init__(self, *args: Any, letter: Letter, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.letter = letter
        if letter.kind is not LetterKind.REFERRAL:
            for name in self.REFERRAL_ONLY:
                del self.fields[name]

    def applied(self) -> Letter:
        """The letter with the parts as typed."""
        data, letter = self.cleaned_data, self.letter
        agreed = ANSWERS[data["agreed"]]
        changed = replace(
            letter,
            asked=data["asked"],
            summary=data["summary"],
            problems=tuple(_problem(line) for line in lines_of(data["problems"])),
            practice=lines_of(data["practice"]),
            why_seen=replace(letter.why_seen, concerns=lines_of(data["concerns"])),
            plan=tuple(_plan_row(line) for line in lines_of(data["plan"])),
            if_worse=data["if_worse"],
            next_contact=data["next_contact"],
        )
        if letter.referral is None:
            return with_short_forms(replace(changed, plan_agreed=agreed))
        typed = {name: data[name] for name in self.REFERRAL_ONLY}
        referral = replace(letter.referral, agreed=agreed, **typed)
        return with_short_forms(replace(changed, plan_agreed=agreed, referral=referral))


def free_parts(letter: Letter) -> dict[str, str]:
    """The free parts of a letter as the form shows them."""
    shown = {
        "asked": letter.asked,
        "summary": letter.summary,
        "problems": "\n".join(_problem_words(letter)),
        "practice": "\n".join(letter.practice),
        "concerns": "\n".join(letter.why_seen.concerns),
        "plan": "\n".join(_plan_words(row) for row in letter.plan),
        "agreed": WORDS[letter.plan_agreed],
        "if_worse": letter.if_worse,
        "next_contact": letter.next_contact,
    }
    if letter.referral is not None:
        shown |= {name: getattr(letter.referral, name) for name in LetterForm.REFERRAL_ONLY}
        shown["agreed"] = WORDS[letter.referral.agreed]
    return shown


def _problem_words(letter: Letter) -> Iterator[str]:
    for problem in letter.problems:
        yield problem.text if problem.certain else f"{problem.text} {UNCERTAIN}"


def _problem(line: str) -> Problem:
    certain = not line.endswith(UNCERTAIN)
    return Problem(line.removesuffix(UNCERTAIN).strip(), certain=certain)


def _plan_words(row: PlanRow) -> str:
    return " | ".join((row.who, row.what, row.when, row.expected)).rstrip(" |")


def _plan_row(line: str) -> PlanRow:
    cells = [cell.strip() for cell in line.split("|", 3)]
    if len(cells) == 1:
        return PlanRow("Clinic", cells[0])
    return PlanRow(*cells)


class SendForm(forms.Form):
    recipient = forms.CharField(max_length=200, help_text="Name and place, as on the envelope.")
    manner = forms.ChoiceField(label="How", choices=choices(SendingManner))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = helper_of(Div("recipient", "manner", css_class="pair"))
