"""Invented letters and slips, full and bare, and how a PDF is read back."""

import re
from dataclasses import replace
from datetime import UTC, date, datetime
from io import BytesIO

from pypdf import PdfReader

from clinic.domain.letter import (
    Addressee,
    AdviceRow,
    Caution,
    ChangeRow,
    ConsentToShare,
    Contact,
    ExerciseRow,
    FindingRow,
    Letter,
    LetterKind,
    PlanRow,
    Problem,
    Reader,
    Reason,
    Referral,
    ScaleRow,
    ShortForm,
    TreatmentRow,
)
from clinic.domain.paper import (
    STARTING_EDITION_LINE,
    Answer,
    Letterhead,
    PaperHead,
    Person,
    PrintSize,
    Section,
    Signature,
    words_of,
)
from clinic.domain.slip import Slip

SIGNED = Signature(
    "Ines Muster", "Physiotherapist", "PH 00042", datetime(2027, 3, 12, 16, 5, tzinfo=UTC)
)
HEAD = PaperHead(
    Letterhead(
        "Harbour Lane Gait Clinic",
        "Quay site",
        ("4 Harbour Lane", "Northport NP1 2AB"),
        "01632 960 123",
        "desk@harbour-lane.example",
    ),
    Person(
        "Márta Example-Őrsi",
        date(1989, 5, 3),
        "000123",
        "Marta",
        ("12 Rope Walk", "Northport NP1 7XY"),
        "01632 960 777",
    ),
    date(2027, 3, 12),
    SIGNED,
    2,
    "version 1 of 3 March 2027",
    ("Márta Example-Őrsi", "Dr A. Sample, Mill Street Surgery"),
    STARTING_EDITION_LINE,
)
BARE_HEAD = PaperHead(
    Letterhead("Harbour Lane Gait Clinic"), Person("Jo Bare", date(2001, 1, 9), "7"), HEAD.dated
)
DOCTOR = Addressee(
    "Dr A. Sample",
    "General practitioner",
    "Mill Street Surgery",
    ("9 Mill Street", "Northport NP3 4CD"),
    Reader.DOCTOR,
)
BARE = Letter(BARE_HEAD, LetterKind.PROGRESS, Addressee())
BARE_REFERRAL = Letter(BARE_HEAD, LetterKind.REFERRAL, Addressee(), referral=Referral())
FULL = Letter(
    HEAD,
    LetterKind.PROGRESS,
    DOCTOR,
    asked="Please review the blood pressure medicine before 20 April 2027.",
    summary="Over-stride on the left, smaller than in January. Pain in running fell from 5 to 2.",
    practice=("Dr A. Sample", "Mill Street Surgery"),
    contact=Contact(date(2027, 3, 12), "15:20", "follow-up", "in person"),
    why_seen=Reason(
        "Calf pain on the left",
        "It bites after 3 km.",
        ("Run 10 km on 13 June 2027", "Run without pain"),
        ("That it comes back",),
    ),
    problems=(
        Problem("Achilles tendon pain, left"),
        Problem("Raised blood pressure", certain=True),
    ),
    holds=(
        Caution("Jumping is withheld.", since=date(2027, 2, 1)),
        Caution("Running was withheld.", lifted="on 1 March 2027 by Ines Muster, pain 1 of 10."),
    ),
    referral_notes=(Caution("Blood pressure 152/94.", "general practitioner", "routine"),),
    cautions=("Slow on stairs.",),
    stop_signs=("Sharp pain.", "A limp."),
    examined=("upper body", "trunk", "hip", "ground contact"),
    not_examined=("Foot: the shoes stayed on.",),
    findings=(
        FindingRow(
            "Ground contact",
            "Over-stride",
            "left",
            "7.3",
            "deg",
            "1.6",
            "video, by hand",
            date(2027, 3, 12),
            "clear",
        ),
        FindingRow("Trunk", "Lean from the hip", severity="slight", method="by eye, grade 1"),
    ),
    finding_notes=("The shank leans back at contact.",),
    scales=(ScaleRow("Pain", "2", "0 to 10", "in running 5 km", date(2027, 3, 12)),),
    changes=(
        ChangeRow(
            "Cadence",
            "",
            "158",
            "167",
            "+9",
            "steps/min",
            "7.9",
            "better",
            date(2027, 1, 29),
            date(2027, 3, 12),
        ),
        ChangeRow(
            "Pelvic drop",
            "left",
            "6.6",
            "6.0",
            "−0.6",
            "deg",
            "2.8",
            "within error",
            date(2027, 1, 29),
            date(2027, 3, 12),
        ),
    ),
    allergies=Answer.listed("Penicillin: rash"),
    medicines=Answer.listed("Amlodipine 5 mg once a day", "Ibuprofen 400 mg when needed"),
    devices=Answer.listed(),
    treatments=(TreatmentRow("Calf raises", "15 of 18 sessions", "pain 5 to 2", "none"),),
    plan=(PlanRow("Doctor", "Review the medicine", "before 20 April 2027", "clearance"),),
    plan_agreed=True,
    exercises=(
        ExerciseRow(
            "Calf raise, knee straight",
            "3 sets of 15 each side",
            "3 days a week",
            "more weight",
            "stop above 5 of 10",
        ),
    ),
    handout_version="version 2 of 12 March 2027",
    advice=(AdviceRow("Do not run more than now.", "client", understood=True),),
    needs=Answer.listed("Large print", "Face the client when speaking"),
    next_contact="Tuesday 6 April 2027 at 14:30",
    if_worse="Stop running.",
    consent=ConsentToShare(True, "the client", date(2027, 3, 12), "not to the coach"),  # an answer
    short_forms=(ShortForm("deg", "degrees"),),
)
REFERRAL = replace(
    FULL,
    kind=LetterKind.REFERRAL,
    asked="Please see the client for a suspected bone stress injury.",
    referral=Referral(
        "Which imaging is needed?",
        "same day",
        "the pain is there at night",
        True,  # an answer
        "Limps on stairs.",
        ("Night pain", "Sore spot on the shin bone"),
        ("Fever", "Numbness"),
        "Walk only.",
        "sealed letter",
        date(2027, 3, 15),
    ),
)
LONG = replace(FULL, findings=FULL.findings * 30, exercises=FULL.exercises * 20)
SLIP = Slip(HEAD, datetime(2027, 4, 6, 14, 30, tzinfo=UTC), 45, "Ines Muster", "2", ("Shoes",))


def large(paper):
    return replace(paper, head=replace(paper.head, print_size=PrintSize.LARGE))


def pages(pdf: bytes) -> list[str]:
    """The text of each page, every run of blanks and line ends one blank."""
    return [flat(page.extract_text()) for page in PdfReader(BytesIO(pdf)).pages]


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def letters_only(text: str) -> str:
    """The text without blanks: a line break in a cell stands where a blank stood."""
    return re.sub(r"\s+", "", text)


def printed_words(sections: tuple[Section, ...]) -> list[str]:
    """Each text of the sections as it stands in the file; captions of tables are for the page."""
    captions = {part.caption for s in sections for part in s.parts if part.kind == "grid"}
    return [
        letters_only(words) for s in sections for words in words_of(s) if words not in captions
    ]


def font_sizes(pdf: bytes) -> set[float]:
    """Every font size set in the content of the pages (operator Tf)."""
    found = set()
    for page in PdfReader(BytesIO(pdf)).pages:
        stream = page.get_contents().get_data().decode("latin-1")
        found |= {float(size) for size in re.findall(r"/F\S+ ([\d.]+) Tf", stream)}
    return found
