"""What happened at the invented clinic in the last months, told from the day it is prepared."""

from datetime import date, datetime, time, timedelta
from decimal import Decimal
from random import Random
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError

from assessments.domain.vocabulary import AssessmentKind, Method
from assessments.editions import tables_of
from assessments.facts import assessment_value
from assessments.models import (
    Assessment,
    Episode,
    Goal,
    HistoryAnswer,
    Observation,
    RunningHistory,
    ScoreValue,
    Screening,
    ScreeningAnswer,
    TestResult,
    Trial,
)
from assessments.services.assessments import finding_row
from assessments.services.episodes import open_episode
from assessments.services.screenings import lift_flag
from clinic.domain.vocabulary import ConsentPurpose, DocumentFormat, Known, PaperKind
from clinic.models import (
    AppointmentKind,
    Client,
    Edition,
    Reassessment,
    Referrer,
    Room,
    Staff,
)
from clinic.services import diary, people
from clinic.services.papers import draft_paper
from clinic.web.demo.cases import CASES, FAMILY, GIVEN, USUAL, USUAL_TESTS, Case, Values
from clinic.web.demo.places import Clinic
from clinic.web.handouts import issue_with_handout
from clinic.web.letter_record import to_referrer
from clinic.web.letter_signing import sign_letter
from clinic.web.letters import collect_letter
from exercises.domain.proposals import propose
from exercises.editions import edition_of
from exercises.policies import edition_line
from exercises.services.holds import refresh_holds
from exercises.services.programmes import accept_all, set_agreement, take_over

CLIENTS = 40
# client's place in the list: flag answered yes at the newest screening
YES = {2: "s20", 4: "s35", 7: "s01", 10: "s44", 19: "s36"}
LIFTED = 10
PROGRAMMES, LETTERS = range(12), (0, 3)
NUMBERS = "0123456789-"


