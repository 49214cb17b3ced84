"""Markings: as values, through true size, mending and parting, and what crosses them."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.choice import PLAIN
from seamwright.errors import BadInput
from seamwright.figure import true_size
from seamwright.line import line_seam
from seamwright.markings import (
    KeepClear,
    Markings,
    after_mending,
    at_true_size,
    carried,
    crossed,
    faces_above,
    share_in_balls,
    with_balls,
)
from seamwright.mend import mend
from seamwright.mesh import Mesh, joined
from seamwright.nearest import nearest_faces
from seamwright.pieces import take_apart
from seamwright.seam import Reach, Seam, SeamLine
from seamwright.shapes import box, moved, revolved, sphere

UP = (0.0, 0.0, 1.0)


def middles(mesh: Mesh) -> np.ndarray:
    return mesh.vertices[mesh.faces].mean(axis=1)


def cylinder(radius: float = 10.0, half: float = 20.0, sides: int = 96) -> Mesh:
    z = np.linspace(-half, half, 41)
    return revolved(np.r_[0, np.full(len(z), radius), 0], np.r_[-half, z, half], sides)


# --- the nearest face ---------------------------------------------------------------


def test_the_nearest_face_is_that_of_trying_all():
    rng = np.random.default_rng(3)
    # Large and small faces, so that the nearest middle often is another face's.
    mesh = joined([box(100, 100, 100), moved(sphere(3, 16), (50, 50, 103))])
    points = rng.uniform(-20, 130, (400, 3))
    face, distance = nearest_faces(mesh, points)
    for p, f, d in zip(points, face, distance, strict=True):
        every = [_distance(p, mesh.vertices[t]) for t in mesh.faces]
        assert d == pytest.approx(min(every), abs=1e-9)
        assert every[f] == pytest.approx(min(every), abs=1e-9)


def _distance(p: np.ndarray, corners: np.ndarray) -> float:
    """Point to triangle by projecting: onto the plane if that lands inside, else the edges."""
    a, b, c = corners
    n = np.cross(b - a, c - a)
    share = np.linalg.lstsq(np.stack([b - a, c - a], axis=1), p - a, rcond=None)[0]
    best = np.inf
    if share.min() >= 0 and share.sum() <= 1:
        best = abs((p - a) @ n) / np.linalg.norm(n)
    for u, v in ((a, b), (b, c), (c, a)):
        t = np.clip((p - u) @ (v - u) / ((v - u) @ (v - u)), 0, 1)
        best = min(best, np.linalg.norm(p - u - t * (v - u)))
    return float(best)


def test_of_faces_equally_near_the_first_is_taken():
    doubled = joined([box(10, 10, 10), box(10, 10, 10)])
    face, distance = nearest_faces(doubled, middles(doubled))
    assert np.array_equal(face, np.tile(np.arange(12), 2)) and np.allclose(distance, 0)


# --- values -------------------------------------------------------------------------


def test_a_face_counts_when_all_its_corners_do():
    mesh = Mesh.of(np.eye(4, 3), [[0, 1, 2], [1, 2, 3]])
    assert faces_above(mesh, [1, 0.6, 0.51, 0.5], 0.5).tolist() == [True, False]
    assert faces_above(mesh, [1, 0.6, 0.51, 0.5], 0.4).tolist() == [True, True]
    assert faces_above(mesh, [True, True, True, False], 0.5).tolist() == [True, False]


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"keep_clear": [True]}, "one true or false for each of the 12"),
        ({"keep_clear": np.ones(12)}, "one true or false"),
        ({"lines": np.zeros((3, 3))}, r"Natural lines have shape \(3, 3\)"),
        ({"lines": np.full((1, 2, 3), np.nan)}, "finite"),
        ({"balls": np.zeros((1, 3))}, r"Balls have shape \(1, 3\)"),
    ],
)
def test_wrong_shapes_say_so(given, words):
    with pytest.raises(BadInput, match=words):
        Markings.of(box(1, 1, 1), **given)


def test_sentences_hold_the_numbers():
    cube = box(10, 10, 10)
    top = middles(cube)[:, 2] == 10
    marked = Markings.of(cube, top, [[[0, 0, 10], [10, 0, 10]]], [(0, 0, 0, 1)])
    assert marked.sentences(cube) == (
        "keep-clear area: 100 mm² (16.7 %) of the skin, and what lies in 1 ball",
        "natural lines: 10 mm",
    )
    assert Markings.of(cube).sentences(cube) == () and not Markings.of(cube).has_area


# --- true size ----------------------------------------------------------------------


@pytest.mark.parametrize("up", ["x", "y", "z"])
@pytest.mark.parametrize("size", [{"scale": 3.7}, {"target_height": 1800.0}, {}])
def test_lines_come_to_true_size_with_the_figure(up, size):
    source = moved(sphere(2, 12), (0.3, -1.2, 5))
    edges = source.faces[:, :2]
    flags = middles(source)[:, 0] > 0.3
    marked = Markings.of(source, flags, source.vertices[edges])
    sized = true_size(source, unit="cm", up=up, **size)
    found = at_true_size(marked, source, unit="cm", up=up, **size)
    assert np.array_equal(found.lines, sized.vertices[edges])
    assert np.array_equal(found.keep_clear, flags)


# --- mending ------------------------------------------------------------------------


def test_a_sound_figure_keeps_its_very_markings():
    figure = sphere(20)
    marked = Markings.of(figure, middles(figure)[:, 0] > 0)
    assert after_mending(marked, figure, mend(figure).mesh) is marked


def test_welding_and_turned_faces_change_no_mark():
    figure = sphere(20)
    flags = middles(figure)[:, 0] + middles(figure)[:, 2] > 3
    # Every face apart from its neighbours, every third turned, in another order.
    order = np.random.default_rng(1).permutation(len(figure.faces))
    corners = figure.vertices[figure.faces[order]]
    corners[::3] = corners[::3, ::-1]
    soup = Mesh.of(corners.reshape(-1, 3), np.arange(3 * len(order)).reshape(-1, 3))
    mended = mend(soup).mesh
    assert mended.is_closed and len(mended.vertices) == len(figure.vertices)
    found = after_mending(Markings.of(soup, flags[order]), soup, mended).keep_clear
    assert np.array_equal(found, middles(mended)[:, 0] + middles(mended)[:, 2] > 3)


def test_vertices_moved_by_welding_keep_their_marks():
    figure = sphere(20)
    flags = middles(figure)[:, 0] > 0.1
    nudge = np.random.default_rng(2).normal(0, 1e-6, figure.vertices.shape)
    near = Mesh.of(figure.vertices + nudge, figure.faces)
    assert np.array_equal(carried(Markings.of(figure, flags), figure, near).keep_clear, flags)


def test_a_hole_is_closed_with_the_marks_about_it():
    figure = sphere(20, 64)
    here = middles(figure)
    hole = np.linalg.norm(here - [20, 0, 0], axis=1) < 6
    other = np.linalg.norm(here - [-20, 0, 0], axis=1) < 6
    holed = figure.subset(~(hole | other))
    marked = Markings.of(holed, middles(holed)[:, 0] > 0)
    mended = mend(holed).mesh
    assert mended.is_closed and len(mended.faces) > len(holed.faces)
    found = after_mending(marked, holed, mended).keep_clear
    filled = np.arange(len(mended.faces)) >= len(holed.faces)
    assert filled.sum() > 20
    assert np.array_equal(found, middles(mended)[:, 0] > 0)


def test_united_shells_keep_marks_on_their_own_skin_and_lose_buried_lines():
    # A bar through a box: only the box is kept clear, and its edges and the bar's are lines.
    block, bar = box(40, 40, 40), moved(box(100, 10, 10), (-30, 15, 15))
    both = joined([block, bar])
    flags = np.arange(24) < 12
    buried = [[[10, 15, 15], [30, 15, 15]]]
    outside = [[[0, 0, 0], [40, 0, 0]], [[-30, 15, 15], [-10, 15, 15]]]
    marked = Markings.of(both, flags, [*buried, *outside])
    mended = mend(both).mesh
    assert mended.is_closed and mended.volume == pytest.approx(64000 + 60 * 100)
    found = after_mending(marked, both, mended)
    beyond = np.abs(middles(mended)[:, 0] - 20) > 20 + 1e-9
    assert np.array_equal(found.keep_clear, ~beyond)
    assert mended.areas[found.keep_clear].sum() == pytest.approx(6 * 1600 - 2 * 100)
    assert np.array_equal(found.lines, outside)


# --- balls --------------------------------------------------------------------------


def test_a_ball_must_hold_skin():
    cube = box(100, 100, 100)
    ball = KeepClear("ball", centre=(50.0, 50.0, 110.0), radius=12.0)
    found = with_balls(Markings.of(cube), (KeepClear("mask"), ball), cube)
    assert found.balls.tolist() == [[50, 50, 110, 12]] and found.has_area
    small = KeepClear("ball", centre=(50.0, 50.0, 110.0), radius=9.0)
    with pytest.raises(BadInput, match=r"ball of 9 mm about \(50, 50, 110\) mm holds no skin.* 10"):
        with_balls(Markings.of(cube), (small,), cube)


def test_share_in_balls_is_that_of_sampling():
    rng = np.random.default_rng(8)
    start, end = rng.uniform(-10, 10, (2, 60, 3))
    balls = np.column_stack([rng.uniform(-8, 8, (5, 3)), rng.uniform(1, 6, 5)])
    t = (np.arange(4000) + 0.5) / 4000
    points = start[:, None] + t[:, None] * (end - start)[:, None]
    inside = np.zeros(points.shape[:2], dtype=bool)
    for x, y, z, radius in balls:
        inside |= np.linalg.norm(points - (x, y, z), axis=2) < radius
    assert share_in_balls(start, end, balls) == pytest.approx(inside.mean(axis=1), abs=2e-3)


# --- what crosses -------------------------------------------------------------------


def said_of(figure: Mesh, marked: Markings, *seams: Seam) -> tuple[str, ...]:
    pieces = [p.mesh for p in take_apart(figure, seams)]
    return crossed(figure, marked, pieces, {seam.id: seam.name for seam in seams})


def test_a_seam_through_a_keep_clear_half_is_told_with_length_and_place():
    figure = cylinder()
    marked = Markings.of(figure, middles(figure)[:, 0] > 0)
    (said,) = said_of(figure, marked, Seam(1, "throat", (0, 0, 0.3), UP))
    # Half the round of a polygon of 96 sides, which is pi r to a hair.
    assert said.startswith("Seam 'throat' crosses the keep-clear area for 31.4 mm, about (10.0, ")
    assert ", 0.3) mm; move it, or nudge it." in said


@pytest.mark.parametrize("z", [0.0, -1.0])
def test_along_the_areas_edge_is_not_across_it(z):
    figure = cylinder()
    marked = Markings.of(figure, middles(figure)[:, 2] < z)
    assert said_of(figure, marked, Seam(1, "belt", (0, 0, z), UP)) == ()
    assert len(said_of(figure, marked, Seam(1, "belt", (0, 0, z - 0.1), UP))) == 1


def test_only_the_seams_that_cross_are_told_and_only_where_they_part():
    figure = joined([cylinder(), moved(cylinder(), (40, 0, 0))])
    marked = Markings.of(figure, middles(figure)[:, 0] > 20)
    left = Seam(1, "left", (0, 0, 3), UP, Reach("nearest", points=((0, 0, 3),)))
    right = Seam(2, "right", (40, 0, -3), UP, Reach("nearest", points=((40, 0, -3),)))
    (said,) = said_of(figure, marked, left, right)
    # 2 pi r, as a polygon of 96 sides: 62.8 mm.
    assert said.startswith("Seam 'right' crosses the keep-clear area for 62.8 mm, about (")


def test_seams_that_cross_each_other_are_told_of_once():
    figure = cylinder()
    marked = Markings.of(figure, np.ones(len(figure.faces), dtype=bool))
    said = said_of(
        figure, marked, Seam(1, "level", (0, 0, 0.3), UP), Seam(2, "upright", (0, 0, 0), (1, 0, 0))
    )
    # The upright one runs round: twice the height and twice the diameter.
    assert [s.split(" for ")[1].split(",")[0] for s in said] == ["62.8 mm", "120.0 mm"]


def test_a_line_seam_crosses_like_a_flat_one_and_may_follow_the_areas_edge():
    figure = cylinder()
    turn = np.radians(np.arange(0, 360, 15))
    points = tuple((10 * float(np.cos(a)), 10 * float(np.sin(a)), 0.0) for a in turn)
    cuff = line_seam(1, "cuff", SeamLine(points, crease=1.0), PLAIN)
    half = Markings.of(figure, middles(figure)[:, 0] > 0)
    (said,) = said_of(figure, half, cuff)
    assert said.startswith("Seam 'cuff' crosses the keep-clear area for 31.4 mm, about (10.0, ")
    assert said_of(figure, Markings.of(figure, middles(figure)[:, 2] < 0), cuff) == ()


def test_a_ball_is_crossed_for_its_chord():
    cube = box(100, 100, 100, (-50, -50, -50))
    marked = Markings.of(cube, balls=[(50, 5, 10, 20)])
    (said,) = said_of(cube, marked, Seam(1, "waist", (0, 0, 6), UP))
    assert f"for {2 * np.sqrt(20**2 - 4**2):.1f} mm, about (50.0, " in said
    assert said_of(cube, marked, Seam(1, "waist", (0, 0, -10.1), UP)) == ()
    assert said_of(cube, Markings.of(cube), Seam(1, "waist", (0, 0, 6), UP)) == ()
