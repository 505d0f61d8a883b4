"""Figure pairs of an edition, drawn once a process: an edition never changes."""

import json
from collections.abc import Mapping
from functools import lru_cache

from clinic.services.editions import texts_of
from exercises import editions
from exercises.domain.figure_shapes import Drawing
from exercises.domain.figures import drawing, svg
from exercises.domain.poses import PosePair
from exercises.domain.reading_poses import read_poses

KEPT_EDITIONS = 4
KEPT_PAIRS = KEPT_EDITIONS * 50


@lru_cache(maxsize=KEPT_EDITIONS)
def _poses(edition_id: int) -> Mapping[str, PosePair]:
    return read_poses(json.loads(texts_of(edition_id)["poses.json"]))


@lru_cache(maxsize=KEPT_PAIRS)
def figure_pair(edition_id: int, code: str) -> Drawing:
    """The figure pair of an exercise; KeyError for a code that the edition lacks."""
    name = editions.edition_of(edition_id).exercises[code].name
    return drawing(_poses(edition_id)[code], name)


@lru_cache(maxsize=KEPT_PAIRS)
def figure_svg(edition_id: int, code: str) -> str:
    """The same as one SVG element without style or script, safe to print in a page."""
    return svg(figure_pair(edition_id, code))


def forget() -> None:
    """Drop what is kept in the process (tests roll editions back)."""
    for kept in (_poses, figure_pair, figure_svg):
        kept.cache_clear()


editions.DROPPED_TOO.append(forget)
