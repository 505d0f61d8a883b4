"""Every page of the site, found by walking the addresses, and what their arguments can be."""

import json
from dataclasses import dataclass
from datetime import date

from django.urls import URLResolver, get_resolver, reverse

from assessments.facts import assessment_value
from assessments.models import Assessment
from assessments.services.assessments import sign_assessment
from clinic.services.invitations import invite
from clinic.services.legal_holds import set_legal_hold
from clinic.services.reminders import make_feed
from exercises.domain.proposals import propose
from exercises.editions import edition_of
from exercises.services.programmes import take_over
from tests.factories import (
    AppointmentFactory,
    AppointmentKindFactory,
    ClientFactory,
    ReferrerFactory,
    RoomFactory,
)
from tests.factories.consult import (
    make_assessment,
    make_episode,
    make_screening,
    make_trial,
)
from tests.factories.hours import HoursChangeFactory, WaitingEntryFactory
from tests.factories.intake import record_from_file
from tests.factories.limits import (
    ended_line,
    make_team,
    open_in_emergency,
    opening_of,
    ownerless,
)
from tests.factories.people import (
    AlertFactory,
    ConsentFactory,
    HoldFactory,
    PaperFactory,
    ReassessmentFactory,
    RecordLinkFactory,
    RecordRequestFactory,
)
from tests.factories.retention import waiting_review
from tests.vignettes.test_vignettes import CASES

DAY = date(2026, 3, 12)


@dataclass(frozen=True)
class Door:
    """One address: its route as written, its name, its view."""

    route: str
    name: str
    view: object

    @property
    def ours(self):
        return not self.view.__module__.startswith(("allauth.", "django."))

    @property
    def arguments(self):
        """(word of the route before it, name) of each argument, such as ("clients", "pk")."""
        parts = self.route.strip("/").split("/")
        return [
            (before, part.strip("<>").rpartition(":")[2])
            for before, part in zip(["", *parts], parts, strict=False)
            if part.startswith("<")
        ]

    def address(self, world):
        return reverse(
            self.name, kwargs={name: world[word, name] for word, name in self.arguments}
        )


def all_doors():
    return list(_walk(get_resolver().url_patterns))


def our_doors():
    return [door for door in all_doors() if door.ours]


def _walk(patterns, before=""):
    for pattern in patterns:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from _walk(pattern.url_patterns, route)
        else:
            yield Door(route, pattern.name, pattern.callback)


class World(dict):
    """One object for each argument that a route of ours can have, made when it is asked for."""

    def __init__(self, staff, edition):
        super().__init__()
        self.staff, self.edition = staff, edition
        self.runner = ClientFactory(site=staff.home_site)

    def __missing__(self, argument):
        if argument not in MAKERS:
            raise LookupError(f"say in MAKERS (tests/structure/doors.py) what {argument} can be")
        self[argument] = MAKERS[argument](self)
        return self[argument]

    def of_client(self, factory, **fields):
        return factory(client=self.runner, **fields).pk

    def assessment(self):
        return make_assessment(edition=self.edition, client=self.runner, by=self.staff, on=DAY)

    def first_version(self):
        """Sign the assessment of the address: a draft has no versions."""
        draft = Assessment.objects.get(pk=self["assessments", "pk"])
        return sign_assessment(assessment=draft, findings=[], by=self.staff).addenda.count() + 1

    def programme(self):
        data = json.loads((CASES / "06-arm-reach-with-overstride.json").read_text())
        record = record_from_file(data, edition=self.edition, client=self.runner, by=self.staff)
        record = Assessment.objects.for_page().get(pk=record.pk)  # dates as the database has them
        edition = edition_of(self.edition.pk)
        return take_over(
            assessment=record,
            proposal=propose(assessment_value(record), edition),
            edition=edition,
            by=self.staff,
        )


MAKERS = {
    ("keys", "pk"): lambda world: 1,  # whoever has no such key is led to the list
    ("staff", "pk"): lambda world: world.staff.pk,
    ("invitations", "token"): lambda world: invite(staff=world.staff, by=None),
    ("sites", "pk"): lambda world: world.staff.home_site.pk,
    ("rooms", "pk"): lambda world: RoomFactory(site=world.staff.home_site).pk,
    ("clients", "pk"): lambda world: world.runner.pk,
    ("clients", "client_pk"): lambda world: world.runner.pk,
    ("consents", "purpose"): lambda world: "filming",
    ("consents", "pk"): lambda world: world.of_client(ConsentFactory, taken_by=world.staff),
    ("alerts", "pk"): lambda world: world.of_client(AlertFactory),
    ("holds", "pk"): lambda world: world.of_client(HoldFactory),
    ("papers", "pk"): lambda world: world.of_client(PaperFactory, created_by=world.staff),
    ("due", "pk"): lambda world: world.of_client(ReassessmentFactory, clinician=world.staff),
    ("reassessments", "pk"): lambda world: world.of_client(
        ReassessmentFactory, clinician=world.staff
    ),
    ("appointments", "pk"): lambda world: world.of_client(
        AppointmentFactory, clinician=world.staff
    ),
    ("waiting", "pk"): lambda world: world.of_client(WaitingEntryFactory, asked_by=world.staff),
    ("weeks", "pk"): lambda world: world.staff.pk,
    ("changes", "pk"): lambda world: HoursChangeFactory(site=world.staff.home_site).pk,
    ("kinds", "pk"): lambda world: AppointmentKindFactory(site=world.staff.home_site).pk,
    ("calendars", "secret"): lambda world: make_feed(staff=world.staff),
    ("links", "pk"): lambda world: (
        RecordLinkFactory(
            kept=world.runner, joined__site=world.runner.site, joined_by=world.staff
        ).pk
    ),
    ("restriction-ends", "pk"): lambda world: ended_line(world.staff).pk,
    ("restrictions", "pk"): lambda world: ownerless(world.staff.home_site).pk,
    ("emergency", "pk"): lambda world: open_in_emergency(world.runner, world.staff).pk,
    ("teams", "pk"): lambda world: make_team(world.staff.home_site, world.staff).pk,
    ("openings", "pk"): lambda world: opening_of(world.staff).pk,
    ("requests", "pk"): lambda world: world.of_client(
        RecordRequestFactory, noted_by=world.staff, kind="copy"
    ),
    ("legal-holds", "pk"): lambda world: world.of_client(
        set_legal_hold, reason="A claim", by=world.staff
    ),
    ("destructions", "pk"): lambda world: world.of_client(waiting_review, by=world.staff),
    ("steps", "step"): lambda world: "decide",
    ("state", "act"): lambda world: "arrived",
    ("referrers", "pk"): lambda world: ReferrerFactory(site=world.staff.home_site).pk,
    ("episodes", "pk"): lambda world: make_episode(world.runner, world.staff).pk,
    ("assessments", "pk"): lambda world: world.assessment().pk,
    ("versions", "number"): lambda world: world.first_version(),
    ("screening-answers", "pk"): lambda world: (
        make_screening(world.runner, world.staff, DAY, yes=["s20"], flags=["s20"]).answers.get().pk
    ),
    ("programmes", "pk"): lambda world: world.programme().pk,
    ("programme-items", "pk"): lambda world: world.programme().items.first().pk,
    ("library", "code"): lambda world: "side_plank_hold",
    ("policy", "code"): lambda world: "bone_pain_edges",
    ("trials", "pk"): lambda world: make_trial(world.assessment(), position=2).pk,
}
