"""What a letter says: progress letters and referral letters as plain values.

Headings follow the outpatient letter of the Professional Record Standards Body (PRSB) as
published in the ITK3 specification; the six that are mandatory there stand in every letter.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from itertools import islice

from clinic.domain.paper import (
    NONE_KNOWN,
    NOT_ASKED,
    NOT_GIVEN,
    Answer,
    Asked,
    Facts,
    Grid,
    Items,
    PaperHead,
    Part,
    Section,
    Stored,
    Text,
    date_words,
    joined,
    words_of,
    yes_no_words,
)

CLIENT = "Client"
PRACTICE = "Doctor's practice"
CONTACT = "Contact"
SUMMARY = "Summary"
ALLERGIES = "Allergies, medicines and devices"
AUTHOR = "Written by"
NEXT = "Next"
CONSENT = "Consent to share"
COPIES = "Copies to"
MANDATORY_HEADINGS = (CLIENT, PRACTICE, CONTACT, SUMMARY, ALLERGIES, AUTHOR)


class LetterKind(StrEnum):
    PROGRESS = "progress"
    REFERRAL = "referral"


class Reader(StrEnum):
    CLIENT = "client"
    DOCTOR = "doctor"
    COACH = "coach"
    OTHER = "other"


@dataclass(frozen=True)
class Addressee(Stored):
    """To whom the letter goes. `role` names the setting if no person is known."""

    name: str = ""
    role: str = ""
    organisation: str = ""
    address: tuple[str, ...] = ()
    reader: Reader = Reader.OTHER

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines of the address block, without empty ones."""
        return tuple(line for line in (self.name, self.role, self.organisation) if line) + tuple(
            line for line in self.address if line
        )


@dataclass(frozen=True)
class Contact(Stored):
    """The contact with the client that the letter reports."""

    on: date | None = None
    at: str = ""
    kind: str = ""
    how: str = ""


@dataclass(frozen=True)
class Reason(Stored):
    """Why the client was seen."""

    reason: str = ""
    own_words: str = ""
    goals: tuple[str, ...] = ()
    concerns: tuple[str, ...] = ()


@dataclass(frozen=True)
class Problem(Stored):
    """A working diagnosis or problem; `certain` False is printed as uncertain."""

    text: str
    certain: bool = False


@dataclass(frozen=True)
class Caution(Stored):
    """A hold or a referral note as printed: what stops, whom to see, how soon, if lifted why."""

    sentence: str
    refer_to: str = ""
    urgency: str = ""
    since: date | None = None
    lifted: str = ""

    @property
    def line(self) -> str:
        """The caution in one line."""
        return joined(
            self.sentence,
            f"See: {self.refer_to}." if self.refer_to else "",
            f"How soon: {self.urgency}." if self.urgency else "",
            f"Since {date_words(self.since)}." if self.since else "",
            f"Lifted: {self.lifted}" if self.lifted else "",
            between=" ",
        )


@dataclass(frozen=True)
class FindingRow(Stored):
    """One finding. `value` and `error` are already rounded as on screen; `error` has no ±."""

    area: str
    finding: str
    side: str = ""
    value: str = ""
    unit: str = ""
    error: str = ""
    method: str = ""
    seen_on: date | None = None
    severity: str = ""

    @property
    def measured(self) -> str:
        """Value, error and unit, "7.3 ± 1.6 deg"."""
        if not self.value:
            return "no value"
        error = f"± {self.error}" if self.error else ""
        return joined(self.value, error, self.unit, between=" ")


@dataclass(frozen=True)
class ScaleRow(Stored):
    """A score with its range and when it holds."""

    name: str
    value: str
    span: str
    when: str = ""
    asked_on: date | None = None


@dataclass(frozen=True)
class ChangeRow(Stored):
    """One measure then and now. `error` is the detectable difference, `verdict` its words."""

    measure: str
    side: str
    earlier: str
    present: str
    difference: str
    unit: str
    error: str
    verdict: str
    earlier_on: date | None = None
    present_on: date | None = None


@dataclass(frozen=True)
class TreatmentRow(Stored):
    """What was given and what came of it."""

    given: str
    done_at_home: str = ""
    effect: str = ""
    harm: str = ""


@dataclass(frozen=True)
class PlanRow(Stored):
    """One action of the plan."""

    who: str
    what: str
    when: str = ""
    expected: str = ""


@dataclass(frozen=True)
class ExerciseRow(Stored):
    """One exercise of the programme as the letter names it."""

    name: str
    dose: str
    days_a_week: str = ""
    progression: str = ""
    stop_rule: str = ""


