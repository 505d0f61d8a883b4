"""What the browser is told on every answer (MDN, HTTP header reference; OWASP secure headers)."""

import pytest
from django.urls import reverse

from tests.factories import StaffFactory


@pytest.fixture
def answers(client, db):
    """A page before sign-in, a page after it, one that is not there."""
    before = client.get(reverse("account_login"))
    client.force_login(StaffFactory())
    return [before, client.get(reverse("client-list")), client.get("/no-such-page/")]


def policy(response):
    parts = response["Content-Security-Policy"].split(";")
    return {name: values for name, *values in (part.split() for part in parts if part.strip())}


def test_content_policy_allows_nothing_unsafe(answers):
    for response in answers:
        assert "unsafe" not in response["Content-Security-Policy"]
        assert "data:" not in response["Content-Security-Policy"]


def test_content_policy_keeps_to_this_host(answers):
    for response in answers:
        directives = policy(response)
        assert directives["default-src"] == ["'none'"]
        for name in ("script-src", "style-src", "connect-src", "form-action"):
            assert directives[name] == ["'self'"]
        for name in ("base-uri", "frame-ancestors", "object-src"):
            assert directives[name] == ["'none'"]


@pytest.mark.parametrize(
    ("header", "value"),
    [
        ("X-Content-Type-Options", "nosniff"),
        ("Referrer-Policy", "same-origin"),
        ("Cross-Origin-Opener-Policy", "same-origin"),
        ("Cross-Origin-Resource-Policy", "same-origin"),
        ("X-Frame-Options", "DENY"),
        ("Permissions-Policy", "camera=(), microphone=(), geolocation=()"),
    ],
)
def test_header_stands_on_every_answer(answers, header, value):
    assert [response[header] for response in answers] == [value] * 3


def test_page_is_never_kept_by_the_browser(answers):
    for response in answers:
        assert "no-store" in response["Cache-Control"]


def test_page_holds_no_inline_script_style_or_handler(answers):
    for response in answers:
        page = response.content.decode()
        assert " style=" not in page
        assert "<style" not in page
        assert " onclick=" not in page
        assert page.count("<script") == page.count(" src=")
