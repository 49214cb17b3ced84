"""Room behind a face: largest circles, middle lines, places along them, and obstacles."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from seamwright.frame import Frame
from seamwright.interface import interfaces
from seamwright.mesh import Mesh
from seamwright.middle import length_of
from seamwright.outline import Region
from seamwright.pieces import take_apart
from seamwright.printer import PrinterProfile
from seamwright.rim import diagram, rim_of
from seamwright.room import (
    Obstacles,
    along,
    clear_radius,
    count_for,
    inscribed,
    middle_line,
    obstacles,
    spots,
)
from seamwright.seam import Seam
from seamwright.shapes import box
from seamwright.sizing import joints
from seamwright.wall import sampled

NEAR = 1e-3
"""What `inscribed` promises."""


def region_of(*loops: object) -> Region:
    points = [np.asarray(p, dtype=float) for p in loops]
    return Region(tuple(points), tuple(np.arange(len(p)) for p in points))


def circle(radius: float, sides: int, middle: tuple[float, float] = (0, 0)) -> np.ndarray:
    t = 2 * np.pi * np.arange(sides) / sides
    return radius * np.stack([np.cos(t), np.sin(t)], axis=1) + middle


def ring(radius: float, thick: float, sides: int) -> Region:
    return region_of(circle(radius, sides), circle(radius - thick, sides)[::-1])


def rectangle(width: float, height: float) -> Region:
    return region_of([[0, 0], [width, 0], [width, height], [0, height]])


def l_shape(leg: float, width: float) -> Region:
    return region_of([[0, 0], [leg, 0], [leg, width], [width, width], [width, leg], [0, leg]])


def star(number: int, corners: int) -> Region:
    """A random outline that goes once round the origin."""
    rng = np.random.default_rng(number)
    t = 2 * np.pi * (np.arange(corners) + rng.uniform(0.1, 0.9, corners)) / corners
    r = 10 * rng.uniform(0.25, 1, corners)
    return region_of(np.stack([np.cos(t), 0.7 * np.sin(t)], axis=1) * r[:, None])


def strip(length: float, width: float, bow: float, sides: int = 400) -> Region:
    """A strip of even width about a bow, square at its ends."""
    t = np.linspace(-1, 1, sides)
    middle = np.stack([t * length / 2, bow * np.sin(3 * t)], axis=1)
    way = np.stack([np.full(sides, length / 2), 3 * bow * np.cos(3 * t)], axis=1)
    across = np.stack([-way[:, 1], way[:, 0]], axis=1)
    across *= width / 2 / np.linalg.norm(way, axis=1, keepdims=True)
    return region_of(np.concatenate([middle - across, (middle + across)[::-1]]))


def turned(region: Region, degrees: float, shift: tuple[float, float]) -> Region:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return region_of(*(p @ np.array([[c, s], [-s, c]]) + shift for p in region.loops))


# --- the largest circle ---------------------------------------------------------------


def fits(region: Region) -> tuple[np.ndarray, float]:
    """The largest circle found, which must lie inside and touch the edge."""
    centre, radius = inscribed(region)
    assert region.contains(centre)[0]
    assert region.edge_distance(centre)[0] == pytest.approx(radius, rel=1e-9)
    return centre, radius


@pytest.mark.parametrize(("width", "height"), [(30, 8), (8, 30), (20, 20), (1000, 3)])
def test_the_largest_circle_of_a_rectangle(width, height):
    _, radius = fits(rectangle(width, height))
    assert radius == pytest.approx(min(width, height) / 2, rel=NEAR)


@pytest.mark.parametrize("tip", [(0, 4), (1.2, 0.3), (-20, 1), (1.5, 90)])
def test_the_largest_circle_of_a_triangle(tip):
    corners = np.array([[0, 0], [3, 0], tip])
    a, b, c = np.linalg.norm(np.roll(corners, -1, axis=0) - np.roll(corners, 1, axis=0), axis=1)
    s = (a + b + c) / 2
    centre, radius = fits(region_of(corners))
    assert radius == pytest.approx(1.5 * tip[1] / s, rel=NEAR)
    middle = np.array([a, b, c]) @ corners / (2 * s)
    # In a sharp corner the circle may lie off along it by more than its radius is off.
    assert np.linalg.norm(centre - middle) < 0.02 * radius


@pytest.mark.parametrize(("radius", "thick", "sides"), [(20, 6, 60), (100, 3, 64), (100, 1, 500)])
def test_the_largest_circle_of_a_ring(radius, thick, sides):
    # On the ray to a corner: from the hole's corner to the two edges outside it.
    flat = np.cos(np.pi / sides)
    _, found = fits(ring(radius, thick, sides))
    assert found == pytest.approx(thick * flat / (1 + flat), rel=NEAR)


def test_the_largest_circle_of_an_l():
    # In the bend: it touches both outer sides and the inner corner.
    centre, radius = fits(l_shape(60, 10))
    assert radius == pytest.approx(10 * (2 - np.sqrt(2)), rel=NEAR)
    assert centre == pytest.approx([radius, radius], rel=0.01)


def test_the_largest_of_several_places_is_taken():
    # Twenty teeth of 2 mm on a rib of 3 mm: the largest circle is at a tooth's root, where it
    # touches the far side and both inner corners.
    outline = [(0.0, 0.0), (80.0, 0.0)]
    for k in range(20)[::-1]:
        left = 4.0 * k + 1
        outline += [(left + 2, 3), (left + 2, 30), (left, 30), (left, 3)]
    outline.append((0.0, 3.0))
    _, radius = fits(region_of(outline))
    # r = y and (3 - y)² + 1 = y².
    assert radius == pytest.approx(10 / 6, rel=NEAR)


@pytest.mark.parametrize("degrees", [0.0, 17.3, 90.0, 211.0])
def test_turning_and_shifting_does_not_matter(degrees):
    for region in (star(3, 40), ring(20, 3, 40), l_shape(30, 7)):
        _, radius = fits(region)
        _, other = fits(turned(region, degrees, (4e3, -7e3)))
        assert other == pytest.approx(radius, rel=2 * NEAR)


def test_size_does_not_matter():
    for size in (1e-2, 1e3):
        _, radius = fits(region_of(size * star(4, 50).outline))
        assert radius == pytest.approx(size * fits(star(4, 50))[1], rel=2 * NEAR)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.integers(3, 120))
def test_random_outlines_against_a_fine_grid(number, corners):
    region = star(number, corners)
    _, radius = fits(region)
    grid = spots(region, 0.1)
    # The next point of the grid is at most half a diagonal away.
    most = float(region.edge_distance(grid).max())
    assert radius >= most * (1 - NEAR)
    assert radius <= most + 0.1 * np.sqrt(0.5) + 1e-9


@pytest.mark.parametrize(
    "region",
    [ring(100, 3, 1000), strip(300, 6, 25, 1500), star(1, 5000)],
    ids=["thin ring", "strip", "fine outline"],
)
def test_few_distances_are_measured(monkeypatch, region):
    asked = 0
    plain = Region.edge_distance

    def counted(self: Region, points: np.ndarray) -> np.ndarray:
        nonlocal asked
        asked += len(np.atleast_2d(points))
        return plain(self, points)

    monkeypatch.setattr(Region, "edge_distance", counted)
    inscribed(region)
    # Each costs as much as the outline is long.
    assert asked < 100


def test_a_sliver_has_a_circle_too():
    _, radius = fits(rectangle(9, 1e-3))
    assert radius == pytest.approx(5e-4, rel=NEAR)


# --- rims -----------------------------------------------------------------------------


@pytest.mark.parametrize("region", [star(7, 30), ring(9, 2, 25), l_shape(9, 3)])
def test_a_rim_tells_what_its_region_tells(region):
    places = np.random.default_rng(1).uniform(-11, 11, (3000, 2))
    # Heights and corners of the outline itself too.
    places = np.concatenate([places, places[:50] * [1, 0] + [0, region.outline[3, 1]]])
    for rim in (rim_of(region), rim_of(region).divided(0.3)):
        assert (rim.contains(places) == region.contains(places)).all()
        assert rim.distance(places) == pytest.approx(region.edge_distance(places), abs=1e-12)


def test_a_rim_is_divided_where_it_is_asked():
    rim = rim_of(rectangle(30, 8)).divided(2.0)
    assert rim.length.max() <= 2 and rim.length.sum() == pytest.approx(76)
    finer = rim.finer_about(np.array([[15.0, 4.0]]), 0.1)
    assert finer is not None and finer.length.sum() == pytest.approx(76)
    fine = finer.length < 0.11
    assert fine.sum() > 40 and (np.abs(finer.start[fine, 0] - 15) < 4).all()
    assert finer.finer_about(np.array([[15.0, 4.0]]), 0.11) is None


def test_nothing_lies_within_what_has_no_area():
    flat = region_of([[0, 0], [1, 0], [2, 0], [1, 0]])
    assert not diagram(rim_of(flat)).inside.any()
    assert not len(diagram(rim_of(region_of([[1, 1], [1, 1], [1, 1]]))).nodes)


# --- middle lines ---------------------------------------------------------------------


def only(region: Region, least: float) -> tuple[np.ndarray, np.ndarray]:
    (chain,) = lined(region, least)
    return chain


def lined(region: Region, least: float) -> list[tuple[np.ndarray, np.ndarray]]:
    """Middle line, checked for what any must be."""
    chains = middle_line(region, least)
    lengths = [length_of(points) for points, _ in chains]
    assert lengths == sorted(lengths, reverse=True)
    for points, radii in chains:
        assert region.contains(points).all() and (radii >= least).all()
        assert radii == pytest.approx(region.edge_distance(points), rel=1e-9)
        steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
        assert (steps < 2 * least).all()
        # No turning back and no zigzag.
        way = np.diff(points, axis=0) / np.maximum(steps, 1e-12)[:, None]
        assert (np.einsum("ij,ij->i", way[:-1], way[1:]) > 0.5).all()
    return list(chains)


def is_closed(points: np.ndarray) -> bool:
    return len(points) > 2 and bool((points[0] == points[-1]).all())


@pytest.mark.parametrize("degrees", [0.0, 33.0])
def test_the_middle_line_of_a_strip_runs_from_circle_to_circle(degrees):
    points, radii = only(turned(rectangle(60, 8), degrees, (0, 0)), 1.5)
    assert length_of(points) == pytest.approx(52, rel=0.01)
    assert radii == pytest.approx(np.full(len(radii), 4), rel=0.01)
    assert np.linalg.norm(points[0] - points[-1]) == pytest.approx(52, rel=0.01)


def test_the_middle_line_of_a_bowed_strip():
    points, radii = only(strip(300, 6, 25), 1.5)
    bow = 25 * np.sin(3 * points[:, 0] / 150)
    assert np.abs(points[:, 1] - bow).max() < 0.1
    assert points[:, 0].min() < -145 and points[:, 0].max() > 145
    assert np.median(radii) == pytest.approx(3, rel=0.01)


def test_the_middle_line_of_a_ring_is_closed():
    points, radii = only(ring(100, 6, 200), 1.5)
    assert is_closed(points)
    assert length_of(points) == pytest.approx(2 * np.pi * 97, rel=0.002)
    assert np.linalg.norm(points, axis=1) == pytest.approx(np.full(len(points), 97), rel=0.001)
    assert radii == pytest.approx(np.full(len(points), 3), rel=0.01)


def test_a_bend_makes_one_line_and_a_fork_two():
    points, _ = only(l_shape(60, 10), 2)
    assert 90 < length_of(points) < 100
    tee = region_of([[0, 0], [80, 0], [80, 10], [45, 10], [45, 60], [35, 60], [35, 10], [0, 10]])
    bar, stem = lined(tee, 2)
    assert length_of(bar[0]) == pytest.approx(70, rel=0.02)
    assert np.ptp(stem[0][:, 0]) < 0.5 and length_of(stem[0]) > 45
    cross = region_of(
        [[0, 0], [10, 0], [10, -30], [20, -30], [20, 0], [50, 0],
         [50, 10], [20, 10], [20, 60], [10, 60], [10, 10], [0, 10]]
    )  # fmt: skip
    long, short = lined(cross, 2)
    assert np.ptp(long[0], axis=0) == pytest.approx([0, 80], abs=0.5)
    assert np.ptp(short[0], axis=0) == pytest.approx([40, 0], abs=0.5)


def test_a_ring_with_a_tag_stays_closed():
    band = circle(50, 200)[2:-1]
    tagged = region_of([*band, (100, -3.1), (100, 3.1)], circle(40, 200)[::-1])
    around, tag = lined(tagged, 1)
    assert is_closed(around[0]) and not is_closed(tag[0])
    assert length_of(around[0]) == pytest.approx(2 * np.pi * 45, rel=0.01)
    assert tag[0][:, 0].max() > 95


@pytest.mark.parametrize("region", [rectangle(20, 20), region_of(circle(10, 64)), star(2, 9)])
def test_what_is_not_long_has_a_point(region):
    points, radii = only(region, 1.0)
    assert len(points) == 1
    assert radii[0] == pytest.approx(inscribed(region)[1], rel=0.01)


def test_two_wide_places_with_a_narrow_neck_between():
    half = circle(15, 60, (55, 0))[np.r_[31:60, 0:30]]
    other = [50, 0] - half
    dumbbell = region_of(np.concatenate([half, other]))
    assert len(lined(dumbbell, 0.3)) == 1
    assert len(lined(dumbbell, 2.0)) == 2


def test_no_middle_line_where_no_such_circle_fits():
    assert middle_line(rectangle(60, 8), 4.1) == ()
    assert middle_line(rectangle(9, 1e-4), 1.0) == ()


def test_roughness_makes_no_twigs():
    t = 2 * np.pi * np.arange(1500) / 1500
    rough = np.random.default_rng(2).uniform(-0.3, 0.3, 1500)
    u = np.stack([np.cos(t), np.sin(t)], axis=1)
    rim = region_of(u * (60 + rough)[:, None], (u * (50 + np.roll(rough, 9))[:, None])[::-1])
    points, _ = only(rim, 1.0)
    assert is_closed(points)
    assert length_of(points) == pytest.approx(2 * np.pi * 55, rel=0.05)


# --- places along a middle line -------------------------------------------------------


@pytest.mark.parametrize("count", [1, 2, 3, 6])
def test_places_on_an_even_line_are_even(count):
    x = np.linspace(0, 90, 361)
    places = along(np.stack([x, 0 * x], axis=1), np.full(361, 3.0), count)
    apart = 90 / (count - 1 + 2 / 3)
    expected = apart * (1 / 3 + np.arange(count))
    assert places[:, 0] == pytest.approx(expected, abs=0.13) and (places[:, 1] == 0).all()


def test_places_go_where_there_is_room():
    x = np.linspace(0, 90, 361)
    bumps = 3 + np.exp(-((x - 20) ** 2) / 8) + np.exp(-((x - 60) ** 2) / 8)
    places = along(np.stack([x, 0 * x], axis=1), bumps, 2)
    assert places[:, 0] == pytest.approx([20, 60], abs=0.6)


@pytest.mark.parametrize("count", [2, 3, 5])
def test_places_on_a_closed_line_are_even_and_begin_anywhere(count):
    t = 2 * np.pi * np.arange(721) / 720
    points = 50 * np.stack([np.cos(t), np.sin(t)], axis=1)
    points[-1] = points[0]
    places = along(points, np.full(721, 3.0), count)
    chord = 2 * 50 * np.sin(np.pi / count)
    gaps = np.linalg.norm(places - np.roll(places, 1, axis=0), axis=1)
    assert gaps == pytest.approx(np.full(count, chord), rel=0.01)
    # One narrow spell, across the seam of the line: none is set there.
    narrow = np.where(np.cos(t) > 0.95, 1.0, 3.0)
    places = along(points, narrow, count)
    assert (places[:, 0] < 0.951 * 50).all()


def test_places_along_the_edge_of_a_cloak():
    points, radii = only(strip(300, 6, 25), 1.5)
    count = count_for(length_of(points), 2.4)
    places = along(points, radii, count)
    assert count == 6 and len(places) == 6
    gaps = np.linalg.norm(np.diff(places, axis=0), axis=1)
    assert gaps.min() > 30 and gaps.max() < 80
    assert strip(300, 6, 25).edge_distance(places).min() > 2.9


def test_a_single_place_holds_them_all():
    assert along(np.array([[3.0, 4.0]]), np.array([2.0]), 3).tolist() == [[3.0, 4.0]] * 3


def test_how_many_pegs_a_long_face_gets():
    assert count_for(20, 5) == 2
    assert count_for(300, 5) == 3
    assert count_for(5000, 5) == 6
    # Small ones stand closer, and large ones no farther apart than 100 mm.
    assert count_for(200, 2) == 5
    assert count_for(400, 20) == 4
    counts = [count_for(length, 4.0) for length in range(1, 700)]
    assert counts == sorted(counts)


# --- obstacles ------------------------------------------------------------------------

DOWN = np.array([0.0, 0.0, -1.0])
TOP = Frame.on_plane((0, 0, 30), (0, 0, 1))


def brute(at: np.ndarray, around: Obstacles, depth: float, lean: np.ndarray) -> np.ndarray:
    near = around.depth <= depth
    points = around.points[near] - around.depth[near, None] * lean
    return np.linalg.norm(at[:, None] - points, axis=2).min(axis=1)


def test_clear_radius_is_exact_and_is_kept():
    rng = np.random.default_rng(8)
    depth = rng.uniform(0, 20, 4000)
    around = Obstacles(rng.uniform(-30, 30, (4000, 2)), depth, np.zeros((0, 3, 3)))
    at = rng.uniform(-20, 20, (150, 2))
    for _ in range(2):
        for deep in (1.0, 7.5, 20.0):
            for lean in (np.zeros(2), np.array([0.3, -0.2]), np.array([-0.3, 0.2])):
                found = clear_radius(at, around, deep, lean if lean.any() else None)
                assert found == pytest.approx(brute(at, around, deep, lean), abs=1e-12)
    assert around.tree(7.5) is around.tree(7.5, np.zeros(2))
    assert around.tree(7.5) is not around.tree(7.5, np.array([0.3, -0.2]))
    nothing = Obstacles(np.zeros((0, 2)), np.zeros(0), np.zeros((0, 3, 3)))
    assert (clear_radius(at, nothing, 5.0) == np.inf).all()
    assert (clear_radius(at, around, -1.0, np.array([0.1, 0])) == np.inf).all()


def leaning_box(slope: float) -> Mesh:
    """20 by 20 mm and 30 mm high; the middle goes `slope` mm sideways for each mm down."""
    whole = box(20, 20, 30)
    vertices = whole.vertices.copy()
    vertices[:, 0] += slope * (30 - vertices[:, 2])
    return Mesh(vertices, whole.faces, whole.tag)


@pytest.mark.parametrize("slope", [0.0, 0.4, -0.4])
def test_what_leans_as_its_walls_keeps_its_room(slope):
    leaning = leaning_box(slope)
    height = leaning.vertices[leaning.faces][:, :, 2]
    own = np.flatnonzero((height == 30).all(axis=1)).astype(np.int32)
    at = TOP.to_plane(np.array([[10.0, 10, 30], [4, 10, 30]]))
    face = region_of(TOP.to_plane(np.c_[rectangle(20, 20).outline, np.full(4, 30.0)]))
    sideways = TOP.to_plane(np.array([[slope, 0, 30], [0, 0, 30.0]]))
    lean = sideways[0] - sideways[1]
    found = obstacles(leaning, own, TOP, DOWN, face, 12.0, 0.2, lean=lean)
    assert clear_radius(at, found, 10.0, lean) == pytest.approx([10, 4], abs=0.02)
    # Straight down it runs into the wall that comes over: to within a space of samples.
    straight = [10 - 10 * abs(slope), 4 - 10 * max(slope, 0)]
    assert clear_radius(at, found, 10.0) == pytest.approx(np.abs(straight), abs=0.2)
    # Leaning the other way it loses twice as much.
    if slope:
        other = clear_radius(at[:1], found, 10.0, -lean)
        assert other == pytest.approx([10 - 20 * abs(slope)], abs=0.2)


def test_a_lean_collects_what_is_over_there():
    # A post far to the side, under which a leaning peg would come.
    block, post = box(200, 20, 30), box(2, 2, 2, low=(75, 9, 1))
    whole = Mesh(
        np.concatenate([block.vertices, post.vertices]),
        np.concatenate([block.faces, post.faces + len(block.vertices)]),
        np.concatenate([block.tag, post.tag]),
    )
    own = np.flatnonzero((whole.vertices[whole.faces][:, :, 2] == 30).all(axis=1))
    corners = np.array([[0, 0], [20, 0], [20, 20], [0, 20.0]])
    face = region_of(TOP.to_plane(np.c_[corners, np.full(4, 30.0)]))
    sideways = TOP.to_plane(np.array([[2.2, 0, 30], [0, 0, 30.0]]))
    lean = sideways[0] - sideways[1]
    at = TOP.to_plane(np.array([[10.0, 10, 30]]))
    plain, leaning = (
        obstacles(whole, own.astype(np.int32), TOP, DOWN, face, 29.0, 0.5, lean=way)
        for way in (None, lean)
    )
    assert len(leaning.points) > len(plain.points)
    assert clear_radius(at, leaning, 29.0, lean)[0] < 5 < clear_radius(at, plain, 29.0, lean)[0]


@pytest.mark.parametrize("spacing", [0.3, 2.0, 50.0])
def test_samples_of_obstacles_are_those_of_their_triangles(spacing):
    leaning = leaning_box(0.3)
    own = np.zeros(0, dtype=np.int32)
    face = rectangle(20, 20)
    body = leaning_box(0.0).vertices[leaning.faces] / 4
    frame = Frame(np.zeros(3), np.eye(3))
    found = obstacles(leaning, own, frame, DOWN, face, 40.0, spacing, (body,))
    every = sampled(found.triangles, spacing)
    depth = every @ DOWN
    every = every[(depth > -spacing) & (depth < 40)]
    here = np.c_[found.points, -found.depth]
    if not len(every):
        assert not len(here)
        return
    for a, b in ((here, every), (every, here)):
        assert cKDTree(a).query(b)[0].max() < 1e-9
    assert len(here) < len(every)


def test_spots_are_those_of_a_grid_that_lie_inside():
    for region in (ring(20, 6, 60), star(5, 33)):
        at = spots(region, 0.7)
        assert region.contains(at[:-1]).all() and (at[-1] == region.inner_point).all()
        assert len(at) - 1 == pytest.approx(region.area / 0.49, rel=0.03)


def test_a_figure_as_large_as_a_hall_asks_for_no_more_memory_than_there_is():
    """At 3 mm from sample to sample its faces would take 30 GiB."""
    side = 200_000.0
    seams = (Seam(1, "waist", (side / 2, side / 2, side / 2), (0.0, 0.0, 1.0)),)
    blanks = take_apart(box(side, side, side), seams)
    large = PrinterProfile(build_volume=(2 * side, 2 * side, 2 * side))
    tracemalloc.start()
    (joint,) = joints(blanks, interfaces(blanks, seams), large)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 400e6
    assert len(joint.pegs) == 3 and joint.marks is not None
    assert min(p.wall for p in joint.pegs) >= large.wall