@dataclass(frozen=True)
class AdviceRow(Stored):
    """Advice, to whom, and whether it was understood; None where that was not asked."""

    advice: str
    to_whom: str = ""
    understood: bool | None = None


@dataclass(frozen=True)
class ConsentToShare(Stored):
    """Whether the letter may go out; None where that was not asked."""

    given: bool | None = None
    by: str = ""
    on: date | None = None
    limits: str = ""

    @property
    def words(self) -> str:
        """The consent in one line."""
        if self.given is None:
            return NOT_ASKED
        answer = "Given" if self.given else "Refused"
        by = f"by {self.by}" if self.by else ""
        on = f"on {date_words(self.on)}" if self.on else ""
        limits = f"Limits: {self.limits}" if self.limits else "No limits named."
        return f"{joined(answer, by, on, between=' ')}. {limits}"


@dataclass(frozen=True)
class Disagreement(Stored):
    """An amendment that was denied, with what the client says to it and what the clinic says."""

    asked_on: date
    asked: str
    denied_on: date
    reason: str
    statement: str = ""
    rebuttal: str = ""


@dataclass(frozen=True)
class Referral(Stored):
    """What a referral says beyond a progress letter. `agreed`: the client agreed to it."""

    question: str = ""
    urgency: str = ""
    urgency_reason: str = ""
    agreed: bool | None = None
    effect_on_life: str = ""
    signs_present: tuple[str, ...] = ()
    signs_absent: tuple[str, ...] = ()
    told_meanwhile: str = ""
    sent_by: str = ""
    check_on: date | None = None


@dataclass(frozen=True)
class ShortForm(Stored):
    """A short form and what it stands for, spelled out once."""

    short: str
    meaning: str


@dataclass(frozen=True)
class Letter(Stored):
    """A letter as sent: text only, so that it prints the same when the record has grown."""

    head: PaperHead
    kind: LetterKind
    to: Addressee
    asked: str = ""
    summary: str = ""
    practice: tuple[str, ...] = ()
    contact: Contact = field(default_factory=Contact)
    why_seen: Reason = field(default_factory=Reason)
    problems: tuple[Problem, ...] = ()
    holds: tuple[Caution, ...] = ()
    referral_notes: tuple[Caution, ...] = ()
    cautions: tuple[str, ...] = ()
    stop_signs: tuple[str, ...] = ()
    examined: tuple[str, ...] = ()
    not_examined: tuple[str, ...] = ()
    findings: tuple[FindingRow, ...] = ()
    finding_notes: tuple[str, ...] = ()
    scales: tuple[ScaleRow, ...] = ()
    changes: tuple[ChangeRow, ...] = ()
    allergies: Answer = field(default_factory=Answer)
    medicines: Answer = field(default_factory=Answer)
    devices: Answer = field(default_factory=Answer)
    treatments: tuple[TreatmentRow, ...] = ()
    plan: tuple[PlanRow, ...] = ()
    plan_agreed: bool | None = None
    exercises: tuple[ExerciseRow, ...] = ()
    handout_version: str = ""
    advice: tuple[AdviceRow, ...] = ()
    needs: Answer = field(default_factory=Answer)
    next_contact: str = ""
    if_worse: str = ""
    consent: ConsentToShare = field(default_factory=ConsentToShare)
    disagreements: tuple[Disagreement, ...] = ()
    referral: Referral | None = None
    short_forms: tuple[ShortForm, ...] = ()

    def __post_init__(self) -> None:
        if (self.kind is LetterKind.REFERRAL) != (self.referral is not None):
            raise ValueError(f"a {self.kind.value} letter and referral={self.referral!r}")

    @property
    def title(self) -> str:
        """The title line of the letter."""
        return "Referral letter" if self.kind is LetterKind.REFERRAL else "Progress letter"

    @property
    def sections(self) -> tuple[Section, ...]:
        """All parts in order: what is asked first, cautions before the plan, author last."""
        makers = _REFERRAL if self.kind is LetterKind.REFERRAL else _PROGRESS
        made = [section for make in makers if (section := make(self)) is not None]
        kept = [part for part in made if not part.empty or part.heading in MANDATORY_HEADINGS]
        left_out = [part for part in made if part not in kept]
        if left_out:
            place = next(n for n, part in enumerate(kept) if part.heading == AUTHOR)
            kept.insert(place, _left_out(left_out))
        return tuple(kept)


