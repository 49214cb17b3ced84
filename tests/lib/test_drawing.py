"""Lines drawn through picked points: straight over skin, in creases, and what they divide."""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from seamwright.adjacency import EdgeTable
from seamwright.drawing import _along, _reached, _settled, drawn
from seamwright.errors import BadInput, SeamwrightError
from seamwright.geodesic import Skin, straightened, way_cost, way_length
from seamwright.line import Line, line_from_edges, line_of, line_seam, vector_area
from seamwright.line_parting import part_along_line, spanned
from seamwright.mesh import Mesh, joined
from seamwright.parting import solids
from seamwright.seam import Seam, SeamLine
from seamwright.shapes import box, moved, revolved, sphere, torus
from seamwright.sketch import sketched, skin_about
from seamwright.subdivision import NEAR, with_points

CASES = int(os.environ.get("SEAMWRIGHT_CASES", "80"))
SIDES = 48
BALL = sphere(30, SIDES)
CYLINDER = revolved(np.r_[0, np.full(21, 20.0), 0], np.r_[0, np.linspace(0, 100, 21), 100], SIDES)


def row(k: int, sides: int = SIDES) -> np.ndarray:
    """Vertex ids of the k-th ring of `revolved`, from below."""
    return 1 + (k - 1) * sides + np.arange(sides)


def on_ball(points: np.ndarray, radius: float = 30) -> np.ndarray:
    return radius * points / np.linalg.norm(points, axis=1)[:, None]


def wavy(radius: float, rise: float, waves: int = 3, count: int = 24) -> np.ndarray:
    """Points of a wavy line round a ball about the origin."""
    turn = 2 * np.pi * np.arange(count) / count
    return on_ball(np.stack([np.cos(turn), np.sin(turn), rise * np.sin(waves * turn)], 1), radius)


def grooved(noise: float = 0.0, wave: float = 0.0, sides: int = 120) -> Mesh:
    """A cylinder of radius 20 with a groove 3 mm deep and 4 wide about z = 30, that waves."""
    height = np.linspace(0, 60, 121)
    figure = revolved(np.r_[0, np.full(121, 20.0), 0], np.r_[0, height, 60], sides)
    v = figure.vertices.copy()
    turn = np.arctan2(v[:, 1], v[:, 0])
    wall = np.hypot(v[:, 0], v[:, 1]) > 1
    # The rows about it wave too, and fade out to the ends, so that edges lie in the groove.
    v[:, 2] += wall * wave * np.sin(4 * turn) * (1 - np.abs(v[:, 2] - 30) / 30)
    middle = 30 + wave * np.sin(4 * turn)
    depth = np.maximum(0, 3 - 1.5 * np.abs(v[:, 2] - middle))
    rough = noise * np.random.default_rng(1).normal(size=len(v))
    v[:, :2] *= 1 - (wall * (depth + rough) / 20)[:, None]
    return Mesh.of(v, figure.faces)


def round_groove(count: int, beside: float, wave: float = 0.0) -> np.ndarray:
    """Points so many mm above the bottom of the groove of `grooved`, on its wall."""
    turn = 0.02 + 2 * np.pi * np.arange(count) / count
    radius = 17 + 1.5 * beside
    z = 30 + wave * np.sin(4 * turn) + beside
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), z], axis=1)


def require_same_figure(figure: Mesh, given: Mesh, line: Line) -> None:
    """Everything that must hold of a figure divided along a line."""
    assert figure.is_closed == given.is_closed
    assert figure.volume == pytest.approx(given.volume, rel=1e-12)
    assert np.array_equal(figure.vertices[: len(given.vertices)], given.vertices)
    same = (figure.faces[: len(given.faces)] == given.faces).all(axis=1)
    assert np.array_equal(figure.tag[: len(given.faces)], given.tag)
    for tag in np.unique(given.tag):
        whole = given.areas[given.tag == tag].sum()
        assert figure.areas[figure.tag == tag].sum() == pytest.approx(whole, rel=1e-12)
    # What is divided or new touches the line, or a vertex put where a point was picked.
    new = np.arange(len(given.vertices), len(figure.vertices))
    changed = np.r_[figure.faces[: len(given.faces)][~same], figure.faces[len(given.faces) :]]
    assert np.isin(changed, np.r_[line.vertices, new]).any(axis=1).all()
    assert figure.areas.min() > 0
    assert len(np.unique(line.vertices)) == len(line.vertices) >= 3
    assert np.array_equal(line.points, figure.vertices[line.vertices])
    count = len(figure.vertices)
    pairs = np.sort(figure.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64), axis=1)
    mine = np.sort(np.stack([line.vertices, np.roll(line.vertices, -1)], 1).astype(np.int64), 1)
    assert np.isin(mine @ [count, 1], pairs @ [count, 1]).all()


