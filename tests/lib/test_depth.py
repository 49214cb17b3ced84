"""Depths: which side of the skin a point is on, and how far from it."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.depth import Depths, nearest_weights
from seamwright.shapes import box, sphere
from seamwright.wall import point_triangle_distance


def test_depths_in_a_ball_are_its_radius_less_the_points():
    ball = sphere(60, 96)
    way = np.random.default_rng(1).normal(size=(200, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    radius = np.linspace(50, 70, 200)
    depth, deeper = Depths.of(ball, np.arange(len(ball.faces))).at(radius[:, None] * way)
    assert depth == pytest.approx(60 - radius, abs=0.1)
    # Right at the skin the way in may be along a face's normal.
    clear = np.abs(depth) > 1
    assert (np.einsum("ij,ij->i", deeper, -way)[clear] > 0.99).all()


@pytest.mark.parametrize(
    ("point", "depth", "deeper"),
    [
        ((5.0, 5.0, 9.0), 1.0, (0, 0, -1)),
        ((11.0, 11.0, 5.0), -np.sqrt(2), (-np.sqrt(0.5), -np.sqrt(0.5), 0)),
        ((-1.0, -1.0, -1.0), -np.sqrt(3), (np.sqrt(1 / 3),) * 3),
        ((10.0, 4.0, 5.0), 0.0, (-1, 0, 0)),
    ],
)
def test_sides_of_a_boxs_faces_edges_and_corners_are_told(point, depth, deeper):
    found, way = Depths.of(box(10, 10, 10), np.arange(12)).at(np.array([point]))
    assert found[0] == pytest.approx(depth, abs=1e-12)
    assert way[0] == pytest.approx(deeper, abs=1e-12)


def test_the_nearest_place_is_as_far_as_the_distance():
    some = np.random.default_rng(2)
    tri, points = some.normal(size=(300, 3, 3)), some.normal(size=(300, 3))
    weights = nearest_weights(points, tri)
    assert weights.min() >= 0 and weights.sum(axis=1) == pytest.approx(1)
    place = np.einsum("nk,nkx->nx", weights, tri)
    gap = np.linalg.norm(points - place, axis=1)
    assert gap == pytest.approx(point_triangle_distance(points, tri))
