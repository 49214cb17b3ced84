"""Sections and pieces against published closed forms, by convergence of ever finer meshes.

A mesh of facets lies inside the smooth solid and is off by a term in the square of its
step, so Richardson's extrapolation of two meshes, one of half the step, must meet the closed
form far more closely than either: L. F. Richardson, "The approximate arithmetical solution
by finite differences", Phil. Trans. R. Soc. A 210 (1911).
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from seamwright.frame import Frame
from seamwright.mend import mend
from seamwright.mesh import Mesh, joined
from seamwright.pieces import take_apart
from seamwright.seam import Reach, Seam
from seamwright.section import section
from seamwright.shapes import moved, revolved, sphere, torus

STEPS = (48, 96)


def extrapolated(measure: Callable[[int], float], exact: float) -> float:
    """Richardson's value, after checking that the error falls as the square of the step."""
    coarse, fine = (measure(n) for n in STEPS)
    assert 3.4 < (coarse - exact) / (fine - exact) < 4.6
    assert abs(fine - exact) < 0.01 * exact
    return fine + (fine - coarse) / 3


def cut(mesh: Mesh, point, normal) -> float:
    return section(mesh, Frame.on_plane(point, normal)).area


def below(mesh: Mesh, height: float) -> float:
    seam = Seam(1, "level", (0.0, 0.0, height), (0.0, 0.0, 1.0), Reach())
    return take_apart(mesh, (seam,))[0].mesh.volume


def cone(low: float, high: float, height: float, sides: int) -> Mesh:
    return revolved(np.array([0, low, high, 0]), np.array([0, 0, height, height]), sides)


# --- volumes of pieces --------------------------------------------------------------


@pytest.mark.parametrize("share", [0.25, 0.5, 1.0, 1.5])
def test_spherical_cap(share):
    # V = pi h^2 (3 r - h) / 3: Bronshtein et al., Handbook of Mathematics, section on solids
    # bounded by curved surfaces (number from memory).
    r = 40.0
    h = share * r
    exact = np.pi * h**2 * (3 * r - h) / 3
    # Rows at the height of the cut keep the step even: sides are a multiple of 24.
    value = extrapolated(lambda n: below(sphere(r, n), h - r), exact)
    assert value == pytest.approx(exact, rel=2e-3)


def test_sphere_to_cylinder_is_two_to_three():
    # Archimedes, On the Sphere and Cylinder I, corollary to proposition 34.
    r = 25.0
    whole = extrapolated(lambda n: sphere(r, n).volume, 4 / 3 * np.pi * r**3)
    tube = extrapolated(lambda n: cone(r, r, 2 * r, n).volume, 2 * np.pi * r**3)
    assert whole / tube == pytest.approx(2 / 3, rel=1e-4)


def test_pappus_volume_and_area_of_a_torus_and_of_its_halves():
    # Pappus, Collection VII: area times the way of its centroid, V = 2 pi^2 R r^2 and
    # A = 4 pi^2 R r.
    big, small = 30.0, 9.0
    volume, surface = 2 * np.pi**2 * big * small**2, 4 * np.pi**2 * big * small
    assert extrapolated(lambda n: torus(big, small, n, n).volume, volume) == (
        pytest.approx(volume, rel=1e-4)
    )
    assert extrapolated(lambda n: float(torus(big, small, n, n).areas.sum()), surface) == (
        pytest.approx(surface, rel=1e-4)
    )
    assert extrapolated(lambda n: below(torus(big, small, n, n), 0.0), volume / 2) == (
        pytest.approx(volume / 2, rel=1e-4)
    )


def test_pappus_by_the_sections_of_a_piece():
    # A wedge of the torus is the area of its seam face times the centroid's way.
    big, small, turn = 30.0, 9.0, np.radians(75)
    ring = torus(big, small, 96, 48)
    seams = tuple(
        Seam(
            k,
            f"s{k}",
            (big * np.cos(t), big * np.sin(t), 0.0),
            (-np.sin(t), np.cos(t), 0.0),
            Reach("nearest", ((big * np.cos(t), big * np.sin(t), 0.0),)),
        )
        for k, t in ((1, 0.0), (2, turn))
    )
    wedge = min(p.mesh.volume for p in take_apart(ring, seams))
    assert wedge == pytest.approx(np.pi * small**2 * big * turn, rel=0.005)


