"""Membranes against surfaces of least area whose area is known in closed form."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import dblquad
from scipy.optimize import brentq

from seamwright.line import vector_area
from seamwright.membrane import area_of, membrane, relaxed

RADIUS, APART = 10.0, 8.0


def catenoid() -> tuple[float, float]:
    """Waist c and area of the soap film between two rings of RADIUS, APART mm apart.

    Euler, "Methodus inveniendi lineas curvas", 1744; Isenberg, "The Science of Soap Films
    and Soap Bubbles", Dover 1992: R = c cosh(h / 2 c), A = π c² (h / c + sinh(h / c)).
    Of the two waists the wider is the stable film.
    """
    lowest = APART / 2 / 1.19968  # h / 2 c at the widest rings that still hold a film
    c = brentq(lambda x: x * np.cosh(APART / (2 * x)) - RADIUS, lowest, RADIUS)
    return c, np.pi * c**2 * (APART / c + np.sinh(APART / c))


def tube(sides: int, rows: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A cylinder between the rings, and which of its points are on them."""
    turn = 2 * np.pi * np.arange(sides) / sides
    ring = RADIUS * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    lift = APART * np.arange(rows + 1) / rows
    vertices = np.concatenate([ring + np.array([0, 0, z]) for z in lift])
    i, j = np.meshgrid(np.arange(rows), np.arange(sides), indexing="ij")
    a, b = (i * sides + j).ravel(), (i * sides + (j + 1) % sides).ravel()
    faces = np.concatenate(
        [np.stack([a, b, b + sides], 1), np.stack([a, b + sides, a + sides], 1)]
    ).astype(np.int32)
    row = np.arange(len(vertices)) // sides
    return vertices, faces, (row == 0) | (row == rows)


def film(sides: int, rows: int) -> tuple[np.ndarray, float]:
    vertices, faces, fixed = tube(sides, rows)
    settled = relaxed(vertices, faces, fixed, tolerance=1e-9)
    return settled, area_of(settled, faces)


# --- Euler 1744; Isenberg 1992 -----------------------------------------------------------


def test_the_waist_solves_the_rings_equation():
    c, area = catenoid()
    assert c * np.cosh(APART / (2 * c)) == pytest.approx(RADIUS, rel=1e-12)
    # A catenoid has less area than the cylinder between its rings.
    assert area < 2 * np.pi * RADIUS * APART


def test_a_cylinder_between_two_rings_settles_to_the_catenoid():
    c, exact = catenoid()
    settled, area = film(64, 16)
    assert area == pytest.approx(exact, rel=5e-3)
    middle = settled[8 * 64 : 9 * 64]
    assert np.hypot(*middle[:, :2].T) == pytest.approx(np.full(64, c), rel=5e-3)
    # All the way up: r = c cosh(z / c) from the middle.
    lift = settled[:, 2] - APART / 2
    reach = np.hypot(settled[:, 0], settled[:, 1])
    assert np.abs(reach - c * np.cosh(lift / c)).max() < 0.01 * RADIUS


def test_a_finer_mesh_comes_nearer_to_the_catenoid_with_the_square_of_its_size():
    exact = catenoid()[1]
    gaps = [abs(film(n, n // 4)[1] / exact - 1) for n in (16, 32, 64)]
    assert gaps[0] > gaps[1] > gaps[2]
    # Pinkall & Polthier 1993: piecewise flat surfaces; each halving quarters the gap.
    assert 3.0 < gaps[0] / gaps[1] < 5.0 and 3.0 < gaps[1] / gaps[2] < 5.0


# --- flat and ruled lines: Plateau's problem with known bounds -----------------------------


def test_a_disc_has_the_area_of_its_circle():
    # Weisstein, "Regular Polygon", MathWorld: n / 2 r² sin(2 π / n), which tends to π r².
    turn = 2 * np.pi * np.arange(200) / 200
    ring = 30 * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    tilted = ring @ np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    polygon = 100 * 900 * np.sin(2 * np.pi / 200)
    for nearly_flat in (0.01, -1.0):
        surface = membrane(tilted, nearly_flat=nearly_flat)
        assert surface.area == pytest.approx(polygon, rel=1e-6)
        assert surface.area == pytest.approx(np.pi * 900, rel=1e-3)
    assert len(surface.vertices) > 1000


def skew(steps: int) -> np.ndarray:
    """Four edges of a regular tetrahedron, the line of Schwarz's first surface (1865)."""
    corners = 10 * np.array([[1, 1, 1], [-1, 1, -1], [-1, -1, 1], [1, -1, -1.0]])
    t = np.arange(steps)[:, None] / steps
    return np.concatenate([corners[k] + t * (corners[(k + 1) % 4] - corners[k]) for k in range(4)])


def test_schwarz_quadrilateral_is_smaller_than_the_ruled_surface_and_larger_than_its_shadow():
    points = skew(16)
    surface = membrane(points)
    # The hyperbolic paraboloid z = x y / 10 over the square of its corners' shadow, mm².
    ruled = dblquad(lambda y, x: np.sqrt(1 + (x**2 + y**2) / 100), -10, 10, -10, 10)[0]
    shadow = float(np.linalg.norm(vector_area(points)))
    assert shadow < surface.area < ruled
    # And it is nearly that surface: the ruled one has less than 1 % to lose (from memory).
    assert surface.area > 0.985 * ruled


def test_schwarz_quadrilateral_has_its_symmetries():
    """The film of a symmetric line is symmetric: it passes through the middle."""
    surface = membrane(skew(16))
    nearest = np.linalg.norm(surface.vertices, axis=1).min()
    spacing = 20 * np.sqrt(2) / 16
    assert nearest < spacing
    for turned in ([-1, -1, 1], [-1, 1, -1], [1, -1, -1]):
        same = surface.triangles.mean(axis=1) * turned
        gap = np.linalg.norm(same[:, None] - surface.vertices[None], axis=2).min(axis=1)
        assert gap.max() < 1.2 * spacing


def test_round_by_round_the_area_falls_towards_the_least():
    vertices, faces, fixed = tube(48, 12)
    exact = catenoid()[1]
    areas = [area_of(vertices, faces)]
    for _ in range(10):
        vertices = relaxed(vertices, faces, fixed, most=1)
        areas.append(area_of(vertices, faces))
    assert all(b < a for a, b in pairwise(areas))
    assert abs(areas[-1] - exact) < 0.1 * abs(areas[0] - exact)
