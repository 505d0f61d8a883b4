"""The pages of retention: lists, one record, legal holds, refusals, and a destruction by two.

Sources: NHS Records Management Code of Practice 2021, 5.2 to 5.4 and appendix II; GDPR, article
17(3); HL7 EHR-S FM R2.1, RI.1.2.2#03 to #04.
"""

from datetime import date, timedelta
from uuid import uuid4

import pytest
import time_machine
from django.core.cache import cache
from django.urls import reverse
from django.utils import timezone

from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Client, Destruction, LegalHold, RecordRequest, TrailEntry
from clinic.services import legal_holds
from clinic.services.record_requests import note_request
from clinic.web import destroying, retaining
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.consult import make_screening
from tests.factories.limits import restrict
from tests.factories.people import AlertFactory, RecordLinkFactory
from tests.factories.retention import (
    LATER,
    OVER,
    STREET,
    TwoPeople,
    waiting_review,
    whole_record,
)
from tests.structure.doors import World, our_doors

pytestmark = pytest.mark.django_db
LONG_AGO = date(2010, 3, 1)
REASON = "Nobody asked for it since, and the clinician agrees."


@pytest.fixture(autouse=True)
def _fresh():
    yield
    cache.clear()


@pytest.fixture
def two():
    return TwoPeople()


@pytest.fixture
def runner(two):
    return old(two.first.home_site, family_name="Quillfeather")


@pytest.fixture
def office(client, two):
    client.force_login(two.second)
    return client


def old(site, **fields):
    fields = {"birth_date": date(1980, 4, 12), "registered_on": LONG_AGO} | fields
    return ClientFactory(site=site, **fields)


def text(response):
    return " ".join(response.content.decode().split())


def page_of(browser, name, *args, **kwargs):
    return browser.get(reverse(name, args=args), **kwargs)


def send(browser, name, pk, **typed):
    return browser.post(reverse(name, args=[pk]), typed)


def reviewed(runner, by, basis="over"):
    return retaining.review(client=runner, basis=basis, reason=OVER, by=by)


def asked(runner, by, kind="erasure"):
    return note_request(
        client=runner,
        by=by,
        kind=kind,
        received_on=timezone.localdate(),
        manner="written",
        about="record",
        words="Erase what you have about me.",
    )


def confirmation(browser, found, **changes):
    """What the page of a destruction posts when it is filled in rightly."""
    page = page_of(browser, "destruction-confirm", found.pk)
    stamp = page.context["stamp"]
    return {"number": found.client.number, "signature": PASSWORD, "seen": stamp} | changes


# the list


def test_list_says_what_is_due_and_by_which_rule(office, runner):
    make_screening(runner, StaffFactory(home_site=runner.site), date(2012, 6, 1))

    page = text(page_of(office, "retention-list"))

    assert "Quillfeather" in page
    for words in (runner.number, "12 Apr 1980", "1 Jun 2012", "1 Jun 2020"):
        assert words in page
    assert "8 years after the end of care" in page
    assert "In GB (the clinic’s country setting) a record is kept 8 years" in page
    assert "Local rules and the advice of your professional body come first" in page


def test_list_is_paged_by_fifty_the_longest_overdue_first(office, two):
    for number in range(51):
        old(two.first.home_site, registered_on=LONG_AGO + timedelta(days=50 - number))

    first = page_of(office, "retention-list")
    second = office.get(reverse("retention-list"), {"part": "due", "page": 2})

    days = [one.kept.until for one in first.context["page"]]
    assert (len(days), days[0]) == (50, date(2018, 3, 1))
    assert days == sorted(days)
    assert [one.kept.until for one in second.context["page"]] == [date(2018, 4, 20)]
    assert "Due for review: 51" in text(first)


@pytest.mark.parametrize("part", ["due", "waiting", "holds", "destroyed"])
@pytest.mark.parametrize("rows", [1, 40])
def test_each_list_asks_as_often_for_one_as_for_forty(
    office, two, part, rows, django_assert_num_queries
):
    whole = [old(two.first.home_site) for _ in range(rows)]
    for runner in whole:
        if part == "holds":
            legal_holds.set_legal_hold(client=runner, reason="A claim", by=two.first)
        elif part == "waiting":
            reviewed(runner, two.first)
        elif part == "destroyed":
            two.destroy(runner)

    with django_assert_num_queries(10 if part == "due" else 12):
        page = office.get(reverse("retention-list"), {"part": part})

    assert len(page.context["page"].object_list) == rows
    assert sum(part == name and count == str(rows) for name, _, count in page.context["parts"])


