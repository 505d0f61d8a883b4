"""The handout of a programme as a paper: with its head, drawn, stored when it is issued."""

from dataclasses import replace
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from assessments.domain.assessment import Assessment as AssessmentValue
from assessments.domain.vocabulary import Stage
from clinic.domain.paper import PaperHead, PrintSize, Unprintable
from clinic.domain.vocabulary import DocumentFormat, PaperKind
from clinic.models import Paper, Staff
from clinic.services.papers import draft_paper, sign_paper
from clinic.web.letter_record import author_of, letterhead_of, person_of
from clinic.web.resting import handout_about
from exercises.documents.handout import render_handout
from exercises.domain.edition import Edition
from exercises.domain.handout import Handout
from exercises.domain.proposals import Proposal
from exercises.handouts import drawings_of, handout_of
from exercises.models import Programme, ProgrammeItem
from exercises.policies import edition_line
from exercises.services.programme_rows import OUT
from exercises.services.programmes import issue

CHANGED = "Somebody changed the programme in this moment: look at it once more, then issue it."


def head_of(programme: Programme, by: Staff, on: date, signed_at: datetime | None) -> PaperHead:
    """The head of the handout; large print where the client reads it."""
    client = programme.assessment.client
    large = client.document_format == DocumentFormat.LARGE_PRINT.value
    return PaperHead(
        letterhead=letterhead_of(client.site),
        person=person_of(client),
        dated=on,
        author=replace(author_of(by), signed_at=signed_at),
        edition_line=edition_line(programme.assessment.edition_id),
        print_size=PrintSize.LARGE if large else PrintSize.STANDARD,
    )


def printed_items(programme: Programme) -> list[ProgrammeItem]:
    """The lines that the client takes home: stage now, not declined."""
    return list(programme.items.filter(stage=Stage.NOW.value).exclude(decision__in=OUT))


def handout_value(
    programme: Programme,
    *,
    proposal: Proposal,
    edition: Edition,
    by: Staff,
    signed_at: datetime | None = None,
) -> Handout:
    """The handout as it stands now: a draft, or signed in this moment."""
    head = head_of(programme, by, timezone.localdate(), signed_at)
    return handout_of(
        programme, printed_items(programme), proposal=proposal, edition=edition, head=head
    )


def handout_pdf(handout: Handout, edition_id: int) -> bytes:
    """The handout as PDF. Raises ValidationError naming characters that cannot be printed."""
    try:
        return render_handout(handout, drawings_of(handout, edition_id))
    except Unprintable as refusal:
        raise ValidationError(str(refusal)) from refusal


def issue_with_handout(
    *,
    programme: Programme,
    proposal: Proposal,
    value: AssessmentValue,
    edition: Edition,
    by: Staff,
) -> Paper:
    """Issue the programme and store its handout as signed; raises ValidationError.

    The pages are made before the transaction, so that no lock waits for a printer.
    """
    now = timezone.localtime()
    handout = handout_value(programme, proposal=proposal, edition=edition, by=by, signed_at=now)
    pdf = handout_pdf(handout, programme.assessment.edition_id)
    with transaction.atomic():
        issue(programme=programme, proposal=proposal, value=value, edition=edition, by=by)
        stored = Programme.objects.for_page().get(pk=programme.pk)
        if handout != handout_value(
            stored, proposal=proposal, edition=edition, by=by, signed_at=now
        ):
            raise ValidationError(CHANGED)
        paper = draft_paper(
            client=programme.assessment.client,
            kind=PaperKind.HANDOUT,
            about=handout_about(programme),
            title="Home exercises",
            dated=handout.head.dated,
            content=handout.to_json(),
            by=by,
        )
        return sign_paper(paper=paper, by=by, signed_content=handout.to_json(), pdf=pdf, at=now)


def stored_handout(programme: Programme) -> Paper | None:
    """The handout as issued, with its bytes."""
    client = programme.assessment.client
    return client.papers.filter(
        kind=PaperKind.HANDOUT.value, about=handout_about(programme), signed_at__isnull=False
    ).first()
