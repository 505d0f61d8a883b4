"""What happened at the invented clinic in the last months, told from the day it is prepared."""

from datetime import date, datetime, time, timedelta
from decimal import Decimal
from random import Random
from zoneinfo import ZoneInfo

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
)
from assessments.services.assessments import finding_row, open_assessment
from assessments.services.episodes import discharge_episode, open_episode
from assessments.services.screenings import lift_flag
from assessments.services.seals import assessment_seal
from clinic.domain.vocabulary import PaperKind, TrailAction
from clinic.models import Client, Edition, Reassessment, Referrer, Staff
from clinic.services import reassessments, restrictions, trail
from clinic.services.papers import draft_paper
from clinic.web.demo.appointments import Diary
from clinic.web.demo.cases import CASES, USUAL, USUAL_TESTS, Case, Values
from clinic.web.demo.clients import add_referrers, register
from clinic.web.demo.places import Clinic
from clinic.web.handouts import issue_with_handout
from clinic.web.letter_record import to_referrer
from clinic.web.letter_signing import sign_letter
from clinic.web.letters import collect_letter
from clinic.web.views.screenings import UNTOLD, evaluated
from exercises.domain.proposals import propose
from exercises.editions import edition_of
from exercises.policies import edition_line
from exercises.services.holds import refresh_holds
from exercises.services.programme_lines import accept_all
from exercises.services.programmes import set_agreement, take_over

CLIENTS = 40
THREE_LOOKS, TWO_LOOKS, ONE_LOOK = {0, 3, 6}, range(14), range(14, 30)  # places in the list
DRAFTS = {14, 15, 16}
LONG_AGO = range(18, 22)  # looked at so long ago that the next look is due or overdue
BETWEEN_LOOKS = 6  # weeks
# flag answered yes at the newest screening
YES = {2: "s20", 4: "s35", 7: "s01", 10: "s44", 12: "s37", 24: "s36"}
# what the lift still keeps, and why it was lifted
LIFTS = {
    10: ("no_impact", "Letter of the surgeon: strength work allowed, running in four weeks"),
    12: ("nothing", "Letter of the doctor: cleared for sport; free of symptoms for a week"),
}
STOPPED = {7, 10}  # a flag stopped everything that day: no programme is taken over
PROGRAMMES = {*range(12), *range(18, 24)} - STOPPED
UNDECIDED, LETTERS = {1, 4}, (0, 3)
NEXT_LOOK_BOOKED = {9, 18, 22}
DISCHARGED = 25
RESTRICTED = 37  # works at the other site and runs
GOALS = ("Run the Larkfield 10 km", "Run 30 minutes without pain", "Back to the club on Tuesdays")
TRIAL = {
    "surface": "treadmill",
    "speed_m_s": Decimal("2.9"),
    "incline_percent": Decimal(1),
    "frame_rate_hz": Decimal(240),
    "steps_averaged": 10,
    "shoes": "usual",
}
REPEATED = 0.02  # the same runner measured again differs by up to this share
NUMBERS = "0123456789-"


