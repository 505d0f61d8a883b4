"""The test itself: answer, kill at a random moment, start again, go on."""

import http.client
import random
import time
from threading import Thread

from django.core.management import call_command
from django.db import connections
from django.template.loader import get_template
from django.urls import reverse

from assessments.editions import tables_of
from assessments.measure_words import about, sides_of
from assessments.stored_answers import OBSERVATION, TEST
from exercises.editions import edition_of
from exercises.services.editions import load_tables, read_folder
from tests.durability.inspecting import inspect
from tests.durability.serving import Server
from tests.durability.writing import Asked, Browser, Writer
from tests.factories import StaffFactory
from tests.factories.consult import make_assessment

PASSWORD = "a slow jog around the mill pond"
EARLIEST, LATEST = 0.01, 0.5  # seconds of answering before a kill
CUT = (OSError, http.client.HTTPException)


def make_clinic(reference):
    """Tables, edition, one clinician, one draft; returns the clinician and the draft."""
    call_command("migrate", verbosity=0)
    edition, _ = load_tables(texts=read_folder(reference), author="a clinician", reason="First.")
    by = StaffFactory(username="ines")
    by.set_password(PASSWORD)
    by.save()
    return by, make_assessment(edition=edition, by=by)


def cells_of(edition_id):
    """Every cell of the assessment page that takes a number, apart from scores."""
    tables = tables_of(edition_id)
    kinds = ((OBSERVATION, tables.features.values()), (TEST, tables.tests.values()))
    return [
        Asked(f"{kind}.{one.code}.{side.value}", *tenths(one.plausible))
        for kind, measures in kinds
        for one in measures
        if about(kind, one, tables).valued
        for side in sides_of(one)
    ]


def tenths(span):
    """The span in whole tenths that lie within it."""
    return -int(-span.low * 10 // 1), int(span.high * 10 // 1)


class Kill(Thread):
    """Waits a random while, then ends something."""

    def __init__(self, seconds, end):
        super().__init__()
        self.seconds, self.end = seconds, end

    def run(self):
        time.sleep(self.seconds)
        self.end()


def kill_test(*, folder, reference, cycles, seed, cluster=None, database_kills=0):
    """Figures of `cycles` kills of the server and `database_kills` of the database."""
    chance = random.Random(seed)  # noqa: S311  # repeatable, not secret
    by, assessment = make_clinic(reference)
    # read once, here: each server is forked from this process
    edition_of(assessment.edition_id)
    get_template("assessments/_grid_answer.html")
    address = reverse("assessment-answers", args=[assessment.pk])
    server = Server(folder)
    browser = Browser(server.port)
    hit = set(chance.sample(range(cycles), database_kills))
    with (folder / "acknowledged.jsonl").open("w") as noted:
        writer = Writer(
            browser=browser,
            address=address,
            cells=cells_of(assessment.edition_id),
            chance=chance,
            list_file=noted,
        )
        try:
            server.start()
            browser.sign_in(by.username, PASSWORD)
            for cycle in range(cycles):
                if cycle in hit:
                    database_cycle(writer, cluster, chance)
                server_cycle(writer, server, chance)
            settle(writer)
        finally:
            server.kill()
            connections.close_all()
    return inspect(writer.acknowledged, writer.cut, assessment.pk)


def answer_until_over(writer, kill):
    """Send answers until the kill is done; a cut line or an error page ends nothing."""
    while kill.is_alive():
        try:
            writer.send_one()
        except CUT:
            time.sleep(0.005)
    kill.join()


def server_cycle(writer, server, chance):
    kill = Kill(chance.uniform(EARLIEST, LATEST), server.kill)
    kill.start()
    answer_until_over(writer, kill)
    server.start()


def database_cycle(writer, cluster, chance):
    """The database ends and comes back while the site goes on running."""
    end = chance.choice([cluster.kill, cluster.stop_at_once])
    kill = Kill(chance.uniform(EARLIEST, LATEST), end)
    kill.start()
    answer_until_over(writer, kill)
    cluster.start()


def settle(writer):
    """What waits is sent until it is acknowledged."""
    for _ in range(20):
        if writer.waiting is None or writer.send_one():
            return
        time.sleep(0.2)
    raise RuntimeError(f"{writer.waiting} is never acknowledged")
