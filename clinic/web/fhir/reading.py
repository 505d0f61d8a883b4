"""Reading of the rows that an export needs: some clients at a time, so that memory is bounded."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from hashlib import sha256
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Model, Q, QuerySet

from assessments.amended import lay_over
from assessments.domain.tables import AssessmentTables
from assessments.editions import newest, tables_of
from assessments.models import (
    Addendum,
    Assessment,
    Episode,
    HistoryAnswer,
    Observation,
    Placement,
    RunningHistory,
    ScoreValue,
    Screening,
    ScreeningAnswer,
    TestResult,
    Trial,
)
from clinic.models import (
    Alert,
    Appointment,
    Client,
    Consent,
    Edition,
    Hold,
    Paper,
    Reassessment,
    RecordLink,
    RecordRequest,
    Reminder,
    Sending,
    Site,
    Staff,
    TrailEntry,
    WaitingEntry,
)
from clinic.models.limits import closed
from clinic.web.fhir.observations import Looked, Round
from clinic.web.fhir.sheet import Sheet, interop
from exercises.models import Programme

CLIENTS = 20  # read at a time
CODES = settings.REFERENCE_DIR / "exchange" / "interop_codes.csv"


@dataclass(frozen=True)
class Wish:
    """What is exported.

    drafts: also what nobody has signed; papers: the bytes of papers too; first, last: days of a
    period, both ends included, None for all that there is.
    """

    drafts: bool = False
    papers: bool = False
    first: date | None = None
    last: date | None = None

    def holds(self, day: date) -> bool:
        after = self.first is None or day >= self.first
        return after and (self.last is None or day <= self.last)

    def touches(self, start: date, end: date | None) -> bool:
        """Whether something that stood from start to end stood in the period."""
        begun = self.last is None or start <= self.last
        return begun and (end is None or self.first is None or end >= self.first)


@dataclass
class Record:
    """All rows of one client that are exported.

    newest: day of the newest signed look of each episode, exported or not.
    """

    client: Client
    newest: dict[int, date] = field(default_factory=dict)
    rows: dict[str, list[Any]] = field(default_factory=dict)
    links: list[tuple[int, str]] = field(default_factory=list)
    looks: list[Looked] = field(default_factory=list)
    histories: list[Round] = field(default_factory=list)
    screenings: list[Round] = field(default_factory=list)


def sheet_for(site: Site) -> Sheet:
    """What the resources of one export share.

    Ids follow from the first line of the trail, which no other installation has.
    """
    first = TrailEntry.objects.order_by("pk").values_list("hash", flat=True).first()
    seed = sha256((first or "").encode()).hexdigest()
    return Sheet(seed, interop(CODES), ZoneInfo(site.time_zone))


def clients_of_period(staff: Staff, wish: Wish) -> QuerySet[Client]:
    """Clients whose records this person may open and of whom something lies in the period."""
    return Client.objects.for_staff(staff).filter(_of_period(wish)).order_by("pk")


def closed_in_period(staff: Staff, wish: Wish) -> int:
    """How many restricted records of the period are closed to this person, at their sites."""
    return Client.objects.filter(_of_period(wish), closed(staff)).count()


def _of_period(wish: Wish) -> Q:
    within = {"gte": wish.first, "lte": wish.last}

    def by(model: type[Model], name: str) -> Q:
        days = {f"{name}__{end}": day for end, day in within.items()}
        return Q(pk__in=model._default_manager.filter(**days).values("client"))

    return (
        Q(registered_on__gte=wish.first, registered_on__lte=wish.last)
        | by(Assessment, "assessed_on")
        | by(Appointment, "local_date")
        | by(Paper, "dated")
        | by(Consent, "given_on")
        | by(Reassessment, "due_on")
    )


def records(clients: Sequence[int], wish: Wish) -> Iterator[Record]:
    """One record after another, read for some clients at a time."""
    links = _links(set(clients))
    for start in range(0, len(clients), CLIENTS):
        for record in _read(clients[start : start + CLIENTS], wish):
            record.links = links.get(record.client.pk, [])
            yield record


def _links(clients: set[int]) -> dict[int, list[tuple[int, str]]]:
    """The other records of each person in the same export, and what each is to this one."""
    found: dict[int, list[tuple[int, str]]] = defaultdict(list)
    for kept, joined in RecordLink.objects.open().order_by("pk").values_list("kept", "joined"):
        if {kept, joined} <= clients:
            found[kept].append((joined, "replaces"))
            found[joined].append((kept, "replaced-by"))
    return found


def _read(pks: Sequence[int], wish: Wish) -> Iterator[Record]:
    people = Client.objects.filter(pk__in=pks).select_related("site", "doctor").order_by("pk")
    tables = _by_client(pks, wish)
    looks = _looks(tables["assessments"])
    for client in people:
        own = {name: rows.get(client.pk, []) for name, rows in tables.items()}
        yield _record(client, own, looks, wish)


def _by_client(pks: Sequence[int], wish: Wish) -> dict[str, dict[int, list[Any]]]:
    def rows(queryset: QuerySet[Any]) -> dict[int, list[Any]]:
        return grouped(queryset.filter(client__in=pks), "client_id")

    return {
        "consents": rows(Consent.objects.order_by("pk")),
        "alerts": rows(Alert.objects.order_by("pk")),
        "holds": rows(Hold.objects.order_by("pk")),
        "episodes": rows(
            Episode.objects.select_related("clinician").prefetch_related("goals").order_by("pk")
        ),
        "assessments": rows(
            Assessment.objects.standing()
            .select_related("client__site", "clinician", "episode", "signed_by")
            .prefetch_related("findings")
            .order_by("assessed_on", "pk")
        ),
        "histories": rows(RunningHistory.objects.select_related("taken_by").order_by("pk")),
        "screenings": rows(Screening.objects.select_related("screened_by").order_by("pk")),
        "appointments": rows(
            Appointment.objects.select_related("clinician", "room", "kind").order_by("pk")
        ),
        "reassessments": rows(Reassessment.objects.select_related("clinician").order_by("pk")),
        "waiting": rows(WaitingEntry.objects.select_related("kind", "clinician").order_by("pk")),
        "requests": rows(RecordRequest.objects.order_by("pk")),
        "reminders": rows(Reminder.objects.select_related("made_by").order_by("pk")),
        "papers": rows(
            Paper.objects.without_bytes()
            .select_related("created_by", "signed_by", "replaced_by")
            .defer("replaced_by__pdf", "replaced_by__content")
            .order_by("pk")
        ),
        "sendings": grouped(
            Sending.objects.filter(paper__client__in=pks)
            .select_related("sent_by", "paper")
            .defer("paper__pdf", "paper__content")
            .order_by("pk"),
            "paper.client_id",
        ),
        "trail": rows(_lines(wish)),
    }


def grouped(rows: Iterable[Any], path: str) -> dict[int, list[Any]]:
    """Rows by the value that a path of attributes leads to."""
    found: dict[int, list[Any]] = defaultdict(list)
    for row in rows:
        value = row
        for name in path.split("."):
            value = getattr(value, name)
        found[value].append(row)
    return found


def _lines(wish: Wish) -> QuerySet[TrailEntry]:
    """Lines of the trail; the ends of a period are days of UTC here."""
    lines = TrailEntry.objects.select_related("actor").order_by("pk")
    if wish.first:
        lines = lines.filter(at__gte=datetime.combine(wish.first, time(), tzinfo=UTC))
    if wish.last:
        after = wish.last + timedelta(days=1)
        lines = lines.filter(at__lt=datetime.combine(after, time(), tzinfo=UTC))
    return lines


def _looks(assessments: dict[int, list[Assessment]]) -> dict[int, Looked]:
    """Each assessment with its rows as amended, read for all of them at once."""
    found = {one.pk: one for of_client in assessments.values() for one in of_client}
    wanted = list(found)
    answers: dict[str, list[Any]] = {
        "trials": list(Trial.objects.filter(assessment__in=wanted).order_by("position"))
    }
    for name, model in (
        ("observations", Observation),
        ("tests", TestResult),
        ("scores", ScoreValue),
    ):
        queryset: QuerySet[Any] = model._default_manager.select_related("saved_by")
        answers[name] = list(queryset.filter(assessment__in=wanted).order_by("pk"))
    signed = [pk for pk, one in found.items() if one.is_signed]
    addenda = list(
        Addendum.objects.for_page().filter(assessment__in=signed).order_by("assessment", "number")
    )
    lay_over(answers, addenda)
    placed = grouped(_placements(wanted), "assessment_id")
    by_look = {name: grouped(rows, "assessment_id") for name, rows in answers.items()}
    of_look = grouped(addenda, "assessment_id")
    return {
        pk: Looked(
            one,
            tables_of(one.edition_id),
            by_look["trials"].get(pk, []),
            [
                row
                for name in ("observations", "tests", "scores")
                for row in by_look[name].get(pk, [])
            ],
            of_look.get(pk, []),
            placed.get(pk, []),
        )
        for pk, one in found.items()
    }


def _placements(assessments: Sequence[int]) -> list[Placement]:
    """The newest version of what was placed on each view of each trial, without its content."""
    rows = (
        Placement.objects.filter(assessment__in=assessments)
        .select_related("saved_by", "trial")
        .defer("content", "moments")
        .order_by("version")
    )
    return list({(one.trial_id, one.view): one for one in rows}.values())


def _record(
    client: Client, own: dict[str, list[Any]], looks: dict[int, Looked], wish: Wish
) -> Record:
    record = Record(client, _newest_days(own["assessments"]))
    record.looks = [
        looks[one.pk]
        for one in own["assessments"]
        if wish.holds(one.assessed_on) and (wish.drafts or one.is_signed)
    ]
    papers = [
        one for one in own["papers"] if wish.holds(one.dated) and (wish.drafts or one.is_signed)
    ]
    kept = {one.pk for one in papers}
    episodes = {one.assessment.episode_id for one in record.looks}
    record.rows = {
        "consents": [
            one for one in own["consents"] if wish.touches(one.given_on, one.withdrawn_on)
        ],
        "alerts": [one for one in own["alerts"] if wish.touches(one.since, one.ended_on)],
        "holds": [one for one in own["holds"] if wish.touches(one.since, one.ended_on)],
        "episodes": [
            one
            for one in own["episodes"]
            if one.pk in episodes or wish.touches(one.opened_on, one.discharged_on)
        ],
        "appointments": [one for one in own["appointments"] if wish.holds(one.local_date)],
        "reassessments": [one for one in own["reassessments"] if wish.holds(one.due_on)],
        "waiting": [one for one in own["waiting"] if wish.holds(day_of(one.since, client))],
        "reminders": [one for one in own["reminders"] if wish.holds(day_of(one.made_at, client))],
        "requests": [one for one in own["requests"] if _goes_out(one, client, wish)],
        "papers": papers,
        "sendings": [one for one in own["sendings"] if one.paper_id in kept],
        "trail": own["trail"],
    }
    _rounds(record, own, wish)
    return record


def _goes_out(row: RecordRequest, client: Client, wish: Wish) -> bool:
    """Requests of the period; what the client disagrees with goes along with every export."""
    if row.is_denied_amendment and (row.statement or row.goes_along):
        return True
    answered = day_of(row.decided_at, client) if row.decided_at else None
    return wish.touches(row.received_on, answered)


def _newest_days(assessments: Sequence[Assessment]) -> dict[int, date]:
    days: dict[int, date] = {}
    for one in assessments:
        if one.is_signed:
            days[one.episode_id] = max(one.assessed_on, days.get(one.episode_id, date.min))
    return days


def day_of(at: datetime, client: Client) -> date:
    """The day of a moment on the calendar of the client's site."""
    return at.astimezone(ZoneInfo(client.site.time_zone)).date()