def test_an_unknown_part_shows_what_is_due(office, runner):
    page = office.get(reverse("retention-list"), {"part": "other", "page": "x"})

    assert "Quillfeather" in text(page)


def test_more_than_a_hundred_are_not_counted_on_other_parts(office, two, monkeypatch):
    for module in ("clinic.web.due_records", "clinic.web.views.retention"):
        monkeypatch.setattr(f"{module}.MOST", 2)
    for _ in range(4):
        old(two.first.home_site)

    where = reverse("retention-list")
    assert "Due for review: 4" in text(office.get(where))
    assert "Due for review: more than 2" in text(office.get(where, {"part": "holds"}))


def test_reviewer_is_told_that_a_second_person_confirms(client, office, two, runner):
    both = StaffFactory(home_site=runner.site, role=Role.MANAGER)
    reviewed(runner, both)
    where = reverse("retention-list") + "?part=waiting"
    sentence = "You reviewed this: a second person confirms."
    assert sentence not in text(office.get(where))

    client.force_login(both)

    assert sentence in text(client.get(where))


def test_other_sites_are_not_listed(client, two):
    site = SiteFactory(code="QY", name="Quayside")
    runner, held, gone = (old(site, family_name="Elsewhere") for _ in range(3))
    there = TwoPeople(site)
    legal_holds.set_legal_hold(client=held, reason="A claim", by=there.first)
    number = there.destroy(gone).client.number
    reviewed(runner, there.first)
    parts = ("due", "waiting", "holds", "destroyed")

    def lists(staff):
        client.force_login(staff)
        return [text(client.get(reverse("retention-list"), {"part": part})) for part in parts]

    # each of the three stands in a list of those who work there
    assert sum("Elsewhere" in page or number in page for page in lists(there.second)) == 3
    assert not any("Elsewhere" in page or number in page for page in lists(two.second))


def test_restricted_records_are_counted_and_not_named(office, two, runner):
    where, word = reverse("retention-list"), "Quillfeather"
    due = old(runner.site, family_name="Quillfeather")
    for part, make in (
        ("holds", lambda: legal_holds.set_legal_hold(client=runner, reason=word, by=two.first)),
        ("waiting", lambda: waiting_review(runner, two.first)),
    ):
        make()
        assert word in text(office.get(where, {"part": part}))
    found = Destruction.objects.get()
    assert word in text(office.get(where, {"part": "due"}))
    for one in (runner, due):
        restrict(one, two.first)

    pages = [text(office.get(where, {"part": part})) for part in ("due", "waiting", "holds")]

    assert [word in page for page in pages] == [False] * 3
    assert all("2 restricted records of your sites are not open to you" in page for page in pages)
    assert page_of(office, "destruction-open", found.pk).status_code == 404
    assert page_of(office, "retention-open", runner.pk).status_code == 404


# one record


def test_record_says_how_it_stands(office, two, runner):
    make_screening(runner, two.first, date(2012, 6, 1))

    page = text(page_of(office, "retention-open", runner.pk))

    assert "1 Jun 2020, 8 years after the end of care" in page
    assert "is over" in page
    assert '<td>Screenings</td> <td class="num">1</td>' in page
    assert "Review: may be destroyed" in page
    line = TrailEntry.objects.filter(client=runner).latest("pk")
    assert (line.action, line.actor) == (TrailAction.VIEW, two.second)


def test_joined_records_are_named_and_reviewed_together(office, two, runner):
    other = old(runner.site)
    make_screening(other, two.first, date(2012, 6, 1))
    RecordLinkFactory(kept=runner, joined=other)

    page = text(page_of(office, "retention-open", runner.pk))

    assert reverse("retention-open", args=[other.pk]) in page
    assert "1 Jun 2020, 8 years after the end of care" in page
    found = reviewed(runner, two.first)
    page = send(office, "destruction-confirm", found.pk, **confirmation(office, found))
    assert f"Review {other.number} as well" in text(page)
    assert Client.objects.get(pk=runner.pk).destroyed_on is None


