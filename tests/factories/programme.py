"""Programmes in the middle of the work."""

from assessments.facts import assessment_value
from assessments.models import Assessment
from exercises.domain.proposals import propose
from exercises.editions import edition_of
from exercises.models import Programme
from exercises.services import programme_lines, programmes
from tests.factories import StaffFactory
from tests.factories.intake import record_from_file
from tests.factories.letters import file_of


class Desk:
    """One assessment of the vignettes at the desk of the clinician in charge."""

    def __init__(self, edition, case="06", by=None, **changed):
        self.by = by or StaffFactory()
        made = record_from_file(file_of(case, **changed), edition=edition, by=self.by)
        self.pk = made.pk

    @property
    def assessment(self):
        """As it is stored now."""
        return Assessment.objects.for_page().get(pk=self.pk)

    @property
    def edition(self):
        return edition_of(self.assessment.edition_id)

    @property
    def value(self):
        return assessment_value(self.assessment)

    @property
    def proposal(self):
        return propose(self.value, self.edition)

    @property
    def programme(self):
        return Programme.objects.get(assessment=self.pk)

    def item(self, exercise):
        return self.programme.items.get(exercise_id=exercise)

    @property
    def judging(self):
        return {"value": self.value, "edition": self.edition, "by": self.by}

    def take_over(self, by=None):
        return programmes.take_over(
            assessment=self.assessment,
            proposal=self.proposal,
            edition=self.edition,
            by=by or self.by,
        )

    def decide(self, exercise, decision="accepted", **fields):
        item = self.item(exercise)
        return programme_lines.decide(
            **{"item": item, "seen": item.version} | self.judging | fields,
            decision=programmes.Decision(decision),
        )

    def add(self, code):
        return programme_lines.add_exercise(programme=self.programme, code=code, **self.judging)

    def accept_all(self, seen=None):
        return programme_lines.accept_all(programme=self.programme, seen=seen, **self.judging)

    @property
    def stamp(self):
        """What a page that is opened now would send along."""
        return programme_lines.stamp(self.programme, self.programme.items.all())

    def agree(self, review_on, agreed="yes"):
        programme = self.programme
        return programmes.set_agreement(
            programme=programme,
            seen=programme.version,
            review_on=review_on,
            agreed=agreed,
            by=self.by,
        )

    def issue(self, **fields):
        return programmes.issue(
            **{"programme": self.programme, "proposal": self.proposal} | self.judging | fields
        )
