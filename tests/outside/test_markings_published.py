"""Markings against closed forms of spheres and cylinders, and against trimesh's nearest faces."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from seamwright.frame import Frame
from seamwright.markings import Markings, carried, faces_above
from seamwright.mesh import Mesh, joined
from seamwright.nearest import nearest_faces
from seamwright.quality import prepared, quality
from seamwright.section import section
from seamwright.shapes import box, moved, sphere, torus


def crossing_length(figure: Mesh, marked: Markings, height: float) -> float:
    surface = prepared(figure, marked, scale=1.0)
    found = section(figure, Frame.on_plane((0, 0, height), (0, 0, 1)))
    return quality(surface, found).keep_clear


def arc(radius: float, ball: float, height: float) -> float:
    """Length of the level circle of a sphere that lies in a ball about a point of its equator.

    Points of the sphere within `ball` of (radius, 0, 0) are those beyond the plane
    x = radius - ball² / (2 radius), a spherical cap (Euclid's Elements III, intersecting
    chords); of a circle of radius r that is an arc of 2 r acos(x / r).
    """
    across = np.sqrt(radius**2 - height**2)
    return float(2 * across * np.arccos((radius - ball**2 / (2 * radius)) / across))


@pytest.mark.parametrize("height", [0.3, -12.7, 20.1])
@pytest.mark.parametrize("ball", [25.0, 40.0])
def test_the_arc_of_a_ball_on_a_sphere(height, ball):
    figure = sphere(50, 360)
    marked = Markings.of(figure, balls=[(50, 0, 0, ball)])
    assert crossing_length(figure, marked, height) == pytest.approx(arc(50, ball, height), rel=2e-3)


@pytest.mark.parametrize("sides", [180, 720])
def test_painting_the_same_cap_comes_to_the_same_arc_as_triangles_shrink(sides):
    figure = sphere(50, sides)
    painted = np.linalg.norm(figure.vertices - [50, 0, 0], axis=1) < 40
    marked = Markings.of(figure, faces_above(figure, painted, 0.5))
    # A face counts only with all its corners: at either end up to two triangles are lost.
    lost = 4 * 2 * np.pi * 50 / sides
    found = crossing_length(figure, marked, 3.1)
    assert arc(50, 40, 3.1) - lost <= found <= arc(50, 40, 3.1) + 1e-9


def test_nearest_faces_are_trimeshs():
    mesh = joined([torus(40, 12, 48, 24), moved(box(90, 90, 5), (-45, -45, -30))])
    points = np.random.default_rng(4).uniform(-60, 60, (2000, 3))
    reference = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    _, distance, face = trimesh.proximity.closest_point(reference, points)
    found, gap = nearest_faces(mesh, points)
    assert gap == pytest.approx(distance, abs=1e-9)
    # Where the nearest point lies on an edge, its faces are equally near.
    alike = found == face
    assert alike.mean() > 0.5
    assert gap[~alike] == pytest.approx(distance[~alike], abs=1e-9)


def test_marks_carried_to_a_finer_mesh_are_those_of_the_same_place():
    coarse = sphere(50, 60)
    fine = trimesh.Trimesh(coarse.vertices, coarse.faces, process=False).subdivide()
    finer = Mesh.of(fine.vertices, fine.faces)
    flags = coarse.vertices[coarse.faces].mean(axis=1)[:, 0] > 11
    found = carried(Markings.of(coarse, flags), coarse, finer).keep_clear
    assert finer.areas[found].sum() == pytest.approx(coarse.areas[flags].sum(), rel=1e-9)
    assert found.sum() == 4 * flags.sum()
