"""Figure pairs are drawn once a process, from the poses of the edition."""

from xml.etree import ElementTree

import pytest

from exercises import editions, figure_cache
from exercises.domain.figures import svg

pytestmark = pytest.mark.django_db
SVG = "{http://www.w3.org/2000/svg}"


def test_every_exercise_of_the_edition_has_its_figure(edition):
    for code, exercise in editions.edition_of(edition.pk).exercises.items():
        tree = ElementTree.fromstring(  # noqa: S314  # our own drawing
            figure_cache.figure_svg(edition.pk, code)
        )

        assert tree.tag == f"{SVG}svg"
        assert tree.findtext(f"{SVG}title") == exercise.name


def test_the_picture_is_that_of_the_pair(edition):
    pair = figure_cache.figure_pair(edition.pk, "hip_thrust")

    assert pair.code == "hip_thrust"
    assert figure_cache.figure_svg(edition.pk, "hip_thrust") == svg(pair)


def test_unknown_exercise_is_refused(edition):
    with pytest.raises(KeyError):
        figure_cache.figure_pair(edition.pk, "no_such_exercise")


def test_the_second_picture_asks_the_database_nothing(edition, django_assert_num_queries):
    with django_assert_num_queries(2):  # tables of the edition, poses
        first = figure_cache.figure_svg(edition.pk, "hip_thrust")

    with django_assert_num_queries(0):
        assert figure_cache.figure_svg(edition.pk, "hip_thrust") is first
        figure_cache.figure_svg(edition.pk, "split_squat")


def test_forgetting_editions_forgets_their_figures(edition, django_assert_num_queries):
    figure_cache.figure_svg(edition.pk, "hip_thrust")

    editions.forget()

    with django_assert_num_queries(2):
        figure_cache.figure_svg(edition.pk, "hip_thrust")