@pytest.mark.parametrize("rows", [1, 40])
def test_record_asks_as_often_for_one_row_as_for_forty(
    office, two, runner, rows, django_assert_num_queries
):
    for number in range(rows):
        AlertFactory(client=runner)
        hold = legal_holds.set_legal_hold(client=runner, reason=f"Claim {number}", by=two.first)
        legal_holds.end_legal_hold(hold=hold, reason="Settled", by=two.first)
        retaining.keep(destruction=reviewed(runner, two.first), reason="Not yet.", by=two.second)

    with django_assert_num_queries(14):
        page = page_of(office, "retention-open", runner.pk)

    assert len(page.context["decided"]) == rows


def test_a_running_period_offers_no_review(office, two):
    runner = ClientFactory(site=two.first.home_site)
    make_screening(runner, two.first, timezone.localdate())

    page = text(page_of(office, "retention-open", runner.pk))

    assert "still runs" in page
    assert "Review:" not in page
    assert "Refuse a wish to be erased" in page
    answer = page_of(office, "retention-review", runner.pk)
    assert answer.url == reverse("retention-open", args=[runner.pk])


def test_record_registered_by_mistake_may_be_reviewed_at_once(office, two):
    runner = ClientFactory(site=two.first.home_site)

    send(office, "retention-review", runner.pk, basis="mistake", reason="Typed in twice.")

    assert runner.destructions.get().basis == "mistake"
    # the period runs, so it is no record whose period is over
    other = ClientFactory(site=two.first.home_site)
    page = send(office, "retention-review", other.pk, basis="over", reason="Typed in twice.")
    assert "basis" in page.context["form"].errors


def test_link_stands_on_the_record_and_the_request(office, two, runner):
    where = reverse("retention-open", args=[runner.pk])
    row = asked(runner, two.first)

    assert where in text(page_of(office, "client-open", runner.pk))
    assert where in text(page_of(office, "record-request-open", row.pk))
    reception = StaffFactory(home_site=runner.site, role=Role.RECEPTION)
    office.force_login(reception)
    assert where not in text(page_of(office, "client-open", runner.pk))


# legal holds


def test_legal_hold_is_set_and_ended_with_reasons(office, two, runner):
    answer = send(office, "legal-hold-new", runner.pk, reason="Claim of 3 May")
    assert answer.url == reverse("retention-open", args=[runner.pk])

    page = text(page_of(office, "retention-open", runner.pk))
    assert "Claim of 3 May" in page
    assert "nothing of the record is destroyed" in page
    assert "Review: may be destroyed" not in page
    hold = LegalHold.objects.get()

    send(office, "legal-hold-end", hold.pk, reason="Settled on 1 June")

    hold.refresh_from_db()
    assert (hold.end_reason, hold.ended_by) == ("Settled on 1 June", two.second)


def test_legal_hold_without_a_reason_says_so_beside_it(office, runner):
    page = send(office, "legal-hold-new", runner.pk, reason=" ")

    assert page.context["form"].errors["reason"]
    assert LegalHold.objects.count() == 0


def test_end_of_a_legal_hold_without_a_reason_says_so_beside_it(office, two, runner):
    hold = legal_holds.set_legal_hold(client=runner, reason="A claim", by=two.first)

    page = send(office, "legal-hold-end", hold.pk, reason=" ")

    assert page.context["form"].errors["reason"]
    hold.refresh_from_db()
    assert hold.ended_on is None


def test_joined_record_can_have_a_legal_hold_of_its_own(office, two, runner):
    other = old(runner.site)
    RecordLinkFactory(kept=runner, joined=other)
    legal_holds.set_legal_hold(client=other, reason="A claim", by=two.first)

    page = text(page_of(office, "retention-open", runner.pk))

    assert "nothing of the record is destroyed" in page
    assert reverse("legal-hold-new", args=[runner.pk]) in page


def test_second_legal_hold_is_refused_and_what_was_typed_stays(office, two, runner):
    legal_holds.set_legal_hold(client=runner, reason="A claim", by=two.first)

    page = send(office, "legal-hold-new", runner.pk, reason="Another claim")

    assert "stands already" in text(page)
    assert "Another claim" in text(page)


