"""Every exercise has a figure pair that fits its crop, its words, and plain SVG."""

import csv
import json
from math import pi
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from exercises.domain.figure_looks import ACCENT, LOOKS, PAPER
from exercises.domain.figure_shapes import (
    Box,
    Role,
    arc,
    arrow,
    bow,
    cut_short,
    direction,
    extent,
    hatch,
    hull,
    path_length,
)
from exercises.domain.figures import FRAME_MM, TALLEST, drawing, svg
from exercises.domain.poses import Camera, FrameName, PairKind, View, Zoom, skeleton
from exercises.domain.reading_poses import read_poses

ROOT = Path(__file__).resolve().parents[3]
PAIRS = read_poses(json.loads((ROOT / "fixtures/poses.json").read_text()))
with (ROOT / "fixtures/exercises.csv").open(newline="") as file:
    NAMES = {row["code"]: row["name"] for row in csv.DictReader(file)}
SVG = "{http://www.w3.org/2000/svg}"
BODY = {Role.OUTLINE, Role.FAR, Role.TRUNK, Role.NEAR, Role.HEAD, Role.HAIR, Role.FACE}
ARROWS = {Role.ARROW, Role.ARROW_EDGE, Role.ARROW_HEAD}


@pytest.fixture(params=sorted(PAIRS))
def pair(request):
    return PAIRS[request.param]


@pytest.fixture
def figure(pair):
    return drawing(pair, NAMES[pair.code])


def holds(box, shape):
    inner = extent(shape)
    return (
        box.left <= inner.left
        and inner.right <= box.right
        and box.bottom <= inner.bottom
        and inner.top <= box.top
    )


def roles(frame):
    return {shape.role for shape in frame.shapes}


def test_library_and_poses_name_the_same_exercises():
    assert sorted(PAIRS) == sorted(NAMES)


def test_both_frames_show_a_body_inside_the_crop(pair, figure):
    whole = pair.zoom is Zoom.WHOLE
    for frame in figure.frames:
        drawn = [shape for shape in frame.shapes if shape.role in BODY]
        assert len(drawn) > 4
        outside = [shape for shape in drawn if not holds(figure.box, shape)]
        assert outside == [] or not whole
        assert all(extent(shape).touches(figure.box) for shape in frame.shapes)


def test_zoomed_points_lie_inside_the_crop(pair, figure):
    names = ["ankle", "heel", "ball", "toe", "big_toe"]
    for frame in FrameName:
        points = skeleton(pair.pose(frame), pair.view, pair.camera)
        for name in names:
            x, y = points[f"right_{name}"]
            assert figure.box.left < x < figure.box.right
            assert figure.box.bottom < y < figure.box.top


def test_arrows_lie_inside_the_crop(figure):
    arrows = [s for frame in figure.frames for s in frame.shapes if s.role in ARROWS]

    assert len(arrows) >= 4
    assert [shape for shape in arrows if not holds(figure.box, shape)] == []


def test_frames_are_not_much_taller_than_wide(figure):
    assert figure.box.height <= figure.box.width * TALLEST + 1e-9


@pytest.mark.parametrize(
    ("kind", "captions"),
    [
        (PairKind.MOVEMENT, ["start", "end"]),
        (PairKind.ALTERNATE, ["one way", "other way"]),
        (PairKind.CONTRAST, ["not like this", "like this"]),
    ],
)
def test_captions_follow_the_kind_of_pair(kind, captions):
    of_kind = [p for p in PAIRS.values() if p.kind is kind]

    assert of_kind
    for pair in of_kind:
        assert [f.caption for f in drawing(pair, "x").frames] == captions


def test_only_what_to_avoid_is_crossed_out(pair, figure):
    start, end = figure.frames
    avoided = pair.kind is PairKind.CONTRAST

    assert ({Role.CROSS, Role.EDGE_AVOID} <= roles(start)) == avoided
    assert roles(end) & {Role.CROSS, Role.EDGE_AVOID} == set()


def test_floor_is_drawn_unless_seen_from_above(pair, figure):
    floor = Role.FLOOR in roles(figure.frames[0])

    assert floor == (pair.camera is Camera.LEVEL or pair.view is View.FRONT) or (
        pair.zoom is Zoom.LOWER_LEG  # its crop begins above the floor, on the step
    )


def test_far_limbs_show_only_where_the_side_view_has_them(pair, figure):
    far = any(Role.FAR in roles(frame) for frame in figure.frames)

    if pair.zoom in {Zoom.FOOT, Zoom.LOWER_LEG}:
        assert not far
    elif pair.view is View.SIDE:
        assert far


@pytest.mark.parametrize(
    ("code", "view"),
    [
        ("strides", "from the side"),
        ("clam", "from the front"),
        ("side_lying_trunk_rotation", "from above"),
        ("ball_squeeze_heel_raise", "from behind, both lower legs only"),
    ],
)
def test_alt_names_view_and_exercise(code, view):
    alt = drawing(PAIRS[code], NAMES[code]).alt

    assert alt.startswith(f"Two pictures of a person seen {view}: {NAMES[code]}. ")


