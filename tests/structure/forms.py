"""The forms of a page as a browser would send them, read from its HTML."""

from dataclasses import dataclass, field
from urllib.parse import urljoin

from django.urls import resolve
from lxml import html

UNSENT_TYPES = {"submit", "button", "image", "reset", "file"}
WORDS = {
    "date": "2026-03-12",
    "time": "10:00",
    "email": "someone@example.org",
    "number": "1",
    "tel": "01632 960 100",
    "url": "https://example.org/",
}


@dataclass
class Form:
    """Where it goes, how, its fields with values that pass as far as the page tells."""

    page: str
    to: str
    method: str
    fields: dict[str, str] = field(default_factory=dict)
    buttons: list[tuple[str, str]] = field(default_factory=list)

    @property
    def kind(self):
        """Forms of one kind go to one view with the same fields."""
        name = resolve(self.to.partition("?")[0]).view_name
        return name, self.method, tuple(sorted(self.fields))

    def send(self, browser, **changed):
        values = self.fields | changed
        if self.method == "get":
            return browser.get(self.to, values)
        return browser.post(self.to, values)


def forms_of(page, address):
    """Every form of the page and every part that is saved by itself."""
    tree = html.fromstring(page)
    found = []
    for one in tree.iter("form"):
        to = urljoin(address, one.get("action") or address)
        form = Form(address, to, (one.get("method") or "get").lower())
        own = [*one.iter(), *tree.xpath("//*[@form=$id]", id=one.get("id") or "-")]
        found.append(_filled(form, own))
    found += [
        _filled(Form(address, urljoin(address, unit.get("data-to")), "post"), unit.iter())
        for unit in tree.xpath("//*[@data-unit][@data-to]")
    ]
    return [form for form in found if form.fields]


def _filled(form, nodes):
    for node in nodes:
        name = node.get("name")
        if node.tag == "button" and name:
            form.buttons.append((name, node.get("value") or ""))
        if not name or name == "csrfmiddlewaretoken":
            continue
        if node.tag == "textarea":
            form.fields[name] = node.text or _needed(node, "some words")
        elif node.tag == "select":
            form.fields[name] = _chosen(node)
        elif node.tag == "input" and node.get("type", "text") not in UNSENT_TYPES:
            _take_input(form, node, name)
    return form


def _take_input(form, node, name):
    kind = node.get("type", "text")
    if kind in {"radio", "checkbox"}:
        if node.get("checked") is not None or name not in form.fields:
            form.fields[name] = node.get("value") or "on"
        return
    form.fields[name] = node.get("value") or _needed(node, WORDS.get(kind, "some words"))


def _needed(node, words):
    return words if node.get("required") is not None else ""


def _chosen(node):
    options = node.xpath(".//option")
    taken = [it for it in options if it.get("selected") is not None and it.get("value")]
    full = [it for it in options if it.get("value")]
    return next((it.get("value") for it in (*taken, *full)), "")