def test_legal_hold_that_ended_is_not_ended_again(office, two, runner):
    hold = legal_holds.set_legal_hold(client=runner, reason="A claim", by=two.first)
    legal_holds.end_legal_hold(hold=hold, reason="Settled", by=two.first)

    assert page_of(office, "legal-hold-end", hold.pk).status_code == 302
    page = send(office, "legal-hold-end", hold.pk, reason="Again")
    assert "has ended already" in text(page)


# reviews by the first person


def test_clinician_reviews_where_there_is_one_manager(client, two, runner):
    client.force_login(two.first)

    answer = send(client, "retention-review", runner.pk, basis="over", reason=REASON)

    found = Destruction.objects.get()
    assert answer.url == reverse("retention-open", args=[runner.pk])
    assert (found.reviewed_by, found.reason, found.decision) == (two.first, REASON, "")
    page = text(page_of(client, "retention-open", runner.pk))
    assert "waits for a second person" in page
    assert "Review: may be destroyed" not in page
    # nothing is reviewed twice
    again = page_of(client, "retention-review", runner.pk)
    assert again.url == reverse("retention-open", args=[runner.pk])


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"basis": "", "reason": REASON}, "basis"),
        ({"basis": "over", "reason": " "}, "reason"),
        ({"basis": "over", "reason": "x" * 301}, "reason"),
        ({"basis": "over", "reason": "Quillfeather asked"}, "reason"),
        ({"basis": "again", "reason": REASON}, "basis"),
    ],
)
def test_wrong_review_says_so_beside_the_field(office, runner, typed, field):
    page = send(office, "retention-review", runner.pk, **typed)

    assert field in page.context["form"].errors
    assert typed["reason"].strip() in text(page)
    assert Destruction.objects.count() == 0


def test_review_that_is_sent_twice_is_kept_once(office, runner):
    typed = {"basis": "over", "reason": REASON, "act": str(uuid4())}

    answers = [send(office, "retention-review", runner.pk, **typed) for _ in range(2)]

    where = reverse("retention-open", args=[runner.pk])
    assert [answer.url for answer in answers] == [where, where]
    assert Destruction.objects.count() == 1


def test_record_is_kept_until_a_day_by_one_person(office, two, runner):
    to = timezone.localdate() + timedelta(days=90)

    answer = send(office, "retention-keep", runner.pk, keep_to=to.isoformat(), reason="A study.")

    assert answer.url == reverse("retention-open", args=[runner.pk])
    found = Destruction.objects.get()
    assert (found.decision, found.keep_to, found.decided_by) == ("kept", to, two.second)
    assert "Quillfeather" not in text(page_of(office, "retention-list"))
    page = text(page_of(office, "retention-open", runner.pk))
    assert "it is asked again the day after" in page
    assert "Review: keep until" not in page


@pytest.mark.parametrize(
    ("day", "words"),
    [
        ("", "Fill this in"),
        ("1.1.2020", "in the future"),
        ("31.2.2031", "a day that exists"),
        ("1.1.2099", "At most until 1 March 2030"),
    ],
)
def test_wrong_day_says_so_beside_it_and_nothing_is_lost(office, runner, day, words):
    page = send(office, "retention-keep", runner.pk, keep_to=day, reason="A study runs.")

    assert words in str(page.context["form"].errors["keep_to"])
    assert "A study runs." in text(page)
    # the review that goes before it is undone with it
    assert Destruction.objects.count() == 0


def test_two_people_who_review_in_the_same_moment(office, two, runner, monkeypatch):
    """The second one opened the form before the first one sent it."""
    monkeypatch.setattr("clinic.web.views.retention._waits", lambda client: False)
    reviewed(runner, two.first)

    page = send(office, "retention-review", runner.pk, basis="over", reason=REASON)

    assert "a second person decides" in text(page)
    assert REASON in text(page)
    assert Destruction.objects.count() == 1


# a wish to be erased


def test_refusal_gives_the_sentence_and_fills_in_the_answer(office, two):
    runner = ClientFactory(site=two.first.home_site)
    make_screening(runner, two.first, timezone.localdate())
    row = asked(runner, two.first)
    step = reverse("record-request-step", args=[row.pk, "decide"])
    assert "We must keep it" not in text(office.get(step))

    answer = send(office, "erasure-refuse", runner.pk, reason="The period runs.")

    found = Destruction.objects.get()
    assert answer.url == reverse("destruction-open", args=[found.pk])
    sentence = retaining.answer_words(found)
    assert "UK GDPR, article 17(3)" in sentence
    page = text(office.get(answer.url))
    assert sentence in page
    assert step in page
    form = office.get(step).context["form"]
    assert (form["outcome"].value(), form["answer"].value()) == ("denied", sentence)


