"""Whether the time of an answer tells known names from unknown ones (check SS-03).

Run: `CLINIC_DEMO=yes uv run python -m tests.benchmarks.bench_sign_in` on an empty data folder
(CLINIC_DATA) after `migrate`; it makes its own accounts, with the real hash. A wrong password
under a known name and one under an unknown name take turns, in random order, so that both meet the
same moments of the machine; the same for the page that sends a link for a new password. Aim: the
95 % interval of the median gap holds 0 (OWASP ASVS 5.0.0, 6.3.8).
"""

import argparse
import os
import random
import sys
from statistics import median
from time import perf_counter

from tests.benchmarks.bench_consult import report

PEOPLE, WARM_UP = 40, 10


def take_turns(knock, pairs):
    """Milliseconds of the answers for known and for unknown names, in pairs."""
    order = random.Random(7)  # noqa: S311  # an order, no secret
    times = {"known": [], "unknown": []}
    for number in range(WARM_UP + pairs):
        for kind in order.sample(sorted(times), 2):
            start = perf_counter()
            knock(kind, number)
            times[kind].append((perf_counter() - start) * 1000)
    return times["known"][WARM_UP:], times["unknown"][WARM_UP:]


def verdict(what, known, unknown):
    """Medians, the median of the gaps of pairs with its interval, and a paired rank test."""
    from scipy.stats import bootstrap, wilcoxon

    gaps = [one - other for one, other in zip(known, unknown, strict=True)]
    found = bootstrap((gaps,), median, vectorized=False, n_resamples=2000, rng=7)
    low, high = found.confidence_interval
    p = wilcoxon(known, unknown).pvalue
    return (
        f"{what}: n={len(gaps)} pairs, medians known {median(known):.2f} ms, unknown "
        f"{median(unknown):.2f} ms, median gap {median(gaps):+.2f} ms "
        f"(95 % {low:+.2f} to {high:+.2f}), Wilcoxon p={p:.2f}"
    )


def prepared():
    """Ways to send a wrong password, and to ask for a link, under either kind of name."""
    from django.conf import settings
    from django.test import Client
    from django.urls import reverse

    from clinic.models import Staff
    from tests.factories import StaffFactory

    settings.ALLOWED_HOSTS = [*settings.ALLOWED_HOSTS, "testserver"]
    settings.SECURE_SSL_REDIRECT = False
    start = Staff.objects.count()
    names = [f"bench{start + n}" for n in range(PEOPLE)]
    for name in names:
        StaffFactory(username=name, email=f"{name}@example.org")

    def post(page, number, fields):
        browser = Client()
        address = f"10.{start % 250}.{number // 250}.{number % 250}"
        return browser.post(reverse(page), fields, REMOTE_ADDR=address)

    def name_of(kind, number):
        name = names[number % PEOPLE]
        return name if kind == "known" else name.replace("bench", "blind")

    def sign_in(kind, number):
        fields = {"login": name_of(kind, number), "password": "not the password"}
        page = post("account_login", number, fields).content.decode()
        assert "do not belong together" in page

    def ask(kind, number):
        fields = {"email": f"{name_of(kind, number)}+{number}@example.org"}
        if kind == "known":
            Staff.objects.filter(username=name_of(kind, number)).update(email=fields["email"])
        return lambda: post("account_reset_password", number, fields)

    return sign_in, ask


def run(pairs):
    sign_in, ask = prepared()
    report(verdict("wrong password", *take_turns(sign_in, pairs)))
    asked = {}

    def reset(kind, number):
        assert asked[kind, number]().status_code == 302

    for number in range(WARM_UP + pairs):
        for kind in ("known", "unknown"):
            asked[kind, number] = ask(kind, number)
    report(verdict("link for a new password", *take_turns(reset, pairs)))


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
    import django

    django.setup()
    parser = argparse.ArgumentParser()
    parser.add_argument("--pairs", type=int, default=300)
    sys.exit(run(parser.parse_args().pairs))
