"""What hangs on a client: consents, alerts, holds, papers, dates."""

from datetime import UTC, date, datetime

import factory
from factory.django import DjangoModelFactory

from assessments.models import Assessment, Episode, Goal
from clinic.models import Alert, Consent, Hold, Paper, Reassessment, RecordLink, RecordRequest
from tests.clinic.documents.papers import BARE
from tests.factories import ClientFactory, StaffFactory


class OfClient(DjangoModelFactory):
    """A row of a client's record; give it `client`."""

    class Meta:
        abstract = True

    site = factory.SelfAttribute("client.site")


class ConsentFactory(OfClient):
    class Meta:
        model = Consent

    purpose = "filming"
    given = True
    given_on = date(2026, 1, 10)
    manner = "written"
    taken_by = factory.SubFactory(StaffFactory)


class AlertFactory(OfClient):
    class Meta:
        model = Alert

    kind = "allergy"
    text = "Latex"
    since = date(2026, 1, 10)


class HoldFactory(OfClient):
    class Meta:
        model = Hold

    code = "s02"
    scope = "no_impact"
    sentence = "No running until the scan is read."
    since = date(2026, 2, 1)


class ReassessmentFactory(OfClient):
    class Meta:
        model = Reassessment

    clinician = factory.SubFactory(StaffFactory)
    due_on = date(2026, 4, 1)
    opened_on = date(2026, 2, 1)


class RecordLinkFactory(DjangoModelFactory):
    class Meta:
        model = RecordLink

    kept = factory.SubFactory(ClientFactory)
    joined = factory.SubFactory(ClientFactory)
    site = factory.SelfAttribute("kept.site")
    reason = "Asked at the desk."
    names_compared = births_compared = addresses_compared = True
    joined_at = datetime(2026, 5, 4, 12, tzinfo=UTC)
    joined_by = factory.SubFactory(StaffFactory)


class RecordRequestFactory(OfClient):
    class Meta:
        model = RecordRequest

    kind = "amendment"
    received_on = date(2026, 5, 4)
    manner = "written"
    words = "My left knee hurt, not my right one."
    noted_by = factory.SubFactory(StaffFactory)
    noted_at = datetime(2026, 5, 4, 12, tzinfo=UTC)
    due_on = date(2026, 6, 4)
    limit_source = "GDPR, articles 12(3) and 16"


class PaperFactory(OfClient):
    class Meta:
        model = Paper

    kind = "letter"
    about = factory.Sequence(lambda n: f"assessment-{n}")
    title = factory.Sequence(lambda n: f"Letter {n}")
    dated = date(2026, 2, 1)
    content = factory.LazyFunction(BARE.to_json)
    created_by = factory.SubFactory(StaffFactory)
    created_at = datetime(2026, 2, 1, 12, tzinfo=UTC)


class EpisodeFactory(OfClient):
    class Meta:
        model = Episode

    reason = "my knee aches on hills"
    clinician = factory.SubFactory(StaffFactory)
    opened_on = date(2026, 1, 10)


class GoalFactory(DjangoModelFactory):
    class Meta:
        model = Goal

    site = factory.SelfAttribute("episode.site")
    text = "run ten kilometres"
    set_on = date(2026, 1, 10)


class AssessmentFactory(DjangoModelFactory):
    """A draft of an episode; give it `episode` and `edition`."""

    class Meta:
        model = Assessment

    site = factory.SelfAttribute("episode.site")
    client = factory.SelfAttribute("episode.client")
    clinician = factory.SelfAttribute("episode.clinician")
    kind = "baseline"
    assessed_on = date(2026, 2, 1)
