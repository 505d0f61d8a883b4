"""Pages of letters and slips: drafting, editing, signing, printing, sending, who may."""

from datetime import UTC, date, datetime
from hashlib import sha256

import pytest
from django.urls import reverse

from clinic.domain.letter import Letter
from clinic.models import Client, Paper, TrailEntry
from exercises.domain.handout import Handout, HandoutExercise
from tests.clinic.documents.papers import pages
from tests.factories import AppointmentFactory, SiteFactory, StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.letters import bare_record, file_record, full_record
from tests.factories.people import ConsentFactory, PaperFactory

ACTS = [f"5b8a9f0e-51f6-4c1e-8a55-0a6d0f6a7a0{number}" for number in range(3)]

pytestmark = pytest.mark.django_db


@pytest.fixture
def by():
    return StaffFactory(first_name="Ines", last_name="Marlow")


@pytest.fixture
def assessment(edition, by):
    return full_record(edition, by)


@pytest.fixture
def desk(client, by):
    client.force_login(by)
    return client


@pytest.fixture
def paper(desk, assessment):
    return drafted(desk, assessment)


def drafted(desk, assessment, kind="letter", to="doctor"):
    data = {"kind": kind, "assessment": assessment.pk, "to": to}
    answer = desk.post(reverse("letter-new", args=[assessment.client_id]), data)
    assert answer.status_code == 302, answer.context["form"].errors
    return Paper.objects.latest("pk")


def typed(desk, paper, **changed):
    """What the editor posts when only `changed` was typed."""
    parts = desk.get(reverse("paper-open", args=[paper.pk])).context["parts"]
    shown = {one.name: one.field.value() or "" for one in parts}
    return shown | {f"{name}.seen": text for name, text in shown.items()} | changed


def saved(desk, paper, **changed):
    address = reverse("paper-open", args=[paper.pk])
    answer = desk.post(address, typed(desk, paper, **changed), follow=True)
    paper.refresh_from_db()
    return answer


def sign(desk, paper):
    paper.refresh_from_db()
    data = {"edits": paper.edits, "signature": PASSWORD}
    answer = desk.post(reverse("paper-sign", args=[paper.pk]), data, follow=True)
    paper.refresh_from_db()
    return [str(message) for message in answer.context["messages"]]


def acts():
    return list(
        TrailEntry.objects.filter(object_kind="paper")
        .order_by("pk")
        .values_list("action", flat=True)
    )


def test_letter_is_drafted_from_the_record_and_opened_once(desk, assessment):
    paper = drafted(desk, assessment)
    again = drafted(desk, assessment)

    assert again == paper
    assert (paper.kind, paper.about) == ("letter", f"assessment-{assessment.pk}-doctor")
    assert Letter.from_json(paper.content).why_seen.goals == ("Run 10 km, by 13 June 2027",)


def test_editor_shows_the_assembled_letter_and_its_free_parts(desk, paper):
    answer = desk.get(reverse("paper-open", args=[paper.pk]))

    text = answer.content.decode()
    assert "Over-striding (left): at contact the heel lies ahead" in text
    assert "Draft, not signed" in text
    assert answer.context["form"]["plan"].value().splitlines() == [
        "Client | Exercises at home as listed | from now on",
        "Clinic | Reassessment | by 24 March 2027",
    ]


def test_saved_parts_stand_in_the_letter_and_the_rest_stays(desk, paper):
    before = Letter.from_json(paper.content)

    saved(
        desk,
        paper,
        summary="Lands far ahead.",
        problems="Shin pain\nLow energy (uncertain)",
        plan="Client | Walk | daily | less pain\nLook again",
        concerns="That it comes back",
        agreed="no",
    )

    letter = Letter.from_json(paper.content)
    assert letter.summary == "Lands far ahead."
    assert [(one.text, one.certain) for one in letter.problems] == [
        ("Shin pain", True),
        ("Low energy", False),
    ]
    assert [(row.who, row.what, row.when, row.expected) for row in letter.plan] == [
        ("Client", "Walk", "daily", "less pain"),
        ("Clinic", "Look again", "", ""),
    ]
    assert letter.why_seen.concerns == ("That it comes back",)
    assert letter.plan_agreed is False
    assert (letter.findings, letter.changes) == (before.findings, before.changes)


