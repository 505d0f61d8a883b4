"""Episodes and goals: rules, pages, lines in the trail, doors."""

from datetime import UTC, date, datetime

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.urls import reverse

from assessments.forms.episodes import WORDS, choices_of, words_of
from assessments.models import Assessment, Episode, Goal
from assessments.services import episodes
from clinic.domain.vocabulary import Role
from clinic.models import Referrer, TrailEntry
from clinic.services.people import StaleError
from tests.factories import ClientFactory, ReferrerFactory, SiteFactory, StaffFactory
from tests.factories.people import AssessmentFactory, EpisodeFactory, GoalFactory

TODAY = date(2026, 6, 1)
FIELDS = {"reason": "my knee aches on hills", "opened_on": date(2026, 5, 1)}
TYPED = {
    "reason": "my knee aches on hills",
    "opened_on": "1.5.2026",
    "complaint_present": "yes",
    "complaint_region": "knee_front",
    "complaint_side": "left",
    "goal": "return_to_running",
    "onset_on": "1.4.2026",
    "mechanism": "more hills",
    "goals-TOTAL_FORMS": "2",
    "goals-INITIAL_FORMS": "0",
    "goals-0-text": "run ten kilometres",
    "goals-0-by": "1.9.2026",
}


@pytest.fixture(autouse=True)
def one_day():
    with time_machine.travel(datetime(2026, 6, 1, 10, tzinfo=UTC), tick=False):
        yield


@pytest.fixture
def staff(db, client):
    staff = StaffFactory()
    client.force_login(staff)
    return staff


def line(action):
    return TrailEntry.objects.filter(action=action).latest("pk")


# services


def test_an_episode_is_opened_with_its_goals(staff):
    runner = ClientFactory()

    episode = episodes.open_episode(
        client=runner, by=staff, goals=[Goal(text="run ten kilometres")], **FIELDS
    )

    assert (episode.clinician, episode.site, episode.version) == (staff, runner.site, 1)
    assert [goal.text for goal in episode.goals.all()] == ["run ten kilometres"]
    assert line("create").detail == {"goals": 1}
    assert line("create").client == runner


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        ({"opened_on": date(2026, 6, 2)}, "opened_on"),
        ({"onset_on": date(2026, 5, 2)}, "onset_on"),
        ({"reason": ""}, "reason"),
        ({"complaint_present": "no", "complaint_region": "calf"}, "__all__"),
        ({"complaint_side": "none"}, "complaint_side"),
        ({"discharged_on": date(2026, 4, 1)}, "opened_on"),
    ],
)
def test_a_wrong_episode_is_refused_whole(staff, wrong, place):
    with pytest.raises(ValidationError) as refusal:
        episodes.open_episode(client=ClientFactory(), by=staff, **(FIELDS | wrong))

    assert place in refusal.value.error_dict
    assert not Episode.objects.exists()
    assert not TrailEntry.objects.exists()


def test_a_referrer_of_another_site_is_refused(staff):
    far = ReferrerFactory(site=SiteFactory(code="HR", name="Harbour Road"))

    with pytest.raises(ValidationError, match="list of this site"):
        episodes.open_episode(client=ClientFactory(), by=staff, referrer=far, **FIELDS)


@pytest.mark.parametrize("day", [date(2026, 5, 31), date(2026, 6, 2)])
def test_a_goal_is_reached_between_its_day_and_today(staff, day):
    goal = Goal(text="run", set_on=TODAY, reached_on=day)

    with pytest.raises(ValidationError, match="reached between"):
        episodes.open_episode(client=ClientFactory(), by=staff, goals=[goal], **FIELDS)

    assert not Episode.objects.exists()


def signed(episode, edition):
    assessment = AssessmentFactory(episode=episode, edition=edition)
    Assessment.objects.filter(pk=assessment.pk).update(
        signed_at=datetime(2026, 2, 2, 9, tzinfo=UTC), signed_by=episode.clinician
    )


def test_a_complaint_changed_after_a_signature_says_so_in_the_trail(staff, edition):
    episode = EpisodeFactory(client=ClientFactory(), clinician=staff)
    AssessmentFactory(episode=episode, edition=edition)
    signed(episode, edition)

    episodes.change_episode(
        episode=episode, seen=1, by=staff, complaint_present="no", reason=episode.reason
    )

    episode.refresh_from_db()
    assert (episode.complaint_present, episode.version) == ("no", 2)
    assert line("change").detail == {
        "fields": ["complaint_present"],
        "goals": 0,
        "signed_assessments": 1,
    }