def _left_out(sections: list[Section]) -> Section:
    """One line for all that is empty: a busy reader needs no page of "not given"."""
    lines = (": ".join(islice(words_of(section), 2)) for section in sections)
    return Section(
        "Nothing recorded", (Text("; ".join(line.rstrip(".") for line in lines) + "."),)
    )


def _listed(label: str, lines: Iterable[str], otherwise: str) -> Part:
    """A labelled list, a labelled line for one, or the words for none."""
    items = tuple(line for line in lines if line)
    if len(items) > 1:
        return Items(items, label)
    return Text(items[0] if items else otherwise, label)


def _asked(letter: Letter) -> Section:
    return Section(
        "What is asked of you", (Text(letter.asked or "Nothing: for your information."),)
    )


def _purpose(letter: Letter) -> Section:
    referral = letter.referral or Referral()
    urgency = joined(
        referral.urgency or NOT_GIVEN,
        f"because {referral.urgency_reason}" if referral.urgency_reason else "",
    )
    return Section(
        "What is asked of you",
        (
            Text(letter.asked or NOT_GIVEN, "Purpose"),
            Text(referral.question or NOT_GIVEN, "Question"),
            Text(urgency, "Urgency"),
            Text(yes_no_words(referral.agreed), "Client agreed to this referral"),
        ),
    )


def _summary(letter: Letter) -> Section:
    return Section(SUMMARY, (Text(letter.summary or NOT_GIVEN),))


def _cautions(letter: Letter) -> Section:
    parts: list[Part] = [
        _listed("On hold", (hold.line for hold in letter.holds), NONE_KNOWN),
        _listed("To be seen by", (note.line for note in letter.referral_notes), NONE_KNOWN),
    ]
    if letter.cautions:
        parts.append(_listed("Take care", letter.cautions, NONE_KNOWN))
    if letter.stop_signs:
        parts.append(_listed("Stop and call signs told to the client", letter.stop_signs, ""))
    return Section("Cautions", tuple(parts), boxed=True)


def _client(letter: Letter) -> Section:
    person = letter.head.person
    return Section(
        CLIENT,
        (
            Facts(
                (
                    ("Name", person.full_name),
                    ("Called", person.called),
                    ("Born", date_words(person.born)),
                    ("Record number", person.record_number),
                    ("Address", joined(*person.address) or NOT_GIVEN),
                    ("Telephone", person.telephone or NOT_GIVEN),
                )
            ),
        ),
    )


def _practice(letter: Letter) -> Section:
    return Section(PRACTICE, (Text(joined(*letter.practice) or NOT_GIVEN),))


def _contact(letter: Letter) -> Section:
    contact = letter.contact
    on = joined(date_words(contact.on), contact.at, between=" at ")
    return Section(
        CONTACT,
        (
            Facts(
                (
                    ("Date", on),
                    ("Kind", contact.kind or NOT_GIVEN),
                    ("How held", contact.how or NOT_GIVEN),
                )
            ),
        ),
    )


def _why_seen(letter: Letter) -> Section:
    why = letter.why_seen
    if why == Reason():
        return Section.without("Why seen", NOT_GIVEN)
    own_words = f"“{why.own_words}”" if why.own_words else NOT_ASKED
    return Section(
        "Why seen",
        (
            Text(why.reason or NOT_GIVEN, "Reason"),
            Text(own_words, "In the client's own words"),
            _listed("Goals", why.goals, NOT_ASKED),
            _listed("Concerns", why.concerns, NOT_ASKED),
        ),
    )


def _problems(letter: Letter) -> Section:
    if not letter.problems:
        return Section.without("Problems and diagnoses", NOT_GIVEN)
    lines = (
        problem.text if problem.certain else f"{problem.text} (uncertain)"
        for problem in letter.problems
    )
    return Section("Problems and diagnoses", (_listed("", lines, NOT_GIVEN),))


def _findings(letter: Letter) -> Section:
    if not (letter.findings or letter.examined or letter.not_examined):
        return Section.without("Findings", "not examined")
    parts: list[Part] = [
        _findings_grid(letter.findings)
        if letter.findings
        else Text("No finding in what was examined." if letter.examined else NOT_GIVEN)
    ]
    if letter.finding_notes:
        parts.append(_listed("", letter.finding_notes, ""))
    parts.append(Text(joined(*letter.examined) or NOT_GIVEN, "Examined"))
    left_out = "nothing" if letter.examined else NOT_GIVEN
    parts.append(_listed("Not examined", letter.not_examined, left_out))
    return Section("Findings", tuple(parts))