def test_stale_part_is_not_saved_and_shows_both(desk, paper):
    mine = typed(desk, paper, summary="Mine")
    saved(desk, paper, summary="Theirs", if_worse="Stop")

    answer = desk.post(reverse("paper-open", args=[paper.pk]), mine | {"asked": "Advise"})

    paper.refresh_from_db()
    text = answer.content.decode()
    assert answer.status_code == 409
    assert answer.context["overtaken"] == {"summary"}
    assert ("“Theirs”" in text, ">\nMine</textarea>" in text) == (True, True)
    stands = [paper.content[name] for name in ("summary", "if_worse", "asked")]
    assert stands == ["Theirs", "Stop", "Advise"]
    desk.post(reverse("paper-open", args=[paper.pk]), mine | {"summary.seen": "Theirs"})
    paper.refresh_from_db()
    assert paper.content["summary"] == "Mine"


def by_script(desk, paper, act, **fields):
    """What the script of the page sends of one part."""
    post = {name.replace("__", "."): text for name, text in fields.items()}
    answer = desk.post(reverse("paper-open", args=[paper.pk]), post, headers={"X-Act": ACTS[act]})
    paper.refresh_from_db()
    return answer


def test_one_part_is_saved_by_script_and_drawn_with_the_letter(desk, paper):
    edits = paper.edits

    answer = by_script(desk, paper, 0, asked="Lands far ahead.", asked__seen="")

    text = answer.content.decode()
    assert (answer.status_code, paper.content["asked"]) == (200, "Lands far ahead.")
    assert "saved at" in text
    assert 'name="asked.seen" value="Lands far ahead."' in text
    assert f'name="edits"\n       value="{edits + 1}"' in text
    assert text.count("hx-swap-oob") == 3  # the letter, what is missing, the sign form's counter


def test_same_act_sent_again_writes_nothing(desk, paper):
    by_script(desk, paper, 0, asked="First", asked__seen="")
    by_script(desk, paper, 1, asked="Second", asked__seen="First")
    edits, lines = paper.edits, TrailEntry.objects.count()

    again = by_script(desk, paper, 0, asked="First", asked__seen="")

    assert again.status_code == 200
    assert 'name="asked.seen" value="Second"' in again.content.decode()
    assert (paper.content["asked"], paper.edits) == ("Second", edits)
    assert TrailEntry.objects.count() == lines


def test_two_people_in_different_parts_are_merged(desk, paper):
    by_script(desk, paper, 0, asked="Hers", asked__seen="")
    desk.force_login(StaffFactory(home_site=paper.site))

    answer = by_script(desk, paper, 1, if_worse="His", if_worse__seen=paper.content["if_worse"])

    assert answer.status_code == 200
    assert (paper.content["asked"], paper.content["if_worse"]) == ("Hers", "His")


@pytest.mark.parametrize(("choice", "stands"), [("keep", "Mine"), ("take", "Theirs")])
def test_same_part_by_script_asks_which_stands(desk, paper, choice, stands):
    by_script(desk, paper, 0, asked="Theirs", asked__seen="")

    late = by_script(desk, paper, 1, asked="Mine", asked__seen="")

    text = late.content.decode()
    assert (late.status_code, paper.content["asked"]) == (409, "Theirs")
    assert ("“Theirs”" in text, ">\nMine</textarea>" in text) == (True, True)
    assert text.count("Keep mine") == text.count("Take what is saved") == 1
    chosen = {"asked": "Mine", "asked__seen": "Theirs", f"asked__{choice}": "yes"}
    assert by_script(desk, paper, 2, **chosen).status_code == 200
    assert paper.content["asked"] == stands


def test_text_that_is_too_long_is_refused_beside_its_part(desk, paper):
    long = "x" * 4001  # the letter form takes 4000

    answer = by_script(desk, paper, 0, asked=long, asked__seen="")

    assert (answer.status_code, paper.content["asked"]) == (422, "")
    assert "at most 4000 characters" in answer.content.decode()
    assert long in answer.content.decode()