def gaps(points: np.ndarray, line: Line) -> np.ndarray:
    """How far each point is from the nearest corner of a line."""
    return np.linalg.norm(points[:, None] - line.points[None], axis=2).min(axis=1)


# --- straight ways ---------------------------------------------------------------------


def test_a_line_round_a_box_at_half_height_is_flat():
    cube = box(100, 80, 60)
    points = np.array([[50, 0, 30], [100, 40, 30], [50, 80, 30], [0, 40, 30.0]])
    figure, line = drawn(cube, points)
    require_same_figure(figure, cube, line)
    assert line.flatness < 1e-12 and line.length == pytest.approx(360, rel=1e-14)
    assert gaps(points, line).max() < 1e-12
    # Floor and lid have no part in it.
    assert np.array_equal(figure.faces[[0, 1, 6, 7]], cube.faces[[0, 1, 6, 7]])
    assert vector_area(line.points)[2] == pytest.approx(8000)
    assert vector_area(drawn(cube, points[::-1])[1].points)[2] == pytest.approx(-8000)


def test_a_line_round_a_cylinder_is_straight_when_unrolled():
    turn, height = np.array([0.3, 10.6, 20.45, 33.7]), np.array([30.0, 52, 41, 63])
    side = 40 * np.sin(np.pi / SIDES)
    corner = 20 * np.exp(2j * np.pi * np.arange(SIDES + 1) / SIDES)
    k = turn.astype(int)
    flat = corner[k] + (turn - k) * (corner[k + 1] - corner[k])
    points = np.stack([flat.real, flat.imag, height], axis=1)
    figure, line = drawn(CYLINDER, points, crease=1)
    require_same_figure(figure, CYLINDER, line)
    along = side * np.diff(turn, append=turn[0] + SIDES)
    up = np.diff(height, append=height[0])
    assert line.length == pytest.approx(np.hypot(along, up).sum(), rel=1e-9)
    assert gaps(points, line).max() < 1e-9


@pytest.mark.parametrize("sides", [24, 48, 96])
def test_a_great_circle_comes_out_as_long_as_it_is(sides: int):
    ball = sphere(30, sides)
    turn = 0.1 + 2 * np.pi * np.arange(5) / 5
    points = 30 * np.stack(
        [np.cos(turn), np.cos(0.7) * np.sin(turn), np.sin(0.7) * np.sin(turn)], axis=1
    )
    figure, line = drawn(ball, points, crease=1)
    require_same_figure(figure, ball, line)
    # Chords of a polygon of n sides are short of the circle by about (π / n)² / 6 and more.
    assert 0 < 1 - line.length / (60 * np.pi) < 6 / sides**2
    assert line.flatness < 6 / sides


def test_a_line_round_the_tube_of_a_ring():
    ring = torus(40, 15, 64, 32)
    figure, line = drawn(ring, [[55, 0, 0], [40, 0, 15], [25, 0, 0], [40, 0, -15.0]], crease=1)
    require_same_figure(figure, ring, line)
    # No longer than the ring of 32 edges there, which bends a little.
    edges = 64 * 15 * np.sin(np.pi / 32)
    assert 0.999 * edges < line.length <= edges


