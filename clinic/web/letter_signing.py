"""What must be there before a letter is signed, and the letter as it is signed."""

from dataclasses import replace
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.utils import timezone

from clinic.documents.letter import render_letter
from clinic.domain.letter import Letter, Reader
from clinic.domain.paper import Signature, Unprintable
from clinic.models import Client, Paper, Staff
from clinic.services import papers
from clinic.web.letter_record import consent_of, disagreements_of, sharing_of
from clinic.web.resting import NOT_USED, is_retracted

NO_CONSENT = (
    "The client has not agreed to sharing: ask, and keep the answer under consents. "
    "A letter to the client needs no consent to share."
)


def missing_parts(letter: Letter) -> tuple[str, ...]:
    """Mandatory parts that are empty, in words.

    Source: the six mandatory headings of the PRSB outpatient letter; for a referral its purpose,
    question, urgency and the client's agreement (RACGP 1.6.2; minimum information of referrals).
    """
    head, referral = letter.head, letter.referral
    needed: dict[str, object] = {
        "the client’s name": head.person.full_name,
        "the doctor’s practice (write that there is none, if so)": letter.practice,
        "the date of the contact": letter.contact.on,
        "the summary": letter.summary.strip(),
        "the reader": letter.to.lines,
        "your name": head.author.name,
        "your profession": head.author.role,
    }
    if referral is not None:
        needed |= {
            "what is asked of the reader": letter.asked.strip(),
            "the question": referral.question.strip(),
            "the urgency": referral.urgency,
            "whether the client agreed to the referral": referral.agreed is not None,
        }
    return tuple(name for name, given in needed.items() if not given)


def refuse_unready(letter: Letter, client: Client) -> None:
    """Raise ValidationError with everything that stands in the way of signing."""
    errors = [f"Still empty: {name}." for name in missing_parts(letter)]
    answer = sharing_of(client)
    shared = answer is not None and answer.given
    if letter.to.reader is not Reader.CLIENT and not shared:
        errors.append(NO_CONSENT)
    if errors:
        raise ValidationError(errors)


def sign_letter(*, paper: Paper, by: Staff) -> Paper:
    """Sign a letter as it was shown; raises ValidationError and StaleError.

    The consent that is printed is the one in force at this moment, and what the client disagrees
    with is what stands now.
    """
    if is_retracted(paper):
        raise ValidationError(NOT_USED)
    letter = Letter.from_json(paper.content)
    author = Signature(str(by), by.profession, by.registration_number)
    letter = replace(letter, head=replace(letter.head, author=author))
    refuse_unready(letter, paper.client)
    at = timezone.now()
    content = _signed(letter, paper.client, at)
    try:
        pdf = render_letter(Letter.from_json(content))
    except Unprintable as refusal:
        raise ValidationError(str(refusal)) from refusal
    return papers.sign_paper(paper=paper, by=by, signed_content=content, pdf=pdf, at=at)


def _signed(letter: Letter, client: Client, at: datetime) -> dict[str, Any]:
    author = replace(letter.head.author, signed_at=timezone.localtime(at))
    head = replace(letter.head, author=author)
    signed = replace(
        letter,
        head=head,
        consent=consent_of(sharing_of(client)),
        disagreements=disagreements_of(client, letter.to),
    )
    return signed.to_json()