def test_alt_of_a_contrast_is_whole():
    assert drawing(PAIRS["wider_line_run"], "Run beside the line").alt == (
        "Two pictures of a person seen from the front: Run beside the line. "
        "The first picture, crossed out, shows how not to do it, the second how to do it."
    )


def test_alt_names_what_is_needed():
    assert drawing(PAIRS["straight_knee_calf_raise"], "Calf raise").alt.endswith(
        " Beside the person: a step, a wall."
    )


def test_svg_is_well_formed_and_says_what_it_shows(figure):
    root = ET.fromstring(svg(figure))  # noqa: S314 - our own text

    assert root.get("role") == "img"
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert (title.text, desc.text) == (figure.title, figure.alt)
    assert root.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}"
    words = [text.text for text in root.iter(f"{SVG}text")]
    assert words == [frame.caption for frame in figure.frames]


def test_svg_has_no_style_and_draws_every_shape_in_its_class(figure):
    root = ET.fromstring(svg(figure))  # noqa: S314 - our own text
    frames = root.findall(f"{SVG}svg")

    assert [e for e in root.iter() if "style" in e.attrib or e.tag == f"{SVG}style"] == []
    for frame, drawn in zip(figure.frames, frames, strict=True):
        assert [e.get("class") for e in drawn] == [f"figure-{s.role}" for s in frame.shapes]


def test_svg_fits_its_view(figure):
    root = ET.fromstring(svg(figure, captions=False))  # noqa: S314 - our own text
    _, _, width, height = map(float, root.get("viewBox").split())

    assert width == pytest.approx(2 * FRAME_MM + 3)
    assert height == pytest.approx(figure.box.height / figure.box.width * FRAME_MM, abs=0.01)
    assert list(root.iter(f"{SVG}text")) == []


def test_svg_escapes_names_and_takes_a_prefix():
    text = svg(drawing(PAIRS["strides"], "Fast & <easy>"), prefix="page2")

    assert '<title id="page2-strides-title">Fast &amp; &lt;easy&gt;</title>' in text


def luminance(colour):
    """Relative luminance of sRGB (WCAG 2.2, definition)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_tones_read_without_colour():
    """Graphics need 3:1 (WCAG 2.2, 1.4.11): arrow to its edge, near to far limb."""
    assert contrast(ACCENT, PAPER) > 7
    assert contrast(LOOKS[Role.NEAR].fill, LOOKS[Role.FAR].fill) > 3
    assert contrast(LOOKS[Role.OUTLINE].fill, LOOKS[Role.TRUNK].fill) > 3


def test_bow_bends_to_the_right_of_the_way():
    """Travelling up, right is +x; a quadratic reaches half its control point: 0.25 of 0.5."""
    points = bow((0.0, 0.0), (0.0, 1.0), 0.5)

    assert points[8] == pytest.approx((0.25, 0.5))
    assert (points[0], points[-1]) == ((0.0, 0.0), (0.0, 1.0))


def test_hull_drops_what_lies_inside():
    big = hull([((0.0, 0.0), 1.0)])

    assert hull([((0.0, 0.0), 1.0), ((0.1, 0.0), 0.2)]) == big
    assert max(x for x, _ in big) == pytest.approx(1.0)


def test_hatch_lines_rise_inside_a_square():
    lines = hatch(((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)), 0.2)

    assert len(lines) == 7
    for line in lines:
        (x, y), (to_x, to_y) = line.points
        assert to_x - x == pytest.approx(to_y - y)
        assert all(-1e-9 <= v <= 1 + 1e-9 for v in (x, y, to_x, to_y))


def test_cut_short_takes_from_the_end():
    line = ((0.0, 0.0), (1.0, 0.0), (2.0, 0.0))

    assert cut_short(line, 0.5) == ((0.0, 0.0), (1.0, 0.0), (1.5, 0.0))
    assert cut_short(line, 1.25) == ((0.0, 0.0), (0.75, 0.0))
    assert cut_short(((1.0, 1.0), (1.0, 1.0)), 1.0) == ((1.0, 1.0), (1.0, 1.0))


def test_arrow_ends_at_its_tip_and_keeps_a_shaft():
    shaft, head = arrow(((0.0, 0.0), (0.1, 0.0)), 1.0)[2:]

    assert head.points[0] == (0.1, 0.0)
    assert path_length(shaft.points) == pytest.approx(0.1 - 0.06 * 0.8)


def test_direction_of_no_way_is_to_the_right():
    assert direction((0.3, 0.3), (0.3, 0.3)) == (1.0, 0.0)
    assert direction((0.0, 0.0), (0.0, 2.0)) == (0.0, 1.0)


def test_arc_runs_from_start_through_turn():
    points = arc((1.0, 1.0), 2.0, 0.0, pi)

    assert points[0] == pytest.approx((3.0, 1.0))
    assert points[len(points) // 2] == pytest.approx((1.0, 3.0))
    assert points[-1] == pytest.approx((-1.0, 1.0))


def test_boxes_touch_or_not():
    box = Box(0, 0, 1, 1)

    assert box.touches(Box(1, 1, 2, 2))
    assert not box.touches(Box(1.1, 0, 2, 1))
    assert not box.touches(Box(0, 1.1, 1, 2))