def test_a_line_over_both_poles_of_a_ball():
    ball = sphere(30, 96)
    turn = 0.2 + 2 * np.pi * np.arange(6) / 6
    points = 30 * np.stack([np.cos(turn), 0 * turn, np.sin(turn)], axis=1)
    figure, line = drawn(ball, points, crease=1)
    require_same_figure(figure, ball, line)
    assert line.length == pytest.approx(60 * np.pi, rel=1e-3)


def test_a_way_is_flipped_round_a_corner_on_its_shorter_side():
    """Round the corner of a cube, from the middle of a face's edge to the next face's."""
    cube = box(2, 2, 2)
    with_middles, ends, _ = with_points(cube, np.array([[1.0, 0, 0], [2, 1, 0]]), 1.0)
    table = EdgeTable.of(with_middles.faces, len(with_middles.vertices))
    skin = Skin.of(with_middles.vertices, table, np.ones(len(table.mate)))
    corner = int(np.argmin(np.linalg.norm(cube.vertices - [2, 0, 0], axis=1)))
    way = straightened(skin, _along([int(ends[0]), corner, int(ends[1])]))
    # Across the floor: √2, where over the corner it was 2.
    assert way_length(skin, way) == pytest.approx(np.sqrt(2), rel=1e-14)


def test_picked_points_are_on_the_line():
    for figure, points in (
        (sphere(30, 24), wavy(30, 0.5)),
        (torus(40, 15, 24, 12), np.array([[54, 1, 3], [40, 2, 15], [25, 1, 2], [41, 3, -15.0]])),
    ):
        divided, line = drawn(figure, points, crease=1.0)
        nearest, ids, _ = with_points(figure, points, 5.0)
        assert gaps(nearest.vertices[ids], line).max() < 1e-12
        assert len(divided.faces) > len(figure.faces)


# --- creases ---------------------------------------------------------------------------


def test_a_line_runs_in_a_groove_beside_which_it_was_picked():
    figure = grooved()
    points = round_groove(6, 0.8)
    divided, line = drawn(figure, points)
    require_same_figure(divided, figure, line)
    assert np.abs(line.points[:, 2] - 30).max() < 1e-9
    assert line.length == pytest.approx(120 * 2 * 17 * np.sin(np.pi / 120), rel=1e-12)
    # All of it lay there already: only the faces at the edges are there, and none is divided.
    assert np.array_equal(divided.faces, figure.faces)
    _, plain = drawn(figure, points, crease=1.0)
    assert gaps(points, plain).max() < 0.1 and np.abs(plain.points[:, 2] - 30).max() > 0.7


def test_a_line_keeps_to_a_groove_where_straight_on_would_be_shorter():
    figure = grooved(wave=6.0)
    points = round_groove(4, 0.0, wave=6.0)
    _, line = drawn(figure, points)
    _, plain = drawn(figure, points, crease=1.0)
    turn = np.arctan2(line.points[:, 1], line.points[:, 0])
    assert np.abs(line.points[:, 2] - 30 - 6 * np.sin(4 * turn)).max() < 0.1
    assert plain.length < 0.98 * line.length


def test_a_line_in_a_rough_groove_is_smooth():
    figure = grooved(noise=0.1)
    divided, line = drawn(figure, round_groove(6, 0.4))
    require_same_figure(divided, figure, line)
    # Within an edge's length of the bottom, and hardly longer than it.
    assert np.abs(line.points[:, 2] - 30).max() < 0.75
    assert line.length < 1.03 * 2 * np.pi * 17


def test_a_line_over_rough_skin_is_straight():
    """Noise bends edges inwards too, but that makes no crease."""
    v = BALL.vertices * (1 + 0.01 * np.random.default_rng(2).normal(size=(len(BALL.vertices), 1)))
    rough = Mesh.of(v, BALL.faces)
    turn = 2 * np.pi * np.arange(8) / 8
    points = 30 * np.stack([np.cos(turn), np.sin(turn), 0.2 + 0 * turn], axis=1)
    _, line = drawn(rough, points)
    assert line.length < 1.03 * drawn(rough, points, crease=1.0)[1].length