def _findings_grid(rows: tuple[FindingRow, ...]) -> Grid:
    return Grid(
        "What was found, with side, measurement error, method and date",
        ("Area", "Finding", "Side", "Value ± error", "Method", "Date"),
        tuple(
            (
                row.area,
                joined(row.finding, row.severity),
                row.side or "none",
                row.measured,
                row.method or NOT_GIVEN,
                date_words(row.seen_on),
            )
            for row in rows
        ),
        (15, 27, 9, 19, 15, 15),
        (3,),
    )


def _scales(letter: Letter) -> Section:
    if not letter.scales:
        return Section.without("Scales", NOT_ASKED)
    grid = Grid(
        "Scores and their range",
        ("Scale", "Score", "Range", "When, at what activity", "Date"),
        tuple(
            (row.name, row.value, row.span, row.when or NOT_GIVEN, date_words(row.asked_on))
            for row in letter.scales
        ),
        (32, 10, 16, 25, 17),
        (1,),
    )
    return Section("Scales", (grid,))


def _changes(letter: Letter) -> Section:
    heading = "Change since last time"
    if not letter.changes:
        return Section.without(heading, "No earlier measurement to compare with.")
    days = {(row.earlier_on, row.present_on) for row in letter.changes}
    earlier, present = next(iter(days)) if len(days) == 1 else (None, None)
    grid = Grid(
        "Then and now",
        (
            "Measure",
            "Side",
            joined("Earlier", _on(earlier)),
            joined("Present", _on(present)),
            "Difference",
            "Error",
            "Verdict",
        ),
        tuple(_change_cells(row, dated=len(days) > 1) for row in letter.changes),
        (25, 8, 15, 15, 12, 9, 16),
        (2, 3, 4, 5),
    )
    return Section(heading, (grid, Text("A change within the error is not counted as a change.")))


def _change_cells(row: ChangeRow, *, dated: bool) -> tuple[str, ...]:
    return (
        joined(row.measure, row.unit),
        row.side or "none",
        joined(row.earlier or NOT_GIVEN, _on(row.earlier_on) if dated else "", between=" "),
        joined(row.present or NOT_GIVEN, _on(row.present_on) if dated else "", between=" "),
        row.difference or NOT_GIVEN,
        f"±\u00a0{row.error}" if row.error else "not known",
        row.verdict or NOT_GIVEN,
    )


def _on(day: date | None) -> str:
    return f"on {date_words(day)}" if day else ""


def _allergies(letter: Letter) -> Section:
    answers = {
        "Allergies": letter.allergies,
        "Medicines": letter.medicines,
        "Devices": letter.devices,
    }
    return Section(
        ALLERGIES, tuple(_listed(name, answer.lines, "") for name, answer in answers.items())
    )


def _treatments(letter: Letter) -> Section:
    heading = "Treatment so far and response"
    if not letter.treatments:
        return Section.without(heading, "None so far.")
    grid = Grid(
        "What was given and what came of it",
        ("Given", "Done at home", "Effect", "Harm"),
        tuple(
            (
                row.given,
                row.done_at_home or NOT_ASKED,
                row.effect or NOT_ASKED,
                row.harm or NOT_ASKED,
            )
            for row in letter.treatments
        ),
        (30, 26, 26, 18),
    )
    return Section(heading, (grid,))


def _plan(letter: Letter) -> Section:
    agreed = Text(yes_no_words(letter.plan_agreed), "Agreed with the client")
    if not letter.plan:
        return Section("Plan", (Text(NOT_GIVEN), agreed), empty=letter.plan_agreed is None)
    grid = Grid(
        "Who does what, and when",
        ("Who", "What", "When", "Expected outcome"),
        tuple(
            (row.who, row.what, row.when or NOT_GIVEN, row.expected or NOT_GIVEN)
            for row in letter.plan
        ),
        (16, 40, 18, 26),
    )
    return Section("Plan", (grid, agreed))


def _exercises(letter: Letter) -> Section:
    if not letter.exercises:
        return Section.without("Exercises", "None given.")
    grid = Grid(
        "Exercises the client does at home",
        ("Exercise", "Dose and days a week", "Progression", "Stop rule"),
        tuple(
            (
                row.name,
                joined(row.dose, row.days_a_week) or NOT_GIVEN,
                row.progression or NOT_GIVEN,
                row.stop_rule or NOT_GIVEN,
            )
            for row in letter.exercises
        ),
        (22, 34, 22, 22),
    )
    return Section("Exercises", (grid, Text(letter.handout_version or NOT_GIVEN, "Handout")))