@pytest.mark.parametrize(("low", "high"), [(20.0, 8.0), (12.0, 12.0)])
def test_frustum_of_a_cone(low, high):
    # V = pi h (R^2 + R r + r^2) / 3: Bronshtein et al., Handbook of Mathematics (from memory).
    height, part = 36.0, 20.0
    middle = low + (high - low) * part / height
    exact = np.pi * part * (low**2 + low * middle + middle**2) / 3
    value = extrapolated(lambda n: below(cone(low, high, height, n), part), exact)
    assert value == pytest.approx(exact, rel=1e-5)


def test_cylindrical_hoof():
    # A cylinder cut aslant through a diameter of its base: V = 2 r^2 h / 3, with h the
    # height over the rim: Archimedes, The Method, proposition 11 (from memory). The volume
    # does not need pi.
    r, h = 15.0, 12.0
    exact = 2 * r**2 * h / 3

    def hoof(n: int) -> float:
        tube = cone(r, r, 40.0, n)
        # Centre the base's plane inside the tube so that both cuts go right through.
        lean = Seam(1, "lean", (0.0, 0.0, 20.0), (-h / r, 0.0, 1.0))
        level = Seam(2, "level", (0.0, 0.0, 20.0), (0.0, 0.0, 1.0))
        volumes = sorted(p.mesh.volume for p in take_apart(tube, (lean, level)))
        assert len(volumes) == 4 and volumes[0] == pytest.approx(volumes[1], rel=1e-6)
        return volumes[0]

    assert extrapolated(hoof, exact) == pytest.approx(exact, rel=1e-4)


# --- areas of sections --------------------------------------------------------------


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_small_circles_of_a_sphere(share):
    r = 40.0
    exact = np.pi * r**2 * (1 - share**2)
    value = extrapolated(lambda n: cut(sphere(r, n), (0, 0, share * r), (0, 0, 1)), exact)
    assert value == pytest.approx(exact, rel=1e-3)


def test_great_circles_have_one_area_whatever_their_lean():
    r = 40.0
    exact = np.pi * r**2
    for normal in ((1, 0, 0.2), (1, 1, 1), (0.3, -0.1, 1)):
        assert cut(sphere(r, 192), (0, 0, 0), normal) == pytest.approx(exact, rel=1e-3)


def test_ellipse():
    # A cylinder's slanted section is an ellipse of semi-axes r and r / cos t, and its area
    # is pi times both.
    r = 10.0
    for lean in (0.2, 0.9):
        exact = np.pi * r**2 / np.cos(lean)
        normal = (np.sin(lean), 0, np.cos(lean))
        value = extrapolated(
            lambda n, normal=normal: cut(cone(r, r, 80, n), (0, 0, 40), normal), exact
        )
        assert value == pytest.approx(exact, rel=1e-5)


def test_parabola():
    # The segment that a chord cuts off a parabola is four thirds of its triangle:
    # Archimedes, Quadrature of the Parabola, proposition 24. A cone cut parallel to its side
    # has a parabola for section.
    r, h = 30.0, 60.0
    # Through the base's diameter, so the chord is 2 r and the height half the side.
    height = np.hypot(r, h) / 2
    exact = 4 / 3 * (2 * r * height / 2)
    normal = (h, 0.0, r)

    def parabola(n: int) -> float:
        return cut(revolved(np.array([0, r, 0.0]), np.array([0, 0.0, h]), n), (0, 0, 0), normal)

    assert extrapolated(parabola, exact) == pytest.approx(exact, rel=1e-3)