def test_a_line_does_not_leap_into_a_crease_and_back_for_one_point():
    """Picked well beside a groove, points keep the line out of it."""
    points = round_groove(24, 0.0)
    points[:, 2], points[:, :2] = 34.0, points[:, :2] * 20 / 17
    _, line = drawn(grooved(), points)
    assert line.flatness < 0.5 and line.points[:, 2].min() > 33


# --- what is cut off, and what is refused ------------------------------------------------


def test_spikes_and_small_loops_are_cut_off():
    """Run out to a point beside the line and back again, and twice over the same points."""
    ring = BALL.vertices[row(12)[::4]]
    beside = BALL.vertices[row(14)[8]]
    points = np.concatenate([ring[:3], [beside], ring[2:]])
    figure, line = drawn(BALL, points, crease=1.0)
    require_same_figure(figure, BALL, line)
    without = drawn(BALL, ring, crease=1.0)[1]
    assert line.length == pytest.approx(without.length, rel=1e-9)
    assert gaps(beside[None], line)[0] > 3


def test_a_small_loop_picked_out_of_order_is_cut_off():
    turn = 2 * np.pi * np.arange(40) / 40
    turn[[8, 9]] = turn[[9, 8]]
    points = 30 * np.stack([np.cos(turn), np.sin(turn), 0.02 * np.cos(9 * turn)], axis=1)
    figure, line = drawn(BALL, points, crease=1.0)
    require_same_figure(figure, BALL, line)
    assert line.length < 1.05 * 60 * np.pi


def test_doubled_points_do_no_harm():
    points = wavy(30, 0.3)
    one, two = drawn(BALL, points)[1], drawn(BALL, np.repeat(points, 2, axis=0))[1]
    assert np.array_equal(one.points, two.points)


def test_a_line_that_crosses_itself_is_refused():
    turn = 2 * np.pi * np.arange(16) / 16
    # An eight round the pole at +x.
    eight = np.stack([np.ones(16), 0.6 * np.sin(turn), 0.6 * np.sin(2 * turn)], axis=1)
    with pytest.raises(BadInput, match=r"meets itself at \(.*move the points near there"):
        drawn(BALL, on_ball(eight))


def test_a_line_that_crosses_an_edge_of_its_own_is_refused():
    """Two points are the ends of a mesh edge, and the line comes back over its middle."""
    ball = sphere(30, 12)
    a, b = ball.vertices[row(3, 12)[:2]]
    across = np.cross(b - a, a)
    middle, over = (a + b) / 2, 6 * across / np.linalg.norm(across)
    with pytest.raises(BadInput, match="meets itself at"):
        drawn(ball, [a, b, middle + over, middle - over])


def test_a_line_that_closes_on_nothing_is_refused():
    with pytest.raises(BadInput, match="closes on nothing"):
        drawn(BALL, BALL.vertices[row(12)[[0, 5, 0]]], crease=1.0)
    with pytest.raises(BadInput, match="closes on nothing"):
        drawn(BALL, np.tile(BALL.vertices[100], (4, 1)))


def test_points_must_be_three_numbers_on_the_surface():
    with pytest.raises(BadInput, match="three points or more"):
        drawn(BALL, BALL.vertices[:2])
    with pytest.raises(BadInput, match="not a number"):
        drawn(BALL, [[0, 0, np.nan], [1, 0, 0], [0, 1, 0]])
    points = wavy(30, 0.3)
    points[5] *= 1.5
    with pytest.raises(BadInput, match=r"more than 5 mm from the surface \(1[45]\.\d mm\)"):
        drawn(BALL, points)
    assert len(drawn(BALL, points, within=20)[1].vertices) > 20


def test_points_on_two_shells_have_no_way_between_them():
    two = joined([BALL, moved(BALL, (100, 0, 0))])
    with pytest.raises(BadInput, match="No way over the surface joins"):
        drawn(two, [[30, 0, 0], [0, 30, 0], [100, 30, 0]])


