"""The least distance between two sets of triangles, and the samples that narrow its search."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from seamwright.mesh import Mesh
from seamwright.shapes import box, moved, sphere, torus
from seamwright.wall import _pair_distances, least_distance, sampled, segment_distance

FLAT = np.array([[[0, 0, 0], [4, 0, 0], [0, 4, 0]]], dtype=float)


def corners(mesh: Mesh) -> np.ndarray:
    return mesh.vertices[mesh.faces]


def shifted(triangles: np.ndarray, *by: float) -> np.ndarray:
    return triangles + np.array(by, dtype=float)


def both_ways(a: np.ndarray, b: np.ndarray) -> float:
    there, back = least_distance(a, b)[0], least_distance(b, a)[0]
    assert there == pytest.approx(back, abs=1e-12)
    return there


# --- closed forms -----------------------------------------------------------------


@pytest.mark.parametrize("gap", [1e-3, 0.5, 40.0])
def test_parallel_triangles(gap):
    assert both_ways(FLAT, shifted(FLAT, 0, 0, gap)) == pytest.approx(gap, rel=1e-12)
    assert both_ways(FLAT, shifted(FLAT, 0.3, 0.3, gap)) == pytest.approx(gap, rel=1e-12)
    # Beside each other in one plane: corner to corner.
    assert both_ways(FLAT, shifted(FLAT, 4 + gap, 0, 0)) == pytest.approx(gap, rel=1e-12)


def test_edges_that_cross_at_a_distance():
    other = np.array([[[2, -3, 1.5], [2, 3, 1.5], [2, 0, 9]]])
    assert both_ways(shifted(FLAT, 0, -2, 0), other) == pytest.approx(1.5, rel=1e-12)
    # Only their edges are near: both triangles stand on end.
    a = np.array([[[-5, 0, 0], [5, 0, 0], [0, 0, -8]]], dtype=float)
    b = np.array([[[0, -5, 2], [0, 5, 2], [0, 0, 9]]], dtype=float)
    assert both_ways(a, b) == pytest.approx(2, rel=1e-12)


def test_a_corner_over_a_face_and_off_its_side():
    spike = np.array([[[1, 1, 2], [1, 2, 7], [2, 1, 7]]], dtype=float)
    assert both_ways(FLAT, spike) == pytest.approx(2, rel=1e-12)
    assert both_ways(FLAT, shifted(spike, 4, 4, 0)) == pytest.approx(np.sqrt(18 + 4), rel=1e-12)


def test_what_crosses_or_touches_has_no_distance():
    through = np.array([[[1, 1, -1], [1, 1, 1], [2, 1, 1]]], dtype=float)
    assert both_ways(FLAT, through) == 0
    assert both_ways(FLAT, shifted(FLAT, 0, 0, 0)) == 0
    assert both_ways(FLAT, shifted(FLAT, 1, 1, 0)) == 0
    assert both_ways(FLAT, np.array([[[1, 1, 0], [1, 1, 5], [2, 1, 5.0]]])) == 0
    assert both_ways(FLAT, np.array([[[4, 0, 0], [9, 0, 1], [9, 1, 1.0]]])) == 0
    assert both_ways(corners(box(4, 4, 4)), corners(box(4, 4, 4, low=(2, 2, 2)))) == 0


@pytest.mark.parametrize("size", [1e-3, 1.0, 1e3])
def test_crossing_is_seen_at_any_size(size):
    through = size * np.array([[[1, 1, -2], [1, 1, 2], [2, 1, 2]]], dtype=float)
    assert both_ways(size * FLAT, through) == 0


def test_a_body_inside_and_a_skin_inside():
    inner, outer = corners(box(2, 2, 2, low=(1, 4, 4))), corners(box(10, 10, 10))
    assert both_ways(inner, outer) == pytest.approx(1, rel=1e-12)


def test_one_among_many_and_where():
    body = corners(box(1, 1, 1))
    skin = np.concatenate([corners(moved(sphere(3.0, 24), (k, 9, 0))) for k in (-20, 7, 30)])
    distance, where = least_distance(body, np.concatenate([skin, shifted(FLAT, 0, 0, 1.75)]))
    assert distance == pytest.approx(0.75, rel=1e-12)
    np.testing.assert_allclose(where, shifted(FLAT, 0, 0, 1.75)[0].mean(axis=0))


def test_no_skin_is_infinitely_far():
    assert least_distance(FLAT, np.zeros((0, 3, 3)))[0] == np.inf


def test_a_long_thin_triangle_beside_a_small_body():
    sliver = np.array([[[-500, 0, 0], [500, 0, 0], [0, 1e-3, 0]]], dtype=float)
    small = corners(box(0.5, 0.5, 0.5, low=(123.4, -0.2, 2.0)))
    assert both_ways(sliver, small) == pytest.approx(2.0, rel=1e-9)


def test_triangles_without_area_count_as_their_edges():
    line = np.array([[[0, 0, 3], [2, 0, 3], [1, 0, 3]]], dtype=float)
    dot = np.array([[[1, 1, 5], [1, 1, 5], [1, 1, 5]]], dtype=float)
    assert both_ways(FLAT, line) == pytest.approx(3, rel=1e-12)
    assert both_ways(FLAT, dot) == pytest.approx(5, rel=1e-12)
    assert both_ways(line, dot) == pytest.approx(np.sqrt(5), rel=1e-12)


# --- against dense samples ----------------------------------------------------------


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.lists(st.integers(-8, 8), min_size=18, max_size=18),
    st.sampled_from([1.0, 0.37, 1e3]),
)
def test_random_pairs_against_dense_samples(numbers, size):
    a, b = size * np.array(numbers, dtype=float).reshape(2, 1, 3, 3)
    found = both_ways(a, b)
    spacing = 0.2 * size
    dense, _ = cKDTree(sampled(a, spacing)).query(sampled(b, spacing))
    # Samples only ever find more, and at most two half-diagonals of their grid more.
    assert found <= dense.min() + 1e-9 * size
    assert found >= dense.min() - 2 * spacing


@pytest.mark.parametrize("shift", [(0, 0, 9.5), (13, 1, 2), (3, -2, 0.5), (17, 3, 0)])
def test_solids_against_trimesh(shift):
    body = moved(box(3, 2, 4, low=(-1.5, -1, -2)), shift)
    skin = torus(10, 4, 24, 12)
    found, _ = least_distance(corners(body), corners(skin))
    other = trimesh.Trimesh(skin.vertices, skin.faces, process=False)
    points = sampled(corners(body), 0.25)
    _, distance, _ = trimesh.proximity.closest_point(other, points)
    assert found == pytest.approx(distance.min(), abs=0.1)
    assert found <= distance.min() + 1e-9


def test_a_fine_skin_and_a_coarse_skin_agree():
    # The narrowing by bounds must not depend on how a surface is divided.
    body = corners(box(2, 3, 4, low=(20, -1, -2)))
    coarse = box(10, 60, 60, low=(0, -30, -30))
    fine = trimesh.Trimesh(coarse.vertices, coarse.faces, process=False).subdivide().subdivide()
    for mesh in (coarse, Mesh.of(fine.vertices, fine.faces)):
        assert least_distance(body, corners(mesh))[0] == pytest.approx(10, rel=1e-12)


@pytest.mark.parametrize("number", range(6))
def test_a_large_skin_and_its_triangles_one_by_one_agree(number):
    # Alone, no triangle can be dropped; together, nearly all are.
    rng = np.random.default_rng(number)
    body = corners(moved(box(4, 6, 9), rng.uniform(-3, 3, 3)))
    middle = rng.normal(size=(400, 1, 3))
    middle *= rng.uniform(8, 30, (400, 1, 1)) / np.linalg.norm(middle, axis=2, keepdims=True)
    skin = middle + rng.uniform(-1, 1, (400, 3, 3)) * rng.choice([0.3, 3, 12], (400, 1, 1))
    alone = np.array([least_distance(body, one[None])[0] for one in skin])
    distance, where = least_distance(body, skin)
    assert distance == alone.min()
    np.testing.assert_array_equal(where, skin[np.argmin(alone)].mean(axis=0))


# --- segments -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("p", "p2", "q", "q2", "expected"),
    [
        ((0, 0, 0), (4, 0, 0), (2, -1, 3), (2, 1, 3), 3),
        ((0, 0, 0), (4, 0, 0), (5, 0, 0), (9, 0, 0), 1),
        ((0, 0, 0), (4, 0, 0), (1, 2, 0), (3, 2, 0), 2),
        ((0, 0, 0), (4, 0, 0), (9, 2, 0), (-3, 2, 0), 2),
        ((0, 0, 0), (4, 0, 0), (7, 4, 0), (9, 4, 0), 5),
        ((0, 0, 0), (0, 0, 0), (3, 4, 0), (3, 4, 0), 5),
        ((0, 0, 0), (0, 0, 0), (-1, 1, 0), (5, 1, 0), 1),
        ((0, 0, 0), (2, 2, 0), (0, 2, 0), (2, 0, 0), 0),
    ],
)
def test_segment_pairs(p, p2, q, q2, expected):
    ends = [np.array(x, dtype=float) for x in (p, p2, q, q2)]
    assert segment_distance(*ends) == pytest.approx(expected, abs=1e-12)
    assert segment_distance(*ends[2:], *ends[:2]) == pytest.approx(expected, abs=1e-12)


def test_nearly_parallel_segments():
    # Lean of one part in 10⁷ over a length of 100: closest at one end. So near to parallel
    # either end may be taken, which is off by the lean times the length.
    p, p2 = np.zeros(3), np.array([100.0, 0, 0])
    q, q2 = np.array([0, 1 + 1e-5, 0]), np.array([100.0, 1.0, 0])
    assert segment_distance(p, p2, q, q2) == pytest.approx(1.0, abs=1.1e-5)


# --- samples ------------------------------------------------------------------------


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.lists(st.integers(-9, 9), min_size=9, max_size=9), st.sampled_from([0.4, 1.0, 3.0]))
def test_samples_lie_on_the_triangle_and_leave_no_large_gap(numbers, spacing):
    triangle = np.array(numbers, dtype=float).reshape(1, 3, 3)
    points = sampled(triangle, spacing)
    share = np.random.default_rng(7).dirichlet(np.ones(3), 400)
    inside = share @ triangle[0]
    distance, _ = cKDTree(points).query(inside)
    assert distance.max() <= spacing
    for point in points[:: max(1, len(points) // 20)]:
        assert least_distance(np.repeat(point[None, None], 3, axis=1), triangle)[0] < 1e-9


def test_samples_of_nothing():
    assert sampled(np.zeros((0, 3, 3)), 1.0).shape == (0, 3)


# --- what is left out ---------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_what_is_left_out_is_never_the_nearest(seed):
    """Needles, whose bounds tell little, beside small faces: to the last bit as of all pairs."""
    rng = np.random.default_rng(seed)
    small = rng.uniform(-40, 40, (900, 1, 3)) + rng.normal(0, 1.0, (900, 3, 3))
    needles = rng.uniform(-60, 60, (60, 3, 3))
    needles[:, 1] = needles[:, 0] + rng.normal(0, 0.2, (60, 3))
    skin = np.concatenate([small, needles])
    body = rng.uniform(-4, 4, (40, 3, 3)) * [1, 1, 5]
    far = np.linalg.norm(skin.mean(axis=1), axis=1) > 9
    skin = skin[far]
    i, j = (k.ravel() for k in np.indices((len(skin), len(body))))
    every = _pair_distances(skin[i], body[j])
    least, where = least_distance(body, skin)
    assert least == every.min()
    assert where.tolist() == skin[i[every == least].min()].mean(axis=0).tolist()


def test_so_many_samples_and_no_more():
    large = 200_000 * np.array([[[0, 0, 0], [1, 0, 0], [0, 1, 0.0]]])
    both = np.concatenate([large, FLAT])
    few = sampled(both, 3.0, 10_000)
    assert 1_000 < len(few) < 10_006
    # Spread over all of the large face, however far apart.
    spread = cKDTree(few).query(rng_points(large[0], 500))[0]
    assert spread.max() < 200_000 / 20
    # What needs no more than that is sampled as without.
    assert np.array_equal(sampled(FLAT, 0.1, 10_000), sampled(FLAT, 0.1))


def rng_points(triangle: np.ndarray, count: int) -> np.ndarray:
    share = np.random.default_rng(5).dirichlet([1, 1, 1], count)
    return share @ triangle