def _rounds(record: Record, own: dict[str, list[Any]], wish: Wish) -> None:
    """Histories and screenings that a look rests on; the others as drafts."""
    record.histories = _found(record, own["histories"], HistoryAnswer, "history", wish)
    record.screenings = _found(record, own["screenings"], ScreeningAnswer, "screening", wish)


def _found(
    record: Record, rows: Sequence[Any], model: type[Model], parent: str, wish: Wish
) -> list[Round]:
    """Rounds of one kind; parent: what answers and assessments call it."""
    resting: dict[int, Looked] = {}
    for look in record.looks:
        key = getattr(look.assessment, f"{parent}_id")
        if key and (look.assessment.is_signed or key not in resting):
            resting[key] = look
    taken = [row for row in rows if row.pk in resting or (wish.drafts and wish.holds(_day(row)))]
    queryset = model._default_manager.filter(**{f"{parent}__in": taken}).order_by("pk")
    answers = grouped(queryset, f"{parent}_id") if taken else {}
    return [
        _round(row, answers.get(row.pk, []), record.client, resting.get(row.pk)) for row in taken
    ]


def _round(
    row: RunningHistory | Screening, answers: list[Any], client: Client, look: Looked | None
) -> Round:
    tables = look.tables if look else _tables_then(_day(row))
    return Round(row, answers, tables, client, fixed=bool(look and look.assessment.is_signed))