def test_a_line_along_an_open_border_is_refused():
    open_ball = BALL.subset(BALL.vertices[BALL.faces].max(axis=1)[:, 2] < 20)
    top = open_ball.vertices[:, 2].max()
    rim = open_ball.vertices[open_ball.vertices[:, 2] == top]
    with pytest.raises(BadInput, match="touches an open border at"):
        drawn(open_ball, rim[:: len(rim) // 6])
    figure, line = drawn(open_ball, wavy(30, 0.2))
    require_same_figure(figure, open_ball, line)


def test_a_seams_line_names_the_seam():
    rows = tuple((float(x), float(y), float(z)) for x, y, z in wavy(30, 0.2))
    figure, line = line_of(BALL, line_seam(1, "hem", SeamLine(rows)))
    require_same_figure(figure, BALL, line)
    with pytest.raises(BadInput, match=r"^Seam 'hem': The line's point at"):
        line_of(moved(BALL, (50, 0, 0)), line_seam(1, "hem", SeamLine(rows)))
    with pytest.raises(SeamwrightError, match="'cut' is flat"):
        line_of(BALL, Seam(1, "cut", (0, 0, 0), (0, 0, 1)))


# --- marked edges ----------------------------------------------------------------------


@pytest.mark.parametrize("crease", [0.2, 1.0])
def test_vertices_joined_by_edges_are_followed_as_given(crease: float):
    """A job written from marked edges: a stair of edges, on skin with a crease near."""
    figure = grooved()
    low, high = row(64, 120), row(65, 120)
    stair = np.stack([low[::2], high[::2], high[1::2], low[1::2]], axis=1).ravel()
    edges = np.stack([stair, np.roll(stair, -1)], axis=1)
    marked = line_from_edges(figure, edges)
    divided, line = drawn(figure, marked.points, crease=crease)
    assert divided is figure
    assert np.array_equal(line.vertices, marked.vertices)


# --- what is divided -------------------------------------------------------------------


def test_tags_go_to_the_parts_of_a_face():
    tag = np.arange(12, dtype=np.int32)
    cube = Mesh(box(40, 40, 40).vertices, box(40, 40, 40).faces, tag)
    turn = 2 * np.pi * np.arange(9) / 9
    flat = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    flat *= 20 / np.abs(flat).max(axis=1)[:, None]
    points = np.column_stack([flat + 20, 20 + 9 * np.sin(3 * turn)])
    figure, line = drawn(cube, points)
    require_same_figure(figure, cube, line)
    assert gaps(points, line).max() < NEAR * 60


def test_points_on_one_face_one_edge_and_one_vertex():
    cube = box(10, 10, 10)
    on_edge, on_vertex, inside = [5.0, 0, 0], [10.0, 10, 10], [[2.0, 0, 3], [4, 0, 7], [7, 0, 6.5]]
    points = np.array([on_edge, on_vertex, *inside, [10, 10, 10 - 1e-4], [3.0, 0, 1e-4]])
    figure, ids, exact = with_points(cube, points, 1.0)
    assert exact.tolist() == [False, True, *[False] * 5]
    assert ids[5] == ids[1] < 8 and len(figure.vertices) == 8 + 5
    assert figure.vertices[ids[:5]] == pytest.approx(points[:5], abs=1e-14)
    # So near the edge that it goes there.
    assert figure.vertices[ids[6]] == pytest.approx([3, 0, 0], abs=1e-14)
    assert figure.is_closed and figure.areas.min() > 0
    assert figure.volume == pytest.approx(1000, rel=1e-14)
    assert np.array_equal(figure.blocks.order[:0], np.zeros(0)) and (
        sorted(figure.blocks.order.tolist()) == list(range(len(figure.faces)))
    )


def test_the_line_makes_no_needles():
    """Passed by very near, a vertex is taken into the line."""
    cube = box(10, 10, 10)
    points = np.array([[5, 0, 5.0], [10, 5, 5], [5, 10, 5], [0, 5, 5]])
    points[:, 2] = 1e-3
    figure, line = drawn(cube, points)
    require_same_figure(figure, cube, line)
    assert np.linalg.norm(np.roll(line.points, -1, axis=0) - line.points, axis=1).min() > 1
    ball = sphere(30, 24)
    _, line = drawn(ball, ball.vertices[row(9, 24)[::3]] + [0, 0, 1e-3], crease=1.0)
    assert np.linalg.norm(np.roll(line.points, -1, axis=0) - line.points, axis=1).min() > 0.01


# --- what must hold of any ---------------------------------------------------------------


def rough(figure: Mesh, share: float, seed: int) -> Mesh:
    by = 1 + share * np.random.default_rng(seed).normal(size=(len(figure.vertices), 1))
    return Mesh.of(figure.vertices * by, figure.faces)


def limb(sides: int) -> Mesh:
    radius = np.array([0, 34, 40, 40, 38, 32, 31, 36, 40, 40, 38, 0.0])
    height = np.array([0, 0, 5, 20, 32, 40, 45, 52, 60, 80, 98, 100.0]) - 50
    return revolved(radius, height, sides)


def needled(figure: Mesh, seed: int) -> Mesh:
    """A figure with some of its edges all but without length."""
    rng = np.random.default_rng(seed)
    v = figure.vertices.copy()
    for a, b in figure.faces[rng.integers(0, len(figure.faces), 9), :2].tolist():
        v[b] = v[a] + 1e-4 * (v[b] - v[a])
    return Mesh.of(v, figure.faces)


FIGURES = {
    "ball": lambda sides, seed: sphere(30, sides),
    "rough ball": lambda sides, seed: rough(sphere(30, sides), 0.02, seed),
    "limb": lambda sides, seed: limb(sides),
    "ring": lambda sides, seed: torus(40, 15, sides, sides),
    "needled": lambda sides, seed: needled(sphere(30, sides), seed),
}


@settings(
    max_examples=max(10, CASES // 2),
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
@given(
    kind=st.sampled_from(sorted(FIGURES)),
    sides=st.sampled_from([8, 12, 24]),
    seed=st.integers(0, 99),
    turns=st.lists(st.floats(0, 2 * np.pi), min_size=3, max_size=16, unique=True),
    rise=st.floats(-0.5, 0.5),
    waves=st.integers(1, 4),
    lift=st.floats(-0.4, 0.4),
    crease=st.sampled_from([0.2, 1.0]),
)
def test_any_line_divides_a_figure_and_loses_nothing(
    kind: str,
    sides: int,
    seed: int,
    turns: list[float],
    rise: float,
    waves: int,
    lift: float,
    crease: float,
):
    given_figure = FIGURES[kind](sides, seed)
    turn = np.sort(turns)
    wave = lift + rise * np.sin(waves * turn)
    if kind == "ring":
        reach = 40 + 15 * np.cos(turn)
        points = np.stack([reach, 10 * wave, 15 * np.sin(turn)], axis=1)
    elif kind == "limb":
        points = np.stack([36 * np.cos(turn), 36 * np.sin(turn), 30 * wave], axis=1)
    else:
        points = on_ball(np.stack([np.cos(turn), np.sin(turn), wave], axis=1))
    try:
        figure, line = drawn(given_figure, points, crease=crease, within=40)
    except BadInput as error:
        # Points bunched on one side make no line round.
        assert "closes on nothing" in str(error) or "meets itself" in str(error)
        return
    require_same_figure(figure, given_figure, line)
    sketch = sketched(given_figure, points, crease, 40)
    _, skin, number = skin_about(sketch.mesh, _reached(sketch), crease)
    total = 0.0
    for leg in sketch.legs:
        walk = _along(number[leg].tolist())
        settled = sum(way_cost(skin, way) for way in _settled(skin, number[leg].tolist()))
        assert settled <= way_cost(skin, walk) * (1 + 1e-6)
        total += way_length(skin, walk)
    if crease == 1.0:
        assert line.length <= total * (1 + PASSED_BY)
    try:
        surface = spanned(figure, line)
    except BadInput:
        # Not every line can be spanned.
        return
    parted = part_along_line(figure, line, surface, 1)
    label = solids(parted)
    halves = [parted.subset(label == k) for k in range(label.max() + 1)]
    assert all(half.is_closed for half in halves)
    assert sum(half.volume for half in halves) == pytest.approx(given_figure.volume, rel=1e-9)


PASSED_BY = 1e-2
"""By as much of its length a line may get longer in being moved on to vertices it passes."""