def test_refusal_of_another_time_or_request_fills_in_nothing(office, two):
    runner = ClientFactory(site=two.first.home_site, registered_on=date(2024, 1, 1))
    with time_machine.travel(timezone.now() - timedelta(days=2), tick=False):
        retaining.refuse_erasure(client=runner, reason="The period runs.", by=two.first)

    def filled_in(kind):
        row = asked(runner, two.first, kind)
        form = page_of(office, "record-request-step", row.pk, "decide").context["form"]
        return form["answer"].value()

    assert filled_in("erasure") is None
    retaining.refuse_erasure(client=runner, reason="The period runs.", by=two.first)
    assert filled_in("erasure")
    assert filled_in("copy") is None


def test_refusal_without_a_noted_request_leads_to_noting_it(office, two):
    runner = ClientFactory(site=two.first.home_site)
    found = retaining.refuse_erasure(client=runner, reason="The period runs.", by=two.first)

    page = text(page_of(office, "destruction-open", found.pk))

    assert RecordRequest.objects.count() == 0
    assert reverse("record-request-new", args=[runner.pk]) in page


def test_wish_after_the_period_is_reviewed_and_not_refused(office, runner):
    answer = page_of(office, "erasure-refuse", runner.pk)

    assert answer.url == reverse("retention-open", args=[runner.pk])
    page = send(office, "retention-review", runner.pk, basis="asked", reason="By letter.")
    assert page.status_code == 302
    assert Destruction.objects.get().basis == "asked"


def test_refusal_that_names_the_client_is_refused_beside_the_field(office, two):
    runner = ClientFactory(site=two.first.home_site, family_name="Quillfeather")

    page = send(office, "erasure-refuse", runner.pk, reason="Quillfeather must wait")

    assert "Leave the client’s name out" in str(page.context["form"].errors["reason"])


# the second person


def test_page_says_what_goes_and_that_it_cannot_be_undone(office, two, runner):
    AlertFactory(client=runner)
    found = reviewed(runner, two.first)

    page = text(page_of(office, "destruction-confirm", found.pk))

    assert "It cannot be undone" in page
    assert "when it is restored the record is destroyed again" in page
    assert '<td>Alerts</td> <td class="num">1</td>' in page
    assert runner.number in page
    assert OVER in page


def test_record_goes_and_the_stub_stays(edition, office, two, settings):
    runner = whole_record(edition, two.first)
    number, name = runner.number, runner.family_name
    found = two.review(runner)
    open_page = reverse("client-open", args=[runner.pk])
    with time_machine.travel(LATER, tick=False):
        office.force_login(two.second)
        assert office.get(open_page).status_code == 200
        typed = confirmation(office, found)

        answer = send(office, "destruction-confirm", found.pk, **typed)

        stub = text(office.get(answer.url))
        listed = text(office.get(reverse("retention-list"), {"part": "destroyed"}))
        gone = office.get(open_page).status_code
    assert answer.url == reverse("destruction-open", args=[found.pk])
    for page in (stub, listed):
        assert number in page
        assert name not in page
        assert STREET not in page
    assert "1 Jun 2061" in stub
    assert str(two.first) in stub
    assert str(two.second) in stub
    assert '<td>Addenda to assessments</td> <td class="num">1</td>' in stub
    assert gone == 404
    line = TrailEntry.objects.get(action=TrailAction.DESTROY)
    assert line.actor == two.second


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({"number": "ML99999"}, "number", "not the number of this record"),
        ({"number": ""}, "number", "Fill this in"),
        ({"signature": "guessed wrongly here"}, "signature", "password"),
        ({"signature": ""}, "signature", "Write your password"),
    ],
)
def test_wrong_confirmation_says_so_beside_the_field(office, two, runner, typed, field, words):
    found = reviewed(runner, two.first)

    page = send(office, "destruction-confirm", found.pk, **confirmation(office, found, **typed))

    assert list(page.context["form"].errors) == [field]
    assert words in str(page.context["form"].errors[field])
    found.refresh_from_db()
    assert found.decision == ""
    assert Client.objects.get(pk=runner.pk).family_name == "Quillfeather"


