"""Only the fields of a form are stored, whatever else is sent (OWASP ASVS 5.0.0, 15.3.3)."""

from django.apps import apps
from django.db import connection

from tests.structure.payloads import Writes, undone
from tests.structure.test_payloads import site  # noqa: F401  # the fixture

# a text, a number, a key, a moment and a switch that no form sends by itself
SENT = {
    "text": "Qzextra7",
    "number": "777777",
    "moment": "2001-02-03T04:05:06Z",
    "day": "2001-02-03",
}
APPS = ("clinic", "assessments", "exercises", "auth", "mfa", "account")


def extra_names():
    """Every column of every table, by both its names."""
    return {
        name
        for model in apps.get_models()
        if model._meta.app_label in APPS
        for field in model._meta.concrete_fields
        for name in (field.name, field.attname)
    }


def kept(writes, sent):
    """The statements that took what was sent; the trail and sessions keep no fields."""
    return [
        sql[:60]
        for sql, params in writes.params
        if "django_session" not in sql and any(sent in value for value in params)
    ]


def test_fields_that_a_form_has_not_are_never_stored(site):  # noqa: F811
    names, tried, found = extra_names(), 0, []
    forms = [(tab, form) for tab, form in site.forms() if form.method == "post"]
    # a page saves its parts one by one: what another part of it sends is a field of the page
    of_page = {}
    for _, form in forms:
        of_page.setdefault(form.to.partition("?")[0], set()).update(form.fields)
    for tab, form in forms:
        for sent in SENT.values():
            known = of_page[form.to.partition("?")[0]]
            more = dict.fromkeys(names - known, sent)
            writes = Writes()
            with undone(), connection.execute_wrapper(writes):
                answer = form.send(tab, **more)
            tried += len(more)
            assert answer.status_code < 500, (form.to, sent)
            found += [(form.to, sent, sql) for sql in kept(writes, sent)]

    assert found == []
    assert (len(forms) >= 100, tried >= 50_000) == (True, True)
