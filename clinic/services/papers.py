"""Papers: drafted, changed, signed with their bytes, sent, replaced; never printed anew."""

from datetime import date, datetime
from hashlib import sha256
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic.domain.letter import Reader
from clinic.domain.paper import date_words
from clinic.domain.vocabulary import (
    ConsentPurpose,
    PaperKind,
    PaperState,
    SendingManner,
    TrailAction,
)
from clinic.models import Client, Paper, Sending, Staff
from clinic.services import consents, trail
from clinic.services.people import StaleError
from clinic.services.seals import paper_seal

OF_A_SIGNATURE = ("replaces", "signed_by", "signed_at", "pdf")
SIGNED_ALREADY = "This paper is signed: write a new version."


@transaction.atomic
def draft_paper(
    *,
    client: Client,
    kind: PaperKind,
    about: str,
    title: str,
    dated: date,
    content: dict[str, Any],
    by: Staff,
) -> Paper:
    """Save and return the one draft of this kind about this matter.

    A standing draft takes the new title, date and content. Raises ValidationError, also when
    the newest version is signed: what follows it is a `new_version`. Raises StaleError when
    somebody else drafts the same in the same moment.
    """
    same = client.papers.without_bytes().filter(kind=kind, about=about)
    newest = same.order_by("-version").first()
    if newest is None:
        return _first_draft(client, kind, about, title, dated, content, by)
    if newest.is_signed:
        raise ValidationError(SIGNED_ALREADY)
    newest.title, newest.dated = title, dated
    return _change(newest, newest.edits, content, by, ["title", "dated"])


def _first_draft(  # one argument for each thing a paper is
    client: Client,
    kind: PaperKind,
    about: str,
    title: str,
    dated: date,
    content: dict[str, Any],
    by: Staff,
) -> Paper:
    paper = Paper(
        site_id=client.site_id,
        client=client,
        kind=kind,
        about=about,
        title=title,
        dated=dated,
        content=content,
        created_by=by,
        created_at=timezone.now(),
    )
    return _created(paper, by)


def _created(paper: Paper, by: Staff) -> Paper:
    paper.full_clean(exclude=OF_A_SIGNATURE, validate_unique=False, validate_constraints=False)
    try:
        with transaction.atomic():
            paper.save()
    except IntegrityError as clash:  # two people wrote the same version in the same moment
        raise StaleError from clash
    _record(TrailAction.CREATE, paper, by)
    return paper


def _record(action: TrailAction, paper: Paper, by: Staff, **detail: Any) -> None:
    trail.record(
        action,
        by=by,
        row=paper,
        client=paper.client,
        paper=paper.kind,
        version=paper.version,
        **detail,
    )


@transaction.atomic
def edit_paper(*, paper: Paper, seen_edits: int, content: dict[str, Any], by: Staff) -> Paper:
    """Save the content of a draft and return it.

    Raises ValidationError, also for a signed paper, and StaleError when the draft was edited
    after `seen_edits`.
    """
    stored = Paper.objects.without_bytes().select_related("client").get(pk=paper.pk)
    if stored.is_signed:
        raise ValidationError(SIGNED_ALREADY)
    return _change(stored, seen_edits, content, by, [])


def _change(
    paper: Paper, seen: int, content: dict[str, Any], by: Staff, fields: list[str]
) -> Paper:
    paper.content = content
    paper.full_clean(exclude=OF_A_SIGNATURE, validate_unique=False, validate_constraints=False)
    _write_draft(paper, seen, [*fields, "content"])
    _record(TrailAction.CHANGE, paper, by, fields=[*fields, "content"])
    return paper


def _write_draft(paper: Paper, seen: int, fields: list[str]) -> None:
    """Write fields of a draft that nobody edited or signed since it was seen; else StaleError."""
    values = {name: getattr(paper, name) for name in fields}
    same = Paper.objects.filter(pk=paper.pk, edits=seen, state=PaperState.DRAFT.value)
    if not same.update(edits=seen + 1, **values):
        raise StaleError
    paper.edits = seen + 1