def _advice(letter: Letter) -> Section:
    if not letter.advice:
        return Section.without("Advice given", NOT_GIVEN)
    grid = Grid(
        "Advice, to whom, and whether it was understood",
        ("Advice", "To", "Understood"),
        tuple(
            (row.advice, row.to_whom or NOT_GIVEN, yes_no_words(row.understood))
            for row in letter.advice
        ),
        (62, 20, 18),
    )
    return Section("Advice given", (grid,))


def _needs(letter: Letter) -> Section:
    if letter.needs.state is Asked.NOT_ASKED:
        return Section.without("Needs", NOT_ASKED)
    return Section("Needs", (_listed("", letter.needs.lines, NOT_ASKED),))


def _next(letter: Letter) -> Section:
    return Section(
        NEXT,
        (
            Text(letter.next_contact or NOT_GIVEN, "Next contact"),
            Text(letter.if_worse or NOT_GIVEN, "If it gets worse"),
            Text(letter.head.letterhead.call, "Whom to call"),
        ),
    )


def _consent(letter: Letter) -> Section:
    return Section(CONSENT, (Text(letter.consent.words),))


def _disagreements(letter: Letter) -> Section | None:
    """Source: 45 CFR 164.526(d)(5): request, denial, statement and rebuttal go along."""
    if not letter.disagreements:
        return None
    lines: list[Part] = []
    for one in letter.disagreements:
        asked = f"The client asked to amend the record on {date_words(one.asked_on)}"
        denied = f"Denied on {date_words(one.denied_on)}"
        lines += [Text(f"“{one.asked}”", asked), Text(one.reason, denied)]
        if one.statement:
            lines.append(Text(f"“{one.statement}”", "The client’s statement of disagreement"))
        if one.rebuttal:
            lines.append(Text(one.rebuttal, "The clinic’s answer to the statement"))
    return Section("What the client disagrees with", tuple(lines))


def _signs(letter: Letter) -> Section:
    referral = letter.referral or Referral()
    return Section(
        "Red-flag findings",
        (
            _listed("Present", referral.signs_present, NONE_KNOWN),
            _listed("Asked or looked for and absent", referral.signs_absent, NOT_ASKED),
        ),
        boxed=True,
    )


def _effect(letter: Letter) -> Section:
    referral = letter.referral or Referral()
    return Section("Effect on daily life and sport", (Text(referral.effect_on_life or NOT_ASKED),))


def _meanwhile(letter: Letter) -> Section:
    referral = letter.referral or Referral()
    return Section(
        "What the client was told to do meanwhile", (Text(referral.told_meanwhile or NOT_GIVEN),)
    )


def _followed(letter: Letter) -> Section:
    referral = letter.referral or Referral()
    return Section(
        "How this referral is followed",
        (
            Text(referral.sent_by or NOT_GIVEN, "Sent by"),
            Text(date_words(referral.check_on), "We check that it was acted on"),
            Text("A copy is kept with the record."),
        ),
    )


def _short_forms(letter: Letter) -> Section | None:
    if not letter.short_forms:
        return None
    pairs = tuple((form.short, form.meaning) for form in letter.short_forms)
    return Section("Short forms", (Facts(pairs),))


def _author(letter: Letter) -> Section:
    author, clinic = letter.head.author, letter.head.letterhead
    return Section(
        AUTHOR,
        (
            Facts(
                (
                    ("Name", author.name or NOT_GIVEN),
                    ("Role", author.role or NOT_GIVEN),
                    ("Registration number", author.registration_number or NOT_GIVEN),
                    ("Signature", author.event),
                    ("Telephone", clinic.call),
                    ("Version", letter.head.version_words),
                )
            ),
        ),
    )


def _copies(letter: Letter) -> Section:
    return Section(COPIES, (_listed("", letter.head.copies, "nobody else"),))


_PROGRESS = (
    _asked,
    _summary,
    _cautions,
    _client,
    _practice,
    _contact,
    _why_seen,
    _problems,
    _findings,
    _scales,
    _changes,
    _allergies,
    _treatments,
    _plan,
    _exercises,
    _advice,
    _needs,
    _next,
    _disagreements,
    _consent,
    _short_forms,
    _author,
    _copies,
)
_REFERRAL = (
    _purpose,
    _summary,
    _signs,
    _cautions,
    _client,
    _practice,
    _contact,
    _why_seen,
    _effect,
    _problems,
    _findings,
    _scales,
    _changes,
    _allergies,
    _treatments,
    _meanwhile,
    _plan,
    _exercises,
    _advice,
    _needs,
    _next,
    _disagreements,
    _consent,
    _followed,
    _short_forms,
    _author,
    _copies,
)