class Story:
    """Plays the last months, deterministic but for the day."""

    def __init__(self, clinic: Clinic, edition: Edition, today: date) -> None:
        self.clinic, self.edition, self.today = clinic, edition, today
        self.random = Random(7)  # noqa: S311  # invented runners, no secret
        self.referrers: dict[str, list[Referrer]] = {}
        self.clients: list[Client] = []

    def play(self) -> None:
        self._add_referrers()
        for place in range(CLIENTS):
            client, by = self._register(place)
            self.clients.append(client)
            case = CASES[place % len(CASES)]
            self._looks(place, client, by, case)
        self._fill_diary()

    # people

    def _add_referrers(self) -> None:
        for code, site in self.clinic.sites.items():
            by = self.clinic.clinicians(code)[0]
            named = [
                ("Dr Agnes Tolland", "doctor", "Brook Surgery", "9 Brook Street\nLarkfield"),
                ("Dr Felix Mbeki-Stone", "doctor", "Harbour Practice", "2 Pier Road\nHarbourgate"),
                ("Coach Lena Fairoak", "coach", "Larkfield Harriers", "The Track\nLarkfield"),
            ]
            self.referrers[code] = [
                people.add_referrer(
                    site=site, by=by, name=name, kind=kind, practice=practice, address=address
                )
                for name, kind, practice, address in named
            ]

    def _register(self, place: int) -> tuple[Client, Staff]:
        code = "QY" if place % 3 == 2 else "ML"
        clinicians = self.clinic.clinicians(code)
        by = clinicians[place % len(clinicians)]
        given, sex = GIVEN[place % len(GIVEN)]
        listed = place % 5 == 1
        client = people.register_client(
            by=by,
            family_name=FAMILY[place],
            given_names=given,
            birth_date=date(1958 + place * 11 % 47, 1 + place % 12, 1 + place * 7 % 27),
            sex_for_norms=sex,
            address=f"{place + 3} Orchard Rise\nLarkfield",
            telephone=f"01632 960{300 + place}",
            email=f"{given}.{FAMILY[place]}@example.org".lower(),
            doctor=self.referrers[code][place % 2],
            document_format=(
                DocumentFormat.LARGE_PRINT if place == 5 else DocumentFormat.STANDARD
            ).value,
            allergies_known=(Known.LISTED if listed else Known.NONE_KNOWN).value,
            allergies="sticking plaster" if listed else "",
            medicines_known=Known.NONE_KNOWN.value,
        )
        start = self.today - timedelta(days=150)
        Client.objects.filter(pk=client.pk).update(registered_on=start)
        for purpose in (ConsentPurpose.ASSESSMENT, ConsentPurpose.FILMING, ConsentPurpose.SHARING):
            if purpose is ConsentPurpose.SHARING and place % 7 == 6:
                continue
            people.answer_consent(
                client=client, purpose=purpose, by=by, given_on=start, given=True, manner="written"
            )
        if listed:
            people.add_alert(
                client=client, by=by, since=start, kind="allergy", text="Sticking plaster"
            )
        client.refresh_from_db()
        return client, by

    # looks

    def _looks(self, place: int, client: Client, by: Staff, case: Case) -> None:
        episode = self._episode(client, by, case, place)
        looks = 3 if place in {0, 6} else 2 if place < 14 else 1 if place < 30 else 0
        draft = place in {14, 15, 16}
        last = None
        for number in range(looks):
            weeks = (looks - 1 - number) * 6 + (0 if draft else 1 + place % 5)
            on = self.today - timedelta(weeks=weeks)
            newest = number == looks - 1
            flag = YES.get(place) if newest else None
            kind = AssessmentKind.REASSESSMENT if number else AssessmentKind.BASELINE
            last = self._look(
                client, by, episode, case, on, kind, flag, changed=newest and number > 0
            )
            if not draft:
                self._sign(last, by)
        if last is None:
            return
        if place == LIFTED:
            self._lift(last, by)
        value = assessment_value(last)
        edition = edition_of(self.edition.pk)
        refresh_holds(
            client=client,
            proposal=propose(value, edition),
            edition=edition,
            on=last.assessed_on,
            by=by,
        )
        if place in PROGRAMMES:
            self._programme(last, by, issued=place % 3 != 1)
        if place in LETTERS:
            self._letter(last, by, signed=place == LETTERS[0])
        if place in {1, 4, 8}:
            self._overdue(client, by, 9 + place)

    def _episode(self, client: Client, by: Staff, case: Case, place: int) -> Episode:
        opened = self.today - timedelta(weeks=20)
        goal = Goal(text="Run the Larkfield 10 km", by=self.today + timedelta(weeks=14))
        goal.set_on = opened
        code = client.site.code
        return open_episode(
            client=client,
            by=by,
            goals=[goal] if place % 2 == 0 else [],
            reason=case.reason,
            complaint_present="yes" if case.region else "no",
            complaint_region=case.region,
            complaint_side=case.side,
            goal=case.goal,
            onset_on=opened - timedelta(weeks=6) if case.region else None,
            referrer=self.referrers[code][place % 3] if place % 4 else None,
            opened_on=opened,
        )

    def _look(
        self,
        client: Client,
        by: Staff,
        episode: Episode,
        case: Case,
        on: date,
        kind: AssessmentKind,
        flag: str | None,
        *,
        changed: bool,
    ) -> Assessment:
        assessment = Assessment.objects.create(
            site=client.site,
            client=client,
            episode=episode,
            clinician=by,
            kind=kind.value,
            assessed_on=on,
            edition=self.edition,
            history=self._history(client, by, on),
            history_confirmed_on=on,
            screening=self._screening(client, by, on, flag),
            words="It is easier than last time." if changed else case.reason,
        )
        trial = Trial.objects.create(
            site=client.site,
            assessment=assessment,
            position=1,
            surface="treadmill",
            speed_m_s=Decimal("2.9"),
            incline_percent=Decimal(1),
            frame_rate_hz=Decimal(240),
            steps_averaged=10,
            shoes="usual",
        )
        seen = USUAL | case.first | (case.later if changed else {})
        tests = USUAL_TESTS | case.tests | (case.tests_later if changed else {})
        self._answers(assessment, trial, by, seen, tests, case.pain[changed])
        return assessment

    def _history(self, client: Client, by: Staff, on: date) -> RunningHistory:
        history = RunningHistory.objects.create(
            site=client.site, client=client, taken_on=on, taken_by=by
        )
        numbers = {
            "height_m": Decimal("1.62") + Decimal(client.pk % 20) / 100,
            "mass_kg": Decimal(56 + client.pk % 25),
            "weekly_distance_km": Decimal(18 + client.pk % 22),
            "runs_per_week": Decimal(3),
            "usual_speed_m_s": Decimal("2.9"),
            "minutes_a_day": Decimal(15 + 5 * (client.pk % 4)),
        }
        words = {"osteoporosis": "no", "lumbar_complaint": "no", "orthoses": "no"}
        if client.sex_for_norms != "m":
            words |= {"pregnant": "no", "pelvic_floor_signs": "no"}
        rows = [("value", numbers), ("choice", words), ("items", {"equipment": self._kit()})]
        HistoryAnswer.objects.bulk_create(
            HistoryAnswer(site=client.site, history=history, fact_id=fact, **{column: found})
            for column, facts in rows
            for fact, found in facts.items()  # type: ignore[attr-defined]
        )
        return history

    def _kit(self) -> list[str]:
        return ["wall", "step", *self.random.sample(["mat", "band", "loop_band", "mirror"], 2)]

    def _screening(self, client: Client, by: Staff, on: date, flag: str | None) -> Screening:
        screening = Screening.objects.create(
            site=client.site, client=client, screened_on=on, screened_by=by
        )
        ScreeningAnswer.objects.bulk_create(
            ScreeningAnswer(
                site=client.site,
                screening=screening,
                flag_id=code,
                answer="yes" if code == flag else "no",
            )
            for code in tables_of(self.edition.pk).flags
        )
        return screening

    def _answers(
        self,
        assessment: Assessment,
        trial: Trial,
        by: Staff,
        seen: Values,
        tests: Values,
        pain: int,
    ) -> None:
        saved = {
            "site": assessment.site,
            "assessment": assessment,
            "saved_at": self._afternoon(assessment.assessed_on),
            "saved_by": by,
        }
        Observation.objects.bulk_create(
            Observation(trial=trial, feature_id=code, side=side, **saved, **_columns(found))
            for (code, side), found in seen.items()
        )
        TestResult.objects.bulk_create(
            TestResult(test_id=code, side=side, value=Decimal(found), **saved)
            for (code, side), found in tests.items()
        )
        scores = {"pain_now": 0, "pain_worst_24h": pain, "pain_last_run": pain}
        ScoreValue.objects.bulk_create(
            ScoreValue(score_id=code, value=value, **saved) for code, value in scores.items()
        )

    def _afternoon(self, day: date) -> datetime:
        return datetime.combine(day, time(15, 5), tzinfo=ZoneInfo("Europe/London"))

    def _sign(self, assessment: Assessment, by: Staff) -> None:
        found = propose(assessment_value(assessment), edition_of(self.edition.pk)).findings
        for finding in found:
            finding_row(assessment, finding).save()
        Assessment.objects.filter(pk=assessment.pk).update(
            signed_at=self._afternoon(assessment.assessed_on), signed_by=by
        )
        assessment.refresh_from_db()

    # what follows a look

    def _lift(self, assessment: Assessment, by: Staff) -> None:
        if assessment.screening is None:
            return
        answer = assessment.screening.answers.select_related("screening__client").get(answer="yes")
        lift_flag(
            answer=answer,
            on=assessment.assessed_on,
            reason="Letter of the surgeon: strength work allowed, running in four weeks",
            keeps="no_impact",
            by=by,
            today=self.today,
        )

    def _programme(self, assessment: Assessment, by: Staff, *, issued: bool) -> None:
        value, edition = assessment_value(assessment), edition_of(self.edition.pk)
        proposal = propose(value, edition)
        try:
            programme = take_over(assessment=assessment, proposal=proposal, edition=edition, by=by)
            if not issued:
                return
            accept_all(programme=programme, by=by, value=value, edition=edition)
            programme.refresh_from_db()
            set_agreement(
                programme=programme,
                seen=programme.version,
                review_on=programme.review_on,
                agreed="yes",
                by=by,
            )
            programme.refresh_from_db()
            issue_with_handout(
                programme=programme, proposal=proposal, value=value, edition=edition, by=by
            )
        except ValidationError:
            # a hold stops it, or a tick is still missing: the clinician finds it as it is
            return

    def _letter(self, assessment: Assessment, by: Staff, *, signed: bool) -> None:
        client = assessment.client
        if client.doctor is None:
            return
        to = to_referrer(client.doctor)
        letter = collect_letter(
            assessment, to, by, edition_line=edition_line(assessment.edition_id)
        )
        paper = draft_paper(
            client=client,
            kind=PaperKind.LETTER,
            about=f"assessment-{assessment.pk}-doctor",
            title=f"{letter.title} to {to.name}",
            dated=letter.head.dated,
            content=letter.to_json(),
            by=by,
        )
        if signed:
            sign_letter(paper=paper, by=by)

    def _overdue(self, client: Client, by: Staff, days: int) -> None:
        due = self.today - timedelta(days=days)
        opened = due - timedelta(weeks=6)
        Reassessment.objects.update_or_create(
            client=client,
            site=client.site,
            defaults={"clinician": by, "due_on": due, "opened_on": opened},
        )

    # the diary

    def _fill_diary(self) -> None:
        for offset in range(-6, 9):
            day = self.today + timedelta(days=offset)
            if day.weekday() < 5:  # Saturday and Sunday
                for code in self.clinic.sites:
                    for clinician in self.clinic.clinicians(code):
                        self._day(code, clinician, day)

    def _day(self, code: str, clinician: Staff, day: date) -> None:
        site = self.clinic.sites[code]
        kinds = list(AppointmentKind.objects.filter(site=site))
        rooms = list(Room.objects.filter(site=site))
        own = [one for one in self.clients if one.site_id == site.pk]
        times = [time(9), time(10, 30), time(13, 30), time(15)]
        for at, client in zip(times, self.random.sample(own, len(times)), strict=True):
            kind = self.random.choice(kinds)
            fitting = [room for room in rooms if room.has_treadmill or not kind.needs_treadmill]
            try:
                appointment = diary.book(
                    client=client,
                    kind=kind,
                    clinician=clinician,
                    room=self.random.choice(fitting),
                    local_date=day,
                    local_time=at,
                    by=self.clinic.staff["rose"],
                )
            except ValidationError:
                continue  # the client or the room is taken: a gap in the day
            if day < self.today:
                diary.mark_seen(appointment=appointment, by=clinician)


def _columns(found: str) -> dict[str, object]:
    if found.startswith("g"):
        return {"grade": int(found[1:]), "method": Method.BY_EYE.value}
    if found[0] in NUMBERS:
        return {"value": Decimal(found), "method": Method.VIDEO_2D.value}
    return {"choice": found, "method": Method.BY_EYE.value}
