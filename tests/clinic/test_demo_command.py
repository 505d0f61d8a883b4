"""The demo's command: what it refuses before it writes anything."""

import socket
from argparse import ArgumentTypeError
from datetime import timedelta

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.utils import timezone

from clinic.models import Edition, Site, Staff
from clinic.web.demo.places import CLINIC, STAFF, build
from clinic.web.demo.serving import HOST
from clinic.web.management.commands import demo
from tests.factories import SiteFactory


@pytest.fixture
def in_demo(db, settings):
    settings.DEMO = True


@pytest.mark.parametrize("how", [[], ["--reset"]])
def test_database_of_a_real_clinic_is_left_alone(in_demo, how):
    site = SiteFactory(clinic_name="Somebody's clinic")

    with pytest.raises(CommandError, match="nothing was changed"):
        call_command("demo", "--prepare-only", *how)

    assert list(Site.objects.all()) == [site]
    assert not Edition.objects.exists()


def test_database_with_accounts_and_no_site_yet_is_left_alone(in_demo):
    Staff.objects.create(username="first-account")

    with pytest.raises(CommandError, match="nothing was changed"):
        call_command("demo", "--prepare-only")

    assert not Site.objects.exists()


def test_empty_database_and_the_demos_own_are_taken(in_demo):
    assert not demo.holds_other_rows()

    build()

    assert Site.objects.filter(clinic_name=CLINIC).count() == 2
    assert not demo.holds_other_rows()


def test_port_is_looked_at_before_anything_is_reset(in_demo):
    build()
    with socket.socket() as other:
        other.bind((HOST, 0))
        other.listen()

        with pytest.raises(CommandError, match="is taken"):
            call_command("demo", "--reset", "--port", str(other.getsockname()[1]))

    assert Staff.objects.count() == len(STAFF)


@pytest.mark.parametrize("text", ["1", "8000", "65535"])
def test_port_number(text):
    assert demo.port_number(text) == int(text)


@pytest.mark.parametrize("text", ["0", "65536", "-1", "eight", "", "²"])
def test_what_is_no_port_is_refused(text):
    with pytest.raises(ArgumentTypeError, match="1 to 65535"):
        demo.port_number(text)


@pytest.mark.parametrize(("days", "told"), [(6, False), (9, True)])
def test_stale_clinic_is_told(in_demo, edition, capsys, days, told):
    build()

    with time_machine.travel(timezone.now() + timedelta(days=days, minutes=1), tick=False):
        call_command("demo", "--prepare-only")

    assert ("prepared 9 days ago" in capsys.readouterr().out) == told
