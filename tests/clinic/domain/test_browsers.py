"""Browsers in words; the headers were read from the programs themselves, from memory."""

import pytest

from clinic.domain.browsers import browser_words

ENGINE = "AppleWebKit/537.36 (KHTML, like Gecko)"
CASES = {
    f"Mozilla/5.0 (Windows NT 10.0; Win64; x64) {ENGINE} Chrome/140.0 Safari/537.36": (
        "Chrome on Windows"
    ),
    f"Mozilla/5.0 (Windows NT 10.0; Win64; x64) {ENGINE} Chrome/140.0 Safari/537.36 Edg/140.0": (
        "Edge on Windows"
    ),
    "Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0": "Firefox on Linux",
    "Mozilla/5.0 (Linux; Android 15; Mobile; rv:140.0) Gecko/140.0 Firefox/140.0": (
        "Firefox on Android"
    ),
    "Mozilla/5.0 (iPad; CPU OS 18_0 like Mac OS X) Version/18.0 Safari/604.1": "Safari on iPad",
    "curl/8.0 (Linux)": "another program on Linux",
    "Chrome/140.0": "Chrome",
    "": "another program",
}


@pytest.mark.parametrize("header", CASES)
def test_browser_is_named(header):
    assert browser_words(header) == CASES[header]