def test_rings_of_a_torus():
    # Level: two circles about the axis. Upright through the axis: two circles of the tube.
    big, small = 30.0, 9.0
    lift = small * np.sin(np.pi / 6)
    half = small * np.cos(np.pi / 6)
    exact = np.pi * ((big + half) ** 2 - (big - half) ** 2)
    value = extrapolated(lambda n: cut(torus(big, small, n, n), (0, 0, lift), (0, 0, 1)), exact)
    assert value == pytest.approx(exact, rel=1e-4)
    exact = 2 * np.pi * small**2
    value = extrapolated(lambda n: cut(torus(big, small, n, n), (0, 0, 0), (0, 1, 0)), exact)
    assert value == pytest.approx(exact, rel=1e-5)


def test_an_oval_of_cassini():
    # A torus cut parallel to its axis at the tube's radius from it has a Cassini oval for
    # section: the points whose distances from two foci R off the middle have the product
    # 2 R r. Perseus's spiric sections; e.g. J. D. Lawrence, A Catalog of Special Plane
    # Curves (1972), 5.16 (number from memory). Every point of the outline is put to that test.
    big, small = 30.0, 12.0
    worst = []
    for n in (96, 192):
        frame = Frame.on_plane((0.0, small, 0.0), (0.0, 1.0, 0.0))
        whole = section(torus(big, small, n, n), frame)
        assert len(whole.regions) == 2
        points = np.concatenate([frame.to_world(p) for r in whole.regions for p in r.loops])
        x, z = points[:, 0], points[:, 2]
        product = np.hypot(x - big, z) * np.hypot(x + big, z)
        worst.append(np.abs(product / (2 * big * small) - 1).max())
    assert worst[1] < worst[0] / 3 and worst[1] < 0.005


def test_villarceau_circles():
    # A plane that touches a torus at two points meets it in two circles of the torus's major
    # radius, their centres the minor one off the axis on either side: Y. Villarceau, "Théorème
    # sur le tore", Nouvelles annales de mathématiques 7 (1848), from memory.
    big, small = 30.0, 12.0
    tilt = np.arcsin(small / big)
    normal = (-np.sin(tilt), 0.0, np.cos(tilt))
    worst = []
    for n in (96, 192):
        ring = torus(big, small, n, n)
        frame = Frame.on_plane((0.0, 0.0, 0.0), normal)
        whole = section(ring, frame)
        assert len(whole.regions) == 2 and all(r.clash is None for r in whole.regions)
        points = np.concatenate([frame.to_world(p) for r in whole.regions for p in r.loops])
        away = [np.linalg.norm(points - [0.0, y, 0.0], axis=1) for y in (small, -small)]
        worst.append(np.abs(np.min(np.abs(np.array(away) - big), axis=0)).max())
    # Where it touches it grazes the facets, so the points there come in more slowly.
    assert worst[1] < worst[0] / 1.5 and worst[1] < 0.01 * big
    # The plane goes through the middle, so it halves the torus: Pappus, Collection VII.
    whole_volume = 2 * np.pi**2 * big * small**2
    halves = [p.mesh.volume for p in take_apart(ring, (Seam(1, "v", (0.0, 0.0, 0.0), normal),))]
    assert sum(halves) == pytest.approx(whole_volume, rel=2e-3)
    above = sum(
        p.mesh.volume
        for p in take_apart(ring, (Seam(1, "v", (0.0, 0.0, 0.0), normal),))
        if p.mesh.vertices.mean(axis=0) @ normal > 0
    )
    assert above == pytest.approx(sum(halves) / 2, rel=1e-6)


# --- shells that overlap --------------------------------------------------------------


def lying(radius: float, length: float, sides: int, axis: int) -> Mesh:
    """A cylinder along x (0) or y (1), about the origin; its rows lie level."""
    tube = moved(cone(radius, radius, length, sides), (0.0, 0.0, -length / 2))
    x, y, z = tube.vertices.T
    # A quarter turn about y, and another about z.
    laid = np.stack([z, y, -x] if axis == 0 else [-y, z, -x], axis=1)
    return Mesh.of(laid, tube.faces)