def test_part_of_a_signed_letter_is_refused_and_stays_in_its_field(desk, paper):
    sign(desk, paper)
    before = paper.content["if_worse"]

    answer = by_script(desk, paper, 0, if_worse="Later", if_worse__seen=before)

    text = answer.content.decode()
    assert (answer.status_code, paper.content["if_worse"]) == (422, before)
    assert ("This paper is signed" in text, ">\nLater</textarea>" in text) == (True, True)


def test_signed_letter_keeps_its_bytes_when_the_record_grows(desk, paper, assessment):
    assert sign(desk, paper) == ["Signed. The PDF is kept as it is now."]
    first = desk.get(reverse("paper-pdf", args=[paper.pk]))

    Client.objects.filter(pk=assessment.client_id).update(family_name="Otherwise")
    second = desk.get(reverse("paper-pdf", args=[paper.pk]))

    text = " ".join(pages(second.content))
    assert second.content == first.content
    assert ("Draft, not signed" in text, "Orla Fenwick" in text) == (False, True)
    assert "Signed on" in text
    assert "Given by the client on 10 January 2026. Limits: not to the coach" in text


def test_signed_paper_prints_the_bytes_of_the_record(desk, assessment, by):
    pdf = b"%PDF-1.7 as it was signed"
    stored = PaperFactory(
        client=assessment.client,
        state="signed",
        pdf=pdf,
        sha256=sha256(pdf).hexdigest(),
        signed_by=by,
        signed_at=datetime(2027, 3, 12, 12, tzinfo=UTC),
    )

    assert desk.get(reverse("paper-pdf", args=[stored.pk])).content == pdf


def test_draft_prints_with_its_mark_and_a_name_without_the_client(desk, paper):
    answer = desk.get(reverse("paper-pdf", args=[paper.pk]))

    assert answer["Content-Type"] == "application/pdf"
    name = f"letter-{paper.pk}-version-1.pdf"
    assert answer["Content-Disposition"] == f'inline; filename="{name}"'
    assert "Draft, not signed" in " ".join(pages(answer.content))


def test_signing_needs_consent_to_share_unless_the_client_reads_it(desk, edition, by):
    assessment = bare_record(edition, by)
    own = drafted(desk, assessment, to="client")
    saved(desk, own, summary="All well.", practice="No doctor")

    assert sign(desk, own) == ["Signed. The PDF is kept as it is now."]


def test_signing_is_refused_without_consent_to_share(desk, paper, assessment):
    assessment.client.consents.filter(purpose="sharing").update(
        withdrawn_on=date(2027, 3, 11), withdrawn_with=assessment.clinician
    )

    said = sign(desk, paper)

    assert said[0].startswith("The client has not agreed to sharing")
    assert not paper.is_signed


def test_signing_names_every_mandatory_part_that_is_empty(desk, paper):
    saved(desk, paper, summary=" ", practice="")

    assert sign(desk, paper) == [
        "Still empty: the doctor’s practice (write that there is none, if so).",
        "Still empty: the summary.",
    ]
    assert not paper.is_signed


def test_signing_names_characters_that_cannot_be_printed(desk, paper):
    saved(desk, paper, summary="All well \N{GRINNING FACE}")

    assert sign(desk, paper) == [
        "The paper cannot be printed: no letter shape for '\N{GRINNING FACE}' (U+1F600)."
    ]
    assert not paper.is_signed


def test_signing_what_was_not_seen_is_refused(desk, paper):
    answer = desk.post(reverse("paper-sign", args=[paper.pk]), {"edits": 0}, follow=True)

    assert "changed after you opened it" in answer.content.decode()
    paper.refresh_from_db()
    assert not paper.is_signed


def test_signed_letter_is_read_only(desk, paper):
    mine = typed(desk, paper, summary="Other")
    sign(desk, paper)
    before = paper.content

    desk.post(reverse("paper-open", args=[paper.pk]), mine)

    paper.refresh_from_db()
    assert paper.content == before
    assert desk.get(reverse("paper-open", args=[paper.pk])).context["form"] is None