def test_entry_made_meanwhile_is_shown_before_it_goes(office, two, runner):
    found = reviewed(runner, two.first)
    typed = confirmation(office, found)
    AlertFactory(client=runner)

    page = send(office, "destruction-confirm", found.pk, **typed)

    assert "entered after you opened this page" in text(page)
    assert '<td>Alerts</td> <td class="num">1</td>' in text(page)
    assert Client.objects.get(pk=runner.pk).destroyed_on is None
    again = typed | {"seen": page.context["stamp"]}
    assert send(office, "destruction-confirm", found.pk, **again).status_code == 302
    assert Client.objects.get(pk=runner.pk).destroyed_on


def test_page_without_its_stamp_destroys_nothing(office, two, runner):
    found = reviewed(runner, two.first)

    page = send(office, "destruction-confirm", found.pk, number=runner.number, signature=PASSWORD)

    assert "look again" in text(page)
    assert Client.objects.get(pk=runner.pk).destroyed_on is None


def test_visit_after_the_review_ends_it(office, two, runner):
    found = reviewed(runner, two.first)
    make_screening(runner, two.first, timezone.localdate())

    page = send(office, "destruction-confirm", found.pk, **confirmation(office, found))

    assert "the client came again" in text(page)
    assert Client.objects.get(pk=runner.pk).destroyed_on is None


def test_legal_hold_set_after_the_review_stops_it(office, two, runner):
    found = reviewed(runner, two.first)
    shown = text(page_of(office, "retention-open", runner.pk))
    assert reverse("legal-hold-new", args=[runner.pk]) in shown
    assert reverse("retention-review", args=[runner.pk]) not in shown
    send(office, "legal-hold-new", runner.pk, reason="A claim")

    page = send(office, "destruction-confirm", found.pk, **confirmation(office, found))

    assert "A legal hold stands" in text(page)
    assert Client.objects.get(pk=runner.pk).destroyed_on is None


def test_reviewer_cannot_confirm_and_can_take_it_back(client, two, runner):
    both = StaffFactory(home_site=runner.site, role=Role.MANAGER)
    found = reviewed(runner, both)
    client.force_login(both)
    where = reverse("destruction-open", args=[found.pk])

    page = text(client.get(where))
    answer = send(client, "destruction-confirm", found.pk, number=runner.number)

    assert "You reviewed this: a second person confirms." in page
    assert reverse("destruction-confirm", args=[found.pk]) not in page
    assert answer.url == where
    send(client, "destruction-keep", found.pk, reason="Looked at the wrong one.")
    found.refresh_from_db()
    assert found.decision == "refused"


def test_clinician_says_no_and_cannot_confirm(client, two, runner):
    found = reviewed(runner, two.second)
    client.force_login(two.first)

    page = text(page_of(client, "destruction-open", found.pk))

    assert reverse("destruction-confirm", args=[found.pk]) not in page
    assert page_of(client, "destruction-confirm", found.pk).status_code == 403
    answer = send(client, "destruction-keep", found.pk, reason="She comes back in spring.")
    assert answer.url == reverse("retention-open", args=[runner.pk])
    found.refresh_from_db()
    assert (found.decision, found.decided_by) == ("refused", two.first)


def test_no_to_a_wish_after_the_period_is_a_decision_and_no_refusal_by_law(office, two, runner):
    row = asked(runner, two.first)
    found = reviewed(runner, two.first, basis="asked")
    send(office, "destruction-keep", found.pk, reason="She comes back in spring.")

    page = text(page_of(office, "destruction-open", found.pk))
    step = page_of(office, "record-request-step", row.pk, "decide")

    found.refresh_from_db()
    assert (found.decision, found.refuses_erasure) == ("refused", False)
    assert "You asked us to erase your record" not in page
    assert f"by {two.second}" in page
    assert "She comes back in spring." in page
    assert not step.context["form"].initial.get("answer")


def test_second_person_keeps_it_until_a_day(office, two, runner):
    found, to = reviewed(runner, two.first), timezone.localdate() + timedelta(days=30)

    wrong = send(office, "destruction-keep", found.pk, reason="A study.", keep_to="1.1.2020")
    assert "in the future" in str(wrong.context["form"].errors["keep_to"])
    assert "A study." in text(wrong)
    missing = send(office, "destruction-keep", found.pk, reason="", keep_to=to.isoformat())
    assert missing.context["form"].errors["reason"]
    send(office, "destruction-keep", found.pk, reason="A study.", keep_to=to.isoformat())

    found.refresh_from_db()
    assert (found.decision, found.keep_to) == ("kept", to)
    page = text(page_of(office, "destruction-open", found.pk))
    assert "kept longer until" in page
    assert "Go on to destroy it" not in page