@transaction.atomic
def sign_paper(
    *,
    paper: Paper,
    by: Staff,
    signed_content: dict[str, Any],
    pdf: bytes,
    at: datetime | None = None,
) -> Paper:
    """Store what was signed with the bytes that were made of it, and return the paper.

    paper: as it was shown to the one who signs; at: the moment that stands on the paper, now
    unless given. Raises ValidationError for a signed paper and for bytes that are no PDF, and
    StaleError when the draft was edited after it was shown.
    """
    if Paper.objects.filter(pk=paper.pk, state=PaperState.SIGNED.value).exists():
        raise ValidationError(SIGNED_ALREADY)
    if paper.kind != PaperKind.SLIP and not by.is_clinician:
        raise ValidationError("A clinician signs this paper.")
    if not pdf.startswith(b"%PDF-"):
        raise ValueError("the bytes are no PDF")
    paper.state, paper.content, paper.pdf = PaperState.SIGNED.value, signed_content, pdf
    paper.sha256 = sha256(pdf).hexdigest()
    paper.signed_by, paper.signed_at = by, at or timezone.now()
    signature = ["state", "content", "pdf", "sha256", "signed_by", "signed_at"]
    _write_draft(paper, paper.edits, signature)
    _record(TrailAction.SIGN, paper, by, sha256=paper.sha256, seal=paper_seal(paper))
    return paper


def stored_pdf(paper: Paper) -> bytes:
    """The bytes that were signed, for printing again.

    Raises ValueError for a draft and for bytes that differ from their checksum.
    """
    if paper.pdf is None:
        raise ValueError("a draft has no stored bytes")
    pdf = bytes(paper.pdf)  # PostgreSQL gives a memoryview
    if sha256(pdf).hexdigest() != paper.sha256:
        raise ValueError(f"the bytes of paper {paper.pk} differ from what was signed")
    return pdf


def for_others(paper: Paper) -> bool:
    """Whether it is a letter to somebody but the client."""
    if paper.kind not in (PaperKind.LETTER, PaperKind.REFERRAL):
        return False
    return (paper.content.get("to") or {}).get("reader") != Reader.CLIENT


def sending_stopped(paper: Paper) -> str:
    """Why this paper is not sent, empty where it may be."""
    if for_others(paper) and consents.stopped(paper.client, ConsentPurpose.SHARING):
        return consents.refusal_of(ConsentPurpose.SHARING)
    return ""


@transaction.atomic
def send_paper(*, paper: Paper, recipient: str, manner: SendingManner, by: Staff) -> Sending:
    """Save and return one sending.

    Raises ValidationError, also for a draft, and for a letter to others once the client has
    refused or withdrawn sharing.
    """
    if not paper.is_signed:
        raise ValidationError("Only a signed paper is sent: sign it first.")
    if for_others(paper):
        consents.refuse_stopped(paper.client, ConsentPurpose.SHARING)
    sending = Sending(
        site_id=paper.site_id,
        paper=paper,
        recipient=recipient.strip(),
        manner=manner,
        sent_by=by,
        sent_at=timezone.now(),
    )
    sending.full_clean()
    sending.save()
    _record(TrailAction.SEND, paper, by, manner=str(manner))
    return sending


@transaction.atomic
def new_version(
    *, paper: Paper, by: Staff, content: dict[str, Any] | None = None, dated: date | None = None
) -> Paper:
    """Save and return the draft that will take a signed paper's place.

    content: that of the signed paper unless given; its head names the new version, what it
    replaces, the new date, and nobody who signed. dated: today unless given.
    Raises ValidationError when the paper is a draft or was replaced already.
    """
    if not paper.is_signed:
        raise ValidationError("This paper is a draft: change it as it is.")
    if Paper.objects.filter(replaces=paper).exists():
        raise ValidationError("A newer version of this paper exists.")
    following = Paper(
        site_id=paper.site_id,
        client=paper.client,
        kind=paper.kind,
        about=paper.about,
        title=paper.title,
        dated=dated or timezone.localdate(),
        version=paper.version + 1,
        replaces=paper,
        created_by=by,
        created_at=timezone.now(),
    )
    following.content = _following(paper, following, content or paper.content)
    return _created(following, by)


def _following(paper: Paper, following: Paper, content: dict[str, Any]) -> dict[str, Any]:
    if "head" not in content:
        return content
    head = {
        **content["head"],
        "dated": following.dated.isoformat(),
        "version": following.version,
        "replaces": f"version {paper.version} of {date_words(paper.dated)}",
        "author": {**content["head"].get("author", {}), "signed_at": None},
    }
    return {**content, "head": head}