def test_signed_letter_is_sent_to_several_and_replaced(desk, paper):
    sign(desk, paper)
    for recipient in ("Dr Ash", "Orla Fenwick"):
        data = {"recipient": recipient, "manner": "post"}
        desk.post(reverse("paper-send", args=[paper.pk]), data)
    desk.post(reverse("paper-version", args=[paper.pk]))

    following = Paper.objects.latest("pk")
    head = Letter.from_json(following.content).head
    assert list(paper.sendings.values_list("recipient", flat=True)) == ["Dr Ash", "Orla Fenwick"]
    assert (following.version, following.replaces, head.draft) == (2, paper, True)
    assert head.replaces.startswith("version 1 of ")


def test_draft_is_not_sent(desk, paper):
    data = {"recipient": "Dr Ash", "manner": "post"}

    answer = desk.post(reverse("paper-send", args=[paper.pk]), data)

    assert (answer.status_code, paper.sendings.count()) == (422, 0)


def test_every_opening_and_printing_stands_in_the_trail(desk, paper):
    for name in ("paper-open", "paper-page", "paper-pdf"):
        assert desk.get(reverse(name, args=[paper.pk])).status_code == 200

    assert acts() == ["create", "view", "view", "print"]


def test_referral_is_drafted_for_the_setting_when_nobody_is_named(desk, edition, by):
    assessment = file_record("03", edition, by)
    address = reverse("referral-new", args=[assessment.pk])
    assert "Exertional heart signs" in desk.get(address).content.decode()

    desk.post(address, {"to": "setting"})

    letter = Letter.from_json(Paper.objects.get().content)
    assert letter.to.role.startswith("Emergency service if present now")
    assert letter.referral.urgency == "the same day"


def test_referral_is_signed_once_the_client_was_asked(desk, edition, by):
    assessment = file_record("03", edition, by)
    ConsentFactory(client=assessment.client, purpose="sharing", taken_by=by)
    desk.post(reverse("referral-new", args=[assessment.pk]), {"to": "setting"})
    paper = Paper.objects.get()
    saved(desk, paper, practice="No doctor")
    assert sign(desk, paper) == ["Still empty: whether the client agreed to the referral."]

    saved(desk, paper, agreed="yes", told_meanwhile="Rest.")

    assert sign(desk, paper) == ["Signed. The PDF is kept as it is now."]
    assert Letter.from_json(paper.content).referral.told_meanwhile == "Rest."


def test_referral_that_no_rule_asks_for_needs_its_reason_and_urgency(desk, assessment):
    paper = drafted(desk, assessment, kind="referral")
    saved(desk, paper, agreed="yes", question="")
    assert sign(desk, paper) == [
        "Still empty: what is asked of the reader.",
        "Still empty: the question.",
        "Still empty: the urgency.",
    ]

    saved(desk, paper, asked="Please see.", question="Which?", urgency="routine", sent_by="post")

    referral = Letter.from_json(paper.content).referral
    assert sign(desk, paper) == ["Signed. The PDF is kept as it is now."]
    assert (referral.urgency, referral.sent_by) == ("routine", "post")


def test_referral_never_goes_to_the_client(desk, assessment):
    data = {"kind": "referral", "assessment": assessment.pk, "to": "client"}

    answer = desk.post(reverse("letter-new", args=[assessment.client_id]), data)

    assert answer.context["form"].errors == {"to": ["A referral letter goes to a professional."]}


PAPER_PAGES = ["paper-open", "paper-pdf", "paper-page"]


@pytest.mark.parametrize("role", ["reception", "manager"])
@pytest.mark.parametrize("name", PAPER_PAGES)
def test_letters_are_for_clinicians_only(client, paper, name, role):
    client.force_login(StaffFactory(role=role))

    assert client.get(reverse(name, args=[paper.pk])).status_code == 403


@pytest.mark.parametrize("name", PAPER_PAGES)
def test_letters_of_another_site_are_not_found(client, paper, name):
    client.force_login(StaffFactory(home_site=SiteFactory(code="QX", name="Quay")))

    assert client.get(reverse(name, args=[paper.pk])).status_code == 404