def test_other_fields_do_not_touch_what_was_signed(staff, edition):
    episode = EpisodeFactory(client=ClientFactory(), clinician=staff)
    signed(episode, edition)

    episodes.change_episode(episode=episode, seen=1, by=staff, easing="rest")

    assert line("change").detail["signed_assessments"] == 0


def test_a_stale_change_writes_neither_fields_nor_goals(staff):
    episode = EpisodeFactory(client=ClientFactory(), version=2)
    goal = GoalFactory(episode=episode)
    goal.text = "walk"

    with pytest.raises(StaleError):
        episodes.change_episode(episode=episode, seen=1, by=staff, goals=[goal], easing="rest")

    goal.refresh_from_db()
    assert goal.text == "run ten kilometres"
    assert not TrailEntry.objects.exists()


def test_an_episode_is_discharged_once(staff):
    episode = EpisodeFactory(client=ClientFactory())

    episodes.discharge_episode(episode=episode, by=staff, on=TODAY, reason="goal reached")

    episode.refresh_from_db()
    assert (episode.discharged_on, episode.discharge_reason) == (TODAY, "goal reached")
    assert episode.version == 2
    assert line("change").detail == {"fields": ["discharge_reason", "discharged_on"]}
    with pytest.raises(ValidationError, match="discharged already"):
        episodes.discharge_episode(episode=episode, by=staff, on=TODAY, reason="again")


@pytest.mark.parametrize(
    ("on", "reason", "place"),
    [
        (date(2026, 6, 2), "done", "on"),
        (date(2026, 1, 9), "done", "on"),
        (TODAY, " ", "reason"),
    ],
)
def test_a_wrong_discharge_is_refused(staff, on, reason, place):
    episode = EpisodeFactory(client=ClientFactory())

    with pytest.raises(ValidationError) as refusal:
        episodes.discharge_episode(episode=episode, by=staff, on=on, reason=reason)

    assert list(refusal.value.error_dict) == [place]


# choices


def test_every_choice_of_the_tables_is_offered_in_words(edition):
    from assessments.editions import tables_of

    tables = tables_of(edition.pk)
    offered = dict(choices_of(tables, "complaint_region") + choices_of(tables, "goal"))

    # fixtures/history.csv, column choices of the two facts
    assert len(offered) == 1 + 17 + 4
    assert set(WORDS) <= set(offered)
    assert [words for words in offered.values() if "_" in words] == []
    assert words_of("calf") == "calf"


def test_without_tables_nothing_can_be_chosen():
    assert choices_of(None, "goal") == [("", "not said")]


# pages


def errors_of(response):
    return {name: list(errors) for name, errors in response.context["form"].errors.items()}


def test_an_episode_is_opened_on_its_page(client, staff, edition):
    runner = ClientFactory()

    response = client.post(reverse("episode-new", args=[runner.pk]), TYPED)

    assert response.url == reverse("client-open", args=[runner.pk])
    episode = Episode.objects.get()
    assert (episode.complaint_region, episode.complaint_side) == ("knee_front", "left")
    assert episode.goals.get().by == date(2026, 9, 1)


@pytest.mark.parametrize(
    ("wrong", "places"),
    [
        ({"complaint_present": "no"}, ["complaint_region", "complaint_side"]),
        ({"onset_on": "2.5.2026"}, ["onset_on"]),
        ({"opened_on": "2.6.2026"}, ["opened_on"]),
        ({"complaint_region": "elbow"}, ["complaint_region"]),
        ({"reason": ""}, ["reason"]),
    ],
)
def test_a_mistake_stands_beside_its_field_and_all_typed_stays(
    client, staff, edition, wrong, places
):
    response = client.post(reverse("episode-new", args=[ClientFactory().pk]), TYPED | wrong)

    assert sorted(errors_of(response)) == places
    assert 'value="more hills"' in response.content.decode()
    assert 'value="run ten kilometres"' in response.content.decode()
    assert not Episode.objects.exists()


def test_a_goal_before_today_is_refused_beside_its_field(client, staff, edition):
    response = client.post(
        reverse("episode-new", args=[ClientFactory().pk]), TYPED | {"goals-0-by": "1.5.2026"}
    )

    assert list(response.context["goals"].errors[0]) == ["by"]
    assert not Episode.objects.exists()


def test_a_goal_has_words(client, staff, edition):
    response = client.post(
        reverse("episode-new", args=[ClientFactory().pk]), TYPED | {"goals-0-text": ""}
    )

    assert response.context["goals"].errors[0] == {"text": ["Name the goal."]}
    assert not Episode.objects.exists()


