"""Mending against closed forms and against another mesh library's reading of the result."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
import trimesh

from seamwright.inspection import inspect
from seamwright.mend import mend
from seamwright.mesh import Mesh, joined
from seamwright.shapes import box, moved, sphere, torus


def lens(big: float, small: float, apart: float) -> float:
    """Volume that two balls of radii `big` and `small` share, their centres `apart`, all mm.

    Weisstein, "Sphere-Sphere Intersection", MathWorld (from memory; tested against caps below).
    """
    gap = big + small - apart
    inner = apart**2 + 2 * apart * (big + small) - 3 * (big - small) ** 2
    return pi * gap**2 * inner / (12 * apart)


def ball(radius: float) -> float:
    """Volume of a ball, mm³ (Weisstein, "Sphere", MathWorld)."""
    return 4 / 3 * pi * radius**3


def beside(mesh: Mesh) -> trimesh.Trimesh:
    """The mesh as the other library sees it, not processed in any way."""
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False, validate=False)


def torn(mesh: Mesh, seed: int) -> Mesh:
    """The mesh without a twentieth of its faces, a tenth of the others turned over."""
    rng = np.random.default_rng(seed)
    faces = mesh.faces[rng.random(len(mesh.faces)) > 0.05]
    turned = rng.random(len(faces)) < 0.1
    faces[turned] = faces[turned, ::-1]
    return Mesh.of(mesh.vertices, faces)


# --- Weisstein, "Sphere-Sphere Intersection", MathWorld --------------------------------


@pytest.mark.parametrize(("big", "small", "apart"), [(10, 10, 7), (10, 6, 9), (10, 4, 13)])
def test_the_lens_is_two_caps(big, small, apart):
    # Weisstein, "Spherical Cap", MathWorld: a cap of height h holds π h² (3 R - h) / 3.
    # The plane of the caps is where both balls are equally wide.
    middle = (apart**2 + big**2 - small**2) / (2 * apart)
    heights = ((big, big - middle), (small, small - (apart - middle)))
    caps = sum(pi * h**2 * (3 * r - h) / 3 for r, h in heights)
    assert lens(big, small, apart) == pytest.approx(caps, rel=1e-12)


@pytest.mark.parametrize(("big", "small", "apart"), [(10, 10, 12), (10, 6, 9), (10, 4, 13)])
def test_two_balls_are_united_to_the_volume_of_the_closed_form(big, small, apart):
    # Only the distance of the centres counts; the shift keeps the meshes askew.
    shift = (apart, 0.3, 0.2)
    exact = ball(big) + ball(small) - lens(big, small, float(np.linalg.norm(shift)))
    off = []
    for sides in (48, 96):
        mended = mend(joined([sphere(big, sides), moved(sphere(small, sides), shift)]))
        assert mended.done == ("united 2 overlapping shells into 1",)
        assert mended.mesh.is_closed
        off.append(1 - mended.mesh.volume / exact)
    # A ball of n meridians and n/2 rows lies inside the true one; what it lacks goes with 1/n².
    assert 0 < off[1] < 0.003
    assert off[0] / off[1] == pytest.approx(4, rel=0.1)


def test_three_balls_in_a_row_are_united_pair_by_pair():
    # The outer two do not meet, so the two lenses are all that is shared.
    row = joined([moved(sphere(10, 96), (12.0 * i, 0.2 * i, 0.1 * i)) for i in range(3)])
    apart = float(np.linalg.norm([12, 0.2, 0.1]))
    mended = mend(row)
    assert mended.done == ("united 3 overlapping shells into 1",)
    exact = 3 * ball(10) - 2 * lens(10, 10, apart)
    assert mended.mesh.volume == pytest.approx(exact, rel=0.003)


# --- Pappus's centroid theorem (Weisstein, MathWorld): a torus holds 2 π² R r² -----------


def test_a_torn_torus_gets_its_volume_back():
    whole = torus(20, 6, 96, 48)
    mended = mend(torn(whole, 4))
    assert mended.mesh.is_closed
    assert mended.mesh.volume == pytest.approx(2 * pi**2 * 20 * 6**2, rel=0.01)
    # Weisstein, "Euler Characteristic", MathWorld: a torus has 0, so the hole is still open.
    assert beside(mended.mesh).euler_number == 0


# --- the other library's reading of what was mended --------------------------------------


BAD = {
    "a torn ball": torn(sphere(10, 48), 1),
    "a torn torus": torn(torus(20, 6, 48, 24), 2),
    "overlapping balls": joined([sphere(10, 24), moved(sphere(8, 24), (9, 1, 2))]),
    "overlapping boxes": joined([box(10, 10, 10), box(10, 10, 10, (5, 5, 5)).flipped()]),
    "boxes side by side": joined([box(10, 10, 10), box(10, 10, 10, (10, 0, 0))]),
    "a hollow ball inside out": joined([sphere(10, 24), sphere(8, 24).flipped()]).flipped(),
    "a bowl": (whole := sphere(10, 48)).subset(
        (whole.vertices[whole.faces][:, :, 2] < 3).all(axis=1)
    ),
}


@pytest.mark.parametrize("mesh", BAD.values(), ids=BAD.keys())
def test_the_other_library_finds_the_result_closed_and_the_same_size(mesh):
    mended = mend(mesh).mesh
    other = beside(mended)
    assert other.is_watertight
    assert other.is_winding_consistent
    assert other.is_volume
    found = inspect(mended)
    assert other.volume == pytest.approx(found.volume, rel=1e-9)
    assert other.area == pytest.approx(found.area, rel=1e-9)
    assert other.body_count == found.shells
    np.testing.assert_allclose(other.extents, found.size)


@pytest.mark.parametrize("seed", range(5))
def test_both_libraries_find_the_same_damage(seed):
    mesh = torn(sphere(10, 24), seed)
    found, other = inspect(mesh), beside(mesh)
    single = other.edges[trimesh.grouping.group_rows(other.edges_sorted, require_count=1)]
    rims = np.linalg.norm(np.diff(mesh.vertices[single], axis=1), axis=2)
    assert found.holes.edges.sum() == len(single) > 0
    assert found.holes.perimeters.sum() == pytest.approx(rims.sum())
    assert found.shells == len(trimesh.graph.connected_components(other.edges))
    assert found.flipped_faces.count > 0
    assert not other.is_winding_consistent