class Story:
    """Plays the last months, deterministic but for the day."""

    def __init__(self, clinic: Clinic, edition: Edition, today: date) -> None:
        self.clinic, self.edition, self.today = clinic, edition, today
        self.random = Random(7)  # noqa: S311  # invented runners, no secret
        self.diary = Diary(clinic, today)
        self.referrers: dict[str, list[Referrer]] = {}
        self.looked_at: dict[Staff, list[Client]] = {}

    def play(self) -> None:
        self.referrers = add_referrers(self.clinic)
        for place in range(CLIENTS):
            self._client(place)
        for clinician, clients in self.looked_at.items():
            self.diary.fill(clinician, clients, self.random)

    def _client(self, place: int) -> None:
        code = "QY" if place % 3 == 2 else "ML"
        clinicians = self.clinic.clinicians(code)
        by = clinicians[place % len(clinicians)]
        days = self._days(place)
        start = days[0] - timedelta(days=10) if days else self.today - timedelta(2 + place % 9)
        client = register(place, by, self.referrers[code][place % 2], start)
        case = CASES[place % len(CASES)]
        episode = self._episode(client, by, case, place, start)
        if not days:
            self.diary.visit(client, by, "first", self.today + timedelta(days=1 + place % 8))
            if place == RESTRICTED:
                self._restrict(client, by)
            return
        if place not in DRAFTS:
            self.looked_at.setdefault(by, []).append(client)
        self._looks(place, episode, case, days)

    def _restrict(self, client: Client, by: Staff) -> None:
        """Only the clinician and one person at reception open the record."""
        restrictions.restrict(
            client=client,
            by=by,
            reason="Works at our Quayside desk",
            owner=by,
            staff=[self.clinic.staff["rose"]],
        )

    def _days(self, place: int) -> list[date]:
        """The days on which a client was looked at."""
        if place in DRAFTS:
            return [self.today]
        looks = 3 if place in THREE_LOOKS else 2 if place in TWO_LOOKS else int(place in ONE_LOOK)
        weeks = place - 13 if place in LONG_AGO else 1 + place % 5
        last = self.today - timedelta(weeks=weeks, days=place % 3)
        return [last - timedelta(weeks=BETWEEN_LOOKS * back) for back in reversed(range(looks))]

    # looks

    def _looks(self, place: int, episode: Episode, case: Case, days: list[date]) -> None:
        client, by = episode.client, episode.clinician
        for number, day in enumerate(days):
            newest = number == len(days) - 1
            visit = "reassessment" if number else "first"
            on = self.diary.visit(client, by, visit, day).local_date
            self._history(client, by, on)
            self._screening(client, by, on, YES.get(place) if newest else None)
            progress = number / (len(days) - 1) if number else 0.0
            last = self._look(episode, case, on, progress)
            if place not in DRAFTS:
                self._sign(last, by)
        self._hold(last, by)
        if place in LIFTS:
            self._lift(last, by, *LIFTS[place])
        if place in PROGRAMMES:
            self._programme(last, by, issued=place not in UNDECIDED)
        if place in LETTERS:
            self._letter(last, by, signed=place == LETTERS[0])
        if place in NEXT_LOOK_BOOKED:
            ahead = self.today + timedelta(days=3 + place % 5)
            self.diary.visit(client, by, reassessments.KIND, ahead)
        if place == DISCHARGED:
            discharge_episode(episode=episode, by=by, on=last.assessed_on, reason="Goal reached")

    def _episode(self, client: Client, by: Staff, case: Case, place: int, opened: date) -> Episode:
        goal = Goal(text=GOALS[place % 3], by=self.today + timedelta(weeks=10 + place % 5))
        goal.set_on = opened
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
            referrer=self.referrers[client.site.code][place % 3] if place % 4 else None,
            opened_on=opened,
        )

    def _look(self, episode: Episode, case: Case, on: date, progress: float) -> Assessment:
        """A draft with its answers; progress: share of the later answers that shows by now."""
        by = episode.clinician
        kind = AssessmentKind.REASSESSMENT if progress else AssessmentKind.BASELINE
        assessment = open_assessment(
            client=episode.client,
            episode=episode,
            by=by,
            kind=kind.value,
            assessed_on=on,
            history_unchanged=True,
            trial=TRIAL,
        )
        assessment.words = "It is easier than last time." if progress else case.reason
        assessment.save(update_fields=["words"])
        seen = USUAL | case.first | _part(case.later, progress)
        tests = USUAL_TESTS | case.tests | _part(case.tests_later, progress)
        before, after = case.pain
        self._answers(assessment, seen, tests, before + round((after - before) * progress))
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

    def _answers(self, assessment: Assessment, seen: Values, tests: Values, pain: int) -> None:
        trial = assessment.trials.get()
        saved = {
            "site": assessment.site,
            "assessment": assessment,
            "saved_at": self._afternoon(assessment.assessed_on),
            "saved_by": assessment.clinician,
        }
        Observation.objects.bulk_create(
            Observation(trial=trial, feature_id=code, side=side, **saved, **self._columns(found))
            for (code, side), found in seen.items()
        )
        TestResult.objects.bulk_create(
            TestResult(test_id=code, side=side, value=self._measured(found), **saved)
            for (code, side), found in tests.items()
        )
        scores = {"pain_now": 0, "pain_worst_24h": pain, "pain_last_run": pain}
        ScoreValue.objects.bulk_create(
            ScoreValue(score_id=code, value=value, **saved) for code, value in scores.items()
        )

    def _afternoon(self, day: date) -> datetime:
        return datetime.combine(day, time(15, 5), tzinfo=ZoneInfo("Europe/London"))

    def _measured(self, usual: str) -> Decimal:
        """A number as it comes out this time, with the decimals of the usual one."""
        share = 1 + self.random.uniform(-REPEATED, REPEATED)
        return (Decimal(usual) * Decimal(str(share))).quantize(Decimal(usual))

    def _columns(self, found: str) -> dict[str, object]:
        if found.startswith("g"):
            return {"grade": int(found[1:]), "method": Method.BY_EYE.value}
        if found[0] in NUMBERS:
            return {"value": self._measured(found), "method": Method.VIDEO_2D.value}
        return {"choice": found, "method": Method.BY_EYE.value}

    def _sign(self, assessment: Assessment, by: Staff) -> None:
        """Sign on the day of the look; the service signs now, which would be weeks late."""
        found = propose(assessment_value(assessment), edition_of(self.edition.pk)).findings
        for finding in found:
            finding_row(assessment, finding).save()
        Assessment.objects.filter(pk=assessment.pk).update(
            signed_at=self._afternoon(assessment.assessed_on), signed_by=by
        )
        assessment.refresh_from_db()
        trail.record(
            TrailAction.SIGN,
            by=by,
            row=assessment,
            client=assessment.client,
            findings=len(found),
            seal=assessment_seal(assessment),
        )

    # what follows a look

    def _hold(self, assessment: Assessment, by: Staff) -> None:
        edition = edition_of(self.edition.pk)
        refresh_holds(
            client=assessment.client,
            proposal=propose(assessment_value(assessment), edition),
            edition=edition,
            on=assessment.assessed_on,
            by=by,
        )

    def _lift(self, assessment: Assessment, by: Staff, keeps: str, reason: str) -> None:
        client, screening = assessment.client, assessment.screening
        on = min(assessment.assessed_on + timedelta(days=7), self.today)
        answers = ScreeningAnswer.objects.select_related("screening__client")
        answer = answers.get(screening=screening, answer="yes")
        lift_flag(answer=answer, on=on, reason=reason, keeps=keeps, by=by, today=self.today)
        proposal, edition = evaluated(client, screening, on)
        refresh_holds(
            client=client, proposal=proposal, edition=edition, on=on, by=by, untold=UNTOLD
        )

    def _programme(self, assessment: Assessment, by: Staff, *, issued: bool) -> None:
        value, edition = assessment_value(assessment), edition_of(self.edition.pk)
        proposal = propose(value, edition)
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
        # issued on the day of the look, so that some next looks are due or overdue by now
        Reassessment.objects.filter(client=assessment.client).update(
            opened_on=assessment.assessed_on, due_on=programme.review_on
        )

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


def _part(later: Values, progress: float) -> Values:
    """The first answers of those that changed, as many as the progress allows."""
    return dict(list(later.items())[: round(len(later) * progress)])