def test_an_episode_is_edited_with_its_goals(client, staff, edition):
    episode = EpisodeFactory(client=ClientFactory(), clinician=staff)
    goal = GoalFactory(episode=episode)
    own = {"version": 1, "goals-INITIAL_FORMS": "1", "goals-0-id": goal.pk}

    client.post(
        reverse("episode-edit", args=[episode.pk]),
        TYPED | own | {"goals-0-reached_on": "1.6.2026", "goals-1-text": "race in autumn"},
    )

    assert list(episode.goals.order_by("pk").values_list("text", "reached_on")) == [
        ("run ten kilometres", TODAY),
        ("race in autumn", None),
    ]


def test_a_goal_of_another_episode_cannot_be_edited(client, staff, edition):
    episode = EpisodeFactory(client=ClientFactory(), clinician=staff)
    goal = GoalFactory(episode=EpisodeFactory(client=ClientFactory(), clinician=staff))
    other = {"version": 1, "goals-INITIAL_FORMS": "1", "goals-0-id": goal.pk}

    client.post(
        reverse("episode-edit", args=[episode.pk]), TYPED | other | {"goals-0-text": "mine now"}
    )

    goal.refresh_from_db()
    assert (goal.text, goal.episode_id == episode.pk) == ("run ten kilometres", False)


def test_a_code_of_an_older_edition_stays_choosable(client, staff, edition):
    episode = EpisodeFactory(client=ClientFactory(), complaint_region="old_place")

    form = client.get(reverse("episode-edit", args=[episode.pk])).context["form"]

    assert ("old_place", "old place") in form.fields["complaint_region"].choices


def test_a_stale_edit_shows_both_and_keeps_the_goals_typed(client, staff, edition):
    episode = EpisodeFactory(client=ClientFactory(), clinician=staff)
    Episode.objects.filter(pk=episode.pk).update(version=2, goal="performance")
    where = reverse("episode-edit", args=[episode.pk])

    stale = client.post(where, TYPED | {"version": 1})

    clashes = {it["name"]: (it["stored"], it["typed"]) for it in stale.context["clashes"]}
    assert stale.status_code == 409
    assert clashes["goal"] == ("running better", "back to running")
    assert not Goal.objects.exists()

    client.post(where, dict(stale.context["typed"]) | {"keep-goal": "stored"})
    episode.refresh_from_db()
    assert (episode.goal, episode.complaint_region) == ("performance", "knee_front")
    assert Goal.objects.get().text == "run ten kilometres"


def test_a_referrer_is_added_on_the_way_and_goals_come_back(client, staff, edition):
    where = reverse("episode-new", args=[ClientFactory().pk])

    away = client.post(where, TYPED | {"add_referrer": "yes"})
    client.post(away.url, {"name": "Coach Vale", "kind": "coach"})
    page = client.get(where)

    assert page.context["form"]["referrer"].value() == str(Referrer.objects.get().pk)
    assert page.context["form"]["mechanism"].value() == "more hills"
    assert 'value="run ten kilometres"' in page.content.decode()


def test_an_episode_is_discharged_on_its_page(client, staff):
    episode = EpisodeFactory(client=ClientFactory(), clinician=staff)
    where = reverse("episode-discharge", args=[episode.pk])
    assert list(errors_of(client.post(where, {"on": "1.6.2026"}))) == ["reason"]
    early = client.post(where, {"on": "9.1.2026", "reason": "done"})
    assert list(errors_of(early)) == ["on"]

    response = client.post(where, {"on": "1.6.2026", "reason": "done"})

    assert response.url == reverse("client-open", args=[episode.client_id])
    again = client.post(where, {"on": "1.6.2026", "reason": "done"})
    assert errors_of(again) == {"__all__": ["This episode was discharged already."]}


# doors


def address(name):
    runner = ClientFactory()
    return reverse(
        name, args=[runner.pk if name == "episode-new" else EpisodeFactory(client=runner).pk]
    )


@pytest.mark.parametrize("name", ["episode-new", "episode-edit", "episode-discharge"])
def test_doors(client, staff, name):
    where = address(name)
    assert client.get(where).status_code == 200

    client.force_login(StaffFactory(home_site=SiteFactory(code="HR", name="Harbour Road")))
    assert client.get(where).status_code == 404

    for role in (Role.RECEPTION, Role.MANAGER):
        client.force_login(StaffFactory(role=role))
        assert client.get(where).status_code == 403

    client.logout()
    assert client.get(where).url.startswith(reverse("account_login"))