def _day(row: RunningHistory | Screening) -> date:
    return row.screened_on if isinstance(row, Screening) else row.taken_on


def _tables_then(day: date) -> AssessmentTables:
    """The tables in force on a day: what was asked then may be asked no longer."""
    after = datetime.combine(day + timedelta(days=1), time(), tzinfo=UTC)
    then = Edition.objects.filter(made_at__lt=after).order_by("-number").first()
    return tables_of((then or newest()).pk)


def programmes_of(looks: Sequence[Looked]) -> dict[int, Programme]:
    """The programme of each look, with its lines and advice."""
    rows = (
        Programme.objects.filter(assessment__in=[one.assessment.pk for one in looks])
        .select_related("issued_by")
        .prefetch_related("items__decided_by", "advice")
    )
    return {one.assessment_id: one for one in rows}


def content_of(placement: Placement) -> bytes:
    """What was placed, read one at a time."""
    text = Placement.objects.filter(pk=placement.pk).values_list("content", flat=True).get()
    return text.encode()


def bytes_of(papers: Sequence[Paper]) -> Iterator[tuple[Paper, bytes | None]]:
    """Papers with what was signed, read one at a time."""
    for paper in papers:
        stored = Paper.objects.filter(pk=paper.pk).values_list("pdf", flat=True).get()
        yield paper, None if stored is None else bytes(stored)
