"""Somebody who answers one question after another and notes each answer that was acknowledged."""

import http.client
import json
import os
import re
import time
from dataclasses import asdict, dataclass
from decimal import Decimal
from http.cookies import SimpleCookie
from urllib.parse import urlencode
from uuid import UUID

from tests.durability.places import PATIENCE
from tests.durability.serving import HOST

SAVED = "saved at"
TOKEN = re.compile(r'name="csrfmiddlewaretoken"[^>]*value="([^"]+)"')


class Browser:
    """Addresses of one server, with the cookies that it set."""

    def __init__(self, port):
        self.port, self.cookies = port, {}

    def send(self, method, address, fields=None, **headers):
        """Status and text of the answer; raises OSError or HTTPException when the line is cut."""
        line = http.client.HTTPConnection(HOST, self.port, timeout=PATIENCE)
        headers["Cookie"] = "; ".join(f"{name}={text}" for name, text in self.cookies.items())
        if fields is not None:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
            headers["X-CSRFToken"] = self.cookies.get("csrftoken", "")
        try:
            line.request(method, address, urlencode(fields) if fields else None, headers)
            answer = line.getresponse()
            text = answer.read().decode()
        finally:
            line.close()
        for one in answer.headers.get_all("Set-Cookie", []):
            self.cookies |= {name: it.value for name, it in SimpleCookie(one).items()}
        return answer.status, text

    def sign_in(self, name, password):
        _, page = self.send("GET", "/accounts/login/")
        fields = {
            "login": name,
            "password": password,
            "csrfmiddlewaretoken": TOKEN.search(page)[1],
        }
        status, page = self.send("POST", "/accounts/login/", fields)
        if status != http.HTTPStatus.FOUND:
            raise RuntimeError(f"signing in was answered with {status}: {page[:500]}")


@dataclass(frozen=True)
class Asked:
    """One cell of the assessment page and the numbers that it takes, in tenths."""

    key: str
    low: int
    high: int


@dataclass(frozen=True)
class Answer:
    """One answer as it is sent; `act` is the id that its page gave to it."""

    act: str
    key: str
    value: str
    before: str

    @property
    def fields(self):
        if self.key.startswith("w."):
            return {self.key: self.value, f"{self.key}.seen": self.before}
        return {f"{self.key}.seen": f"0;;{self.before};;", f"{self.key}.value": self.value}


class Writer:
    """Sends answers of one draft; what is not acknowledged is sent again with the same id."""

    def __init__(self, *, browser, address, cells, chance, list_file):
        self.browser, self.address, self.cells, self.chance = browser, address, cells, chance
        self.known, self.acknowledged, self.waiting, self.sent = {}, [], None, 0
        self.cut = []  # (answer, moment at which its line was cut)
        self._list = list_file

    def next_answer(self):
        """The answer that waits, else a new one that differs from what stands in its cell."""
        self.waiting = self.waiting or self._new_answer()
        return self.waiting

    def _new_answer(self):
        self.sent += 1
        act = str(UUID(int=self.chance.getrandbits(128), version=4))
        if self.chance.random() < 0.1:
            key, value = "w.words", f"Said {self.sent} things."
        else:
            cell = self.chance.choice(self.cells)
            key, value = cell.key, self._number(cell)
        return Answer(act, key, value, self.known.get(key, ""))

    def _number(self, cell):
        """A number of the cell that is not there now, written as the page shows it again."""
        while True:
            number = Decimal(self.chance.randint(cell.low, cell.high)) / 10
            text = format(number.normalize(), "f")
            if text != self.known.get(cell.key, ""):
                return text

    def send_one(self):
        """Send one answer; whether it was acknowledged. Raises when the line is cut."""
        answer = self.next_answer()
        headers = {"HX-Request": "true", "X-Act": answer.act}
        try:
            status, text = self.browser.send("POST", self.address, answer.fields, **headers)
        except (OSError, http.client.HTTPException):
            self.cut.append((answer, time.time()))
            raise
        if status >= http.HTTPStatus.INTERNAL_SERVER_ERROR:
            self.cut.append((answer, time.time()))
            return False
        if status != http.HTTPStatus.OK or SAVED not in text:
            raise RuntimeError(f"{answer} was answered with {status}: {text[:1000]}")
        self._note(answer)
        return True

    def _note(self, answer):
        self._list.write(json.dumps(asdict(answer)) + "\n")
        self._list.flush()
        os.fsync(self._list.fileno())
        self.acknowledged.append(answer)
        self.known[answer.key], self.waiting = answer.value, None