def test_two_managers_at_once(office, client, two, runner):
    third = StaffFactory(home_site=runner.site, role=Role.MANAGER)
    found = reviewed(runner, two.first)
    typed = confirmation(office, found)
    retaining.keep(destruction=found, reason="A claim is likely.", by=third)

    answer = office.post(reverse("destruction-confirm", args=[found.pk]), typed, follow=True)

    assert "decided already" in text(answer)
    assert "A claim is likely." in text(answer)
    assert Client.objects.get(pk=runner.pk).destroyed_on is None


def test_second_manager_finds_the_stub(office, two, runner):
    third = StaffFactory(home_site=runner.site, role=Role.MANAGER)
    found = reviewed(runner, two.first)
    typed = confirmation(office, found)
    destroying.confirm(destruction=found, by=third)

    for name in ("destruction-confirm", "destruction-keep"):
        answer = office.post(reverse(name, args=[found.pk]), typed, follow=True)
        assert "decided already" in text(answer)
        assert f"Record {runner.number} was destroyed" in text(answer)
    assert TrailEntry.objects.filter(action=TrailAction.DESTROY).count() == 1


def test_confirmation_that_is_sent_twice_is_done_once(office, two, runner):
    found = reviewed(runner, two.first)
    typed = confirmation(office, found, act=str(uuid4()))

    answers = [send(office, "destruction-confirm", found.pk, **typed) for _ in range(2)]

    where = reverse("destruction-open", args=[found.pk])
    assert [answer.url for answer in answers] == [where, where]
    assert "decided already" not in text(office.get(where))
    assert TrailEntry.objects.filter(action=TrailAction.DESTROY).count() == 1


def test_stub_is_seen_at_its_site_only(client, two, runner):
    found = reviewed(runner, two.first)
    destroying.confirm(destruction=found, by=two.second)
    stranger = StaffFactory(home_site=SiteFactory(code="QY", name="Quay"), role=Role.MANAGER)
    where = reverse("destruction-open", args=[found.pk])

    client.force_login(two.second)
    assert client.get(where).status_code == 200
    client.force_login(stranger)
    assert client.get(where).status_code == 404


# the address of a record that is gone


def test_every_page_of_a_destroyed_record_is_as_if_it_had_never_been(client, edition, two):
    """Every page whose address names a client first, for every role, against an unknown number."""
    site, runner = two.first.home_site, old(two.first.home_site)
    doors = [door for door in our_doors() if door.route.startswith("clients/<")]
    staff = [StaffFactory(home_site=site, role=role) for role in Role]
    world = World(two.first, edition)
    here, nowhere = {}, {}
    for door in doors:
        rest = {name: world[word, name] for word, name in door.arguments[1:]}
        key = door.arguments[0][1]
        here[door.name] = reverse(door.name, kwargs=rest | {key: runner.pk})
        nowhere[door.name] = reverse(door.name, kwargs=rest | {key: 10**9})
    client.force_login(two.first)
    assert client.get(here["client-open"]).status_code == 200
    destroying.confirm(destruction=reviewed(runner, two.first), by=two.second)

    assert len(doors) >= 20
    for one in staff:
        client.force_login(one)
        for name in here:
            answers = [client.get(where[name]).status_code for where in (here, nowhere)]
            assert answers[0] == answers[1] != 200, (name, one)
            assert answers[0] in {403, 404, 405}, (name, one)


# the manager's first page


def test_first_page_says_how_many_are_due_and_wait(office, two, runner):
    page = text(page_of(office, "today"))
    assert "1 record is due for review." in page
    reviewed(runner, two.first)

    page = text(page_of(office, "today"))

    assert "No record is due for review, " in page
    assert "1 waits for a second person" in page
    assert f"{reverse('retention-list')}?part=waiting" in page


def test_first_page_of_others_says_nothing_of_it(client, two, runner):
    client.force_login(two.first)

    assert "due for review" not in text(page_of(client, "today"))
