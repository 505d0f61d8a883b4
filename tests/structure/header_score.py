"""Points for the headers of one answer, by the published table.

Source: MDN HTTP Observatory, src/grader/charts.js, SCORE_TABLE and MINIMUM_SCORE_FOR_EXTRA_CREDIT
(repository mdn/mdn-http-observatory): from 100, minus what is missing, plus extras if 90 or more
are left. Counted here is what an answer can show by itself; preloading and the hash of scripts
from other hosts are left out (0 points).
"""

import re
from http.cookies import SimpleCookie

START, LEAST_FOR_EXTRAS = 100, 90
SIX_MONTHS = 15_768_000  # seconds, as in the table
SIGN_IN_COOKIES = ("session", "known")


def score(headers, cookies=None):
    """Points of an answer: its headers, and the cookies that it sets (SimpleCookie)."""
    found = [points(headers) for points in (_policy, _transport, _types, _frames, _referrer)]
    found += [_resource(headers), _cookies(cookies or SimpleCookie()), _other_origins(headers)]
    kept = START + sum(it for it in found if it < 0)
    return kept + sum(it for it in found if it > 0) if kept >= LEAST_FOR_EXTRAS else kept


def directives(headers):
    parts = headers.get("Content-Security-Policy", "").split(";")
    return {name: values for name, *values in (part.split() for part in parts if part.strip())}


def _policy(headers):
    found = directives(headers)
    if not found:
        return -25
    values = {value for name in found for value in found[name]}
    if "'unsafe-eval'" in values:
        return -10
    if any(it.startswith("'unsafe") or it in {"data:", "https:", "http:", "*"} for it in values):
        return -20
    only = found.get("form-action") in (["'self'"], ["'none'"])
    return 10 if found.get("default-src") == ["'none'"] and only else 5


def _transport(headers):
    age = re.search(r"max-age=(\d+)", headers.get("Strict-Transport-Security", ""))
    if age is None:
        return -20
    return 0 if int(age[1]) >= SIX_MONTHS else -10


def _types(headers):
    return 0 if headers.get("X-Content-Type-Options") == "nosniff" else -5


def _frames(headers):
    if directives(headers).get("frame-ancestors") in (["'none'"], ["'self'"]):
        return 5
    return 0 if headers.get("X-Frame-Options") in {"DENY", "SAMEORIGIN"} else -20


def _referrer(headers):
    private = {"no-referrer", "same-origin", "strict-origin", "strict-origin-when-cross-origin"}
    policy = headers.get("Referrer-Policy")
    return 5 if policy in private else -5 if policy else 0


def _resource(headers):
    policy = headers.get("Cross-Origin-Resource-Policy")
    return {"same-origin": 10, "same-site": 10, "cross-origin": -5}.get(policy, 0)


def _other_origins(headers):
    open_to_all = "Access-Control-Allow-Origin" in headers
    return -50 if open_to_all and "Access-Control-Allow-Credentials" in headers else 0


def _cookies(cookies):
    """The worst of the cookies that the browser keeps counts; one taken back is not kept."""
    kept = [name for name in cookies if cookies[name]["max-age"] != 0]
    return min((_cookie(name, cookies[name]) for name in kept), default=0)


def _cookie(name, cookie):
    signs_in = any(it in name for it in SIGN_IN_COOKIES)
    if signs_in and not cookie["secure"]:
        return -40
    if signs_in and not cookie["httponly"]:
        return -30
    if not cookie["secure"] or cookie["samesite"] not in {"", "Lax", "Strict"}:
        return -20
    if "csrf" in name and not cookie["samesite"]:
        return -20
    return 5 if cookie["samesite"] else 0