def test_letters_of_another_site_are_neither_drafted_nor_signed(client, paper, assessment):
    client.force_login(StaffFactory(home_site=SiteFactory(code="QX", name="Quay")))

    assert client.get(reverse("letter-new", args=[assessment.client_id])).status_code == 404
    assert client.get(reverse("referral-new", args=[assessment.pk])).status_code == 404
    for name in ("paper-sign", "paper-send", "paper-version"):
        assert client.post(reverse(name, args=[paper.pk])).status_code == 404


@pytest.mark.parametrize("name", PAPER_PAGES)
def test_letters_ask_to_sign_in(client, name):
    assert client.get(reverse(name, args=[1])).status_code == 302


@pytest.mark.parametrize("sendings", [1, 40])
def test_paper_open_queries_do_not_grow(desk, paper, sendings, django_assert_num_queries):
    sign(desk, paper)
    for number in range(sendings):
        data = {"recipient": f"Reader {number}", "manner": "post"}
        desk.post(reverse("paper-send", args=[paper.pk]), data)

    desk.get(reverse("paper-page", args=[paper.pk]))  # takes the waiting messages

    with django_assert_num_queries(13):
        answer = desk.get(reverse("paper-open", args=[paper.pk]))

    assert answer.content.count(b"Reader ") == sendings


# Handouts


def test_handout_opens_with_its_figures_and_is_not_edited_here(desk, paper, assessment):
    handout = Handout(
        head=Letter.from_json(paper.content).head,
        exercises=(
            HandoutExercise(
                "side_plank_hold", "Side plank", "Why", "Start", ("Lift.",), ("Long",), "Feel",
                "3 holds", "None", figure_alt="Two pictures",
            ),
        ),
    )  # fmt: skip
    stored = PaperFactory(
        client=assessment.client, kind="handout", content=handout.to_json(), title="Your exercises"
    )

    answer = desk.get(reverse("paper-open", args=[stored.pk]))
    printed = desk.get(reverse("paper-pdf", args=[stored.pk]))

    text = answer.content.decode()
    assert answer.context["form"] is None
    assert ("<svg" in text, "Side plank" in text) == (True, True)
    assert "Draft, not signed" in " ".join(pages(printed.content))
    assert sign(desk, stored) == ["This paper is signed where it is issued."]


# Slips


@pytest.fixture
def appointment(assessment):
    return AppointmentFactory(
        client=assessment.client,
        clinician=assessment.clinician,
        site=assessment.site,
        local_date=date(2031, 4, 8),
        starts_at=datetime(2031, 4, 8, 8, tzinfo=UTC),
        ends_at=datetime(2031, 4, 8, 8, 45, tzinfo=UTC),
    )


@pytest.mark.parametrize("role", ["reception", "clinician", "manager"])
def test_slip_says_when_and_where_for_every_role(client, appointment, role):
    client.force_login(StaffFactory(role=role))

    answer = client.get(reverse("slip-print", args=[appointment.pk]))
    page = client.get(reverse("slip-page", args=[appointment.pk])).content.decode()

    text = " ".join(pages(answer.content))
    for words in ("Tuesday 8 April 2031", "09:00 to 09:45 (45 minutes)", "Ines Marlow", "Room 1"):
        assert words in text
        assert words in page
    name = f"slip-{appointment.pk}.pdf"
    assert answer["Content-Disposition"] == f'inline; filename="{name}"'
    assert TrailEntry.objects.filter(action="print", object_kind="appointment").count() == 1


def test_slip_says_no_word_about_health(client, appointment):
    client.force_login(StaffFactory(role="reception"))

    text = " ".join(pages(client.get(reverse("slip-print", args=[appointment.pk])).content))

    for word in ("shin", "Over-striding", "Penicillin", "Reassessment", "exercise", "hold"):
        assert word.casefold() not in text.casefold()


def test_slip_of_another_site_is_not_found(client, appointment):
    client.force_login(
        StaffFactory(role="reception", home_site=SiteFactory(code="QX", name="Quay"))
    )

    assert client.get(reverse("slip-print", args=[appointment.pk])).status_code == 404
    assert client.get(reverse("slip-page", args=[appointment.pk])).status_code == 404