def test_steinmetz_solid_by_united_sections_and_by_mending():
    # Two cylinders of radius r that cross at a right angle share 16 r^3 / 3: Archimedes, The
    # Method, proposition 15; named for C. P. Steinmetz (both from memory). So their union is
    # both less that.
    r, length = 15.0, 60.0
    exact = 2 * np.pi * r**2 * length - 16 * r**3 / 3

    def by_sections(n: int) -> float:
        crossed = joined([lying(r, length, n, 0), lying(r, length, n, 1)])
        rows = -r * np.cos(2 * np.pi * np.arange(n // 2 + 1) / n)
        total = 0.0
        # Between two rows of facets the widths are linear in the height and the area is a
        # square in it, which two Gauss points integrate exactly.
        for low, high in pairwise(rows):
            for share in (0.5 - np.sqrt(1 / 12), 0.5 + np.sqrt(1 / 12)):
                found = section(
                    crossed, Frame.on_plane((0, 0, low + share * (high - low)), (0, 0, 1))
                )
                assert len(found.regions) == 1 and not found.regions[0].holes
                assert len(found.regions[0].members) == 2
                total += found.area * (high - low) / 2
        return total

    def by_mending(n: int) -> float:
        whole = mend(joined([lying(r, length, n, 0), lying(r, length, n, 1)])).mesh
        pieces = take_apart(whole, (Seam(1, "level", (0.0, 0.0, 2.0), (0.1, 0.2, 1.0)),))
        assert len(pieces) == 2 and all(p.mesh.is_closed for p in pieces)
        return sum(p.mesh.volume for p in pieces)

    assert by_sections(48) == pytest.approx(by_mending(48), rel=1e-9)
    assert extrapolated(by_sections, exact) == pytest.approx(exact, rel=1e-4)
    assert extrapolated(by_mending, exact) == pytest.approx(exact, rel=1e-4)


@pytest.mark.parametrize("away", [8.0, 20.0, 29.0])
def test_united_discs_of_two_upright_cylinders(away):
    # Two discs of radius r a distance d apart share 2 r^2 acos(d / 2 r) - d / 2 sqrt(4 r^2 - d^2):
    # E. W. Weisstein, "Circle-Circle Intersection", MathWorld.
    r = 15.0
    lens = 2 * r**2 * np.arccos(away / (2 * r)) - away / 2 * np.sqrt(4 * r**2 - away**2)
    arc = 4 * r * np.arccos(away / (2 * r))

    def united(n: int):
        pair = joined([cone(r, r, 40.0, n), moved(cone(r, r, 50.0, n), (away, 0.0, -5.0))])
        (region,) = section(pair, Frame.on_plane((0, 0, 20), (0, 0, 1))).regions
        assert region.clash is not None and len(region.members) == 2
        # They cross where both circles do.
        np.testing.assert_allclose(np.hypot(*region.clash), r, rtol=0.01)
        return region

    exact = 2 * np.pi * r**2 - lens
    for n in (192, 384):
        assert united(n).area == pytest.approx(exact, rel=16 / n**2)
        assert united(n).perimeter == pytest.approx(4 * np.pi * r - arc, rel=16 / n**2 + 0.01)


def test_two_spheres_that_overlap():
    # They share pi (4 r + d) (2 r - d)^2 / 12: E. W. Weisstein, "Sphere-Sphere Intersection",
    # MathWorld.
    r, away = 20.0, 17.0
    exact = 2 * (4 / 3 * np.pi * r**3) - np.pi * (4 * r + away) * (2 * r - away) ** 2 / 12

    def pair(n: int) -> Mesh:
        return joined([sphere(r, n), moved(sphere(r, n), (away, 0.0, 0.0))])

    def united(n: int) -> float:
        pieces = take_apart(mend(pair(n)).mesh, (Seam(1, "s", (3.0, 0.0, 1.0), (0.2, 0.1, 1.0)),))
        return sum(p.mesh.volume for p in pieces)

    assert extrapolated(united, exact) == pytest.approx(exact, rel=2e-3)
    for normal in ((0.0, 0.0, 1.0), (0.2, 0.1, 1.0), (1.0, 0.3, 0.2)):
        frame = Frame.on_plane((8.0, 1.0, 2.0), normal)
        before, after = section(pair(48), frame), section(mend(pair(48)).mesh, frame)
        assert before.area == pytest.approx(after.area, rel=1e-6)
        assert len(before.regions) == len(after.regions)
