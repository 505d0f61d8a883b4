"""What is typed to break a page, and what must come of it.

Each payload begins with a mark of its own, so that it is found again wherever it went: raw in the
database, and sign by sign on the page (OWASP ASVS 5.0.0, 1.2.1 to 1.3.6, 2.2.2).
"""

import html
import json
import logging
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime

import lxml.html
from django.db import connection, transaction

MARKS = {
    "script": "<script>alert(1)</script>",
    "attribute": '" onfocus="alert(1)" autofocus x=\'',
    "image": "<img src=x onerror=alert(1)>",
    "address": "javascript:alert(1)//",
    "template": "{{ request.user.password }}{% now 'Y' %}{% widthratio 7 1 2 %}",
    "sql": "'; DROP TABLE clinic_client; -- \" OR 1=1",
    "paper": "<b>bold</b><font size=40>&amp;<img src=file:///etc/passwd/>",
    "entity": "&lt;b&gt; & < > &#60;",
    "turned": "\u202eevil\u202c \u200f\u2066x\u2069",
    "null": "a\0b",
    "combining": "Z" + "\u0301" * 60,
    "lines": "a\r\n{'level': 'INFO'}\x1b[2K b",
    "path": "../../../../etc/passwd",
    "long": "x" * 4000,
}
TEXTS = {name: f"Qz{name}7{rest}" for name, rest in MARKS.items()}
# what a spreadsheet would run, and numbers that are none or too much
BARE = [
    "=1+1",
    "+1+1",
    "-1+1",
    "@SUM(1)",
    "NaN",
    "Infinity",
    "-Infinity",
    "1e9",
    "1e400",
    "1e-400",
    "-1",
    "99999999999999999999",
    "12,5",
    "12 kg",
    "٣",
    "\uff11\uff12",
    "2026-02-30",
    "0000-00-00",
    "999999-01-01",
    "",
]
ALL = [*TEXTS.values(), *BARE]
WRITES = ("INSERT", "UPDATE")
# split into its lines where a line is an entry
PARTED = {"Qzlines7"}
# the year and 14, as the template would print them
EVALUATED = f"{datetime.now(tz=UTC).year}14"
BORN = (
    "//script[contains(text(), 'alert(1)')] | //*[@onfocus or @onerror or @onload] | //font"
    " | //*[starts-with(@href, 'javascript:') or starts-with(@src, 'file:')] | //img[@src='x']"
)


@dataclass
class Outcome:
    """What was counted, and what went wrong: the page, the field, the payload, what happened."""

    tried: int = 0
    stored: int = 0
    shown: int = 0
    faults: list[tuple[str, str, str, str]] = field(default_factory=list)


class Writes:
    """What goes to the tables while it stands."""

    def __init__(self):
        self.params = []

    def __call__(self, execute, sql, params, many, context):
        if sql.startswith(WRITES):
            self.params.append((sql, [str(it) for it in params or ()]))
        return execute(sql, params, many, context)


class Broken(logging.Handler):
    """Keeps the error pages that were drawn."""

    def __init__(self):
        super().__init__(logging.ERROR)
        self.kinds = []

    def emit(self, record):
        self.kinds.append(repr(record.exc_info[1]) if record.exc_info else record.getMessage())


@contextmanager
def undone():
    """What happens inside is as if it had not been."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def try_out(browser, form, name, payload, outcome):
    """Send one payload in one field and look at what came of it."""
    writes, broken = Writes(), Broken()
    log = logging.getLogger("clinic.web.views.errors")
    log.addHandler(broken)
    outcome.tried += 1

    def wrong(what):
        outcome.faults.append((form.to, name, payload[:60], what))

    try:
        with undone(), connection.execute_wrapper(writes):
            answer = form.send(browser, **{name: payload})
            if answer.status_code in {301, 302} and answer.url.startswith("/"):
                pages = [answer, browser.get(answer.url)]
            else:
                pages = [answer]
    finally:
        log.removeHandler(broken)
    for kind in broken.kinds:
        wrong(kind)
    if answer.status_code >= 500:
        wrong(str(answer.status_code))
    mark = mark_of(payload)
    if mark:
        outcome.stored += looked_for_in_tables(writes.params, mark, payload, wrong)
        outcome.shown += sum(looked_for_on_page(it, mark, payload, wrong) for it in pages)


def mark_of(payload):
    return payload.partition("7")[0] + "7" if payload.startswith("Qz") else ""


def looked_for_in_tables(params, mark, payload, wrong):
    """1 if it was stored; whatever was stored is what was typed, and no free text in the trail."""
    found = 0
    for sql, values in params:
        for value in values:
            if mark not in value:
                continue
            found = 1
            if "clinic_trailentry" in sql[:60]:
                wrong("in the trail")
            alike = value.replace("\r\n", "\n")
            if mark not in PARTED and not any(it in alike for it in kept_forms(payload)):
                wrong(f"stored as {value[:80]!r}")
    return found


def kept_forms(payload):
    """As it is, as forms trim and lower it, and within a text of JSON."""
    for text in (payload, payload.strip(), payload.casefold()):
        yield text
        yield json.dumps(text)[1:-1]
        yield json.dumps(text, ensure_ascii=False)[1:-1]


def looked_for_on_page(answer, mark, payload, wrong):
    """1 if the page shows the whole of it; nothing of it has become markup or was evaluated."""
    if not answer.headers.get("Content-Type", "").startswith("text/html"):
        return 0
    page = answer.content.decode()
    if mark not in page:
        return 0
    for born in born_of_payloads(page):
        wrong(f"became {born}")
    if EVALUATED in page:
        wrong("was evaluated")
    return int(any(it in html_of(page) for it in (payload, payload.strip())))


def html_of(page):
    """The page with its signs read."""
    return html.unescape(page)


def born_of_payloads(page):
    """Elements and attributes that only a payload can have made."""
    tree = lxml.html.fromstring(page)
    return [lxml.html.tostring(it)[:120] for it in tree.xpath(BORN)]
