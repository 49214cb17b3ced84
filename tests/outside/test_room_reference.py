"""Largest circles and middle lines against another library and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from seamwright.outline import Region
from seamwright.room import inscribed, middle_line


def region_of(*loops: object) -> Region:
    points = [np.asarray(p, dtype=float) for p in loops]
    return Region(tuple(points), tuple(np.arange(len(p)) for p in points))


def lobed(number: int) -> Region:
    """A random outline with a random hole, as a hollow section has."""
    rng = np.random.default_rng(number)
    t = 2 * np.pi * np.arange(240) / 240
    r = np.full(240, 60.0)
    for k in range(1, 9):
        r += rng.normal() * 8 / k * np.cos(k * t + rng.uniform(0, 7))
    u = np.stack([1.4 * np.cos(t), np.sin(t)], axis=1)
    return region_of(u * r[:, None], (rng.uniform(0.3, 0.9) * u * r[:, None])[::-1])


# shapely.maximum_inscribed_circle (GEOS, García-Castellanos and Lombardo, "Poles of
# inaccessibility", Scottish Geographical Journal 2007): the distance found is at most its
# tolerance short.
@pytest.mark.skipif(not hasattr(shapely, "maximum_inscribed_circle"), reason="shapely before 2.1")
@pytest.mark.parametrize("number", range(12))
def test_largest_circles_against_shapely(number):
    region = lobed(number)
    whole = shapely.Polygon(region.outline, region.holes)
    assert whole.is_valid
    centre, radius = inscribed(region)
    line = shapely.maximum_inscribed_circle(whole, tolerance=1e-5 * radius)
    assert radius == pytest.approx(line.length, rel=1e-3)
    assert whole.contains(shapely.Point(centre))
    assert whole.boundary.distance(shapely.Point(centre)) == pytest.approx(radius, rel=1e-9)


# The middle line of an ellipse lies on its long axis; the largest circle about (x, 0) touches
# at a² x / (a² - b²) and has r² = b² (1 - x² / (a² - b²)), as far as the centres of curvature
# of its ends: from memory, for instance Blum, "A transformation for extracting new
# descriptors of shape", 1967.
@pytest.mark.parametrize(("a", "b", "least"), [(40, 12, 6.0), (40, 6, 2.0), (1, 0.2, 0.05)])
def test_the_middle_line_of_an_ellipse(a, b, least):
    t = 2 * np.pi * np.arange(2000) / 2000
    ((points, radii),) = middle_line(
        region_of(np.stack([a * np.cos(t), b * np.sin(t)], axis=1)), least
    )
    assert np.abs(points[:, 1]).max() < 0.01 * b
    x = points[:, 0]
    assert radii == pytest.approx(b * np.sqrt(1 - x**2 / (a**2 - b**2)), rel=0.005)
    most = np.sqrt((a**2 - b**2) * (1 - (least / b) ** 2))
    end = min(most, (a**2 - b**2) / a)
    assert 0.85 * end < x.max() <= end and -end <= x.min() < -0.85 * end


# Between a line and a point the middle line is a parabola (Euclid's focus and directrix): the
# bend of an L, about its inner corner. Its radius there is w (2 - √2).
def test_the_bend_of_an_l_is_a_parabola():
    w = 10.0
    outline = [[0, 0], [60, 0], [60, w], [w, w], [w, 60], [0, 60]]
    ((points, radii),) = middle_line(region_of(outline), 0.5)
    bend = (points < w - 0.5).all(axis=1) & (points.max(axis=1) > 6.5)
    assert bend.sum() > 10
    x, y = points[bend].T
    focus = np.hypot(x - w, y - w)
    assert radii[bend] == pytest.approx(np.minimum(x, y), rel=0.01)
    assert focus == pytest.approx(np.minimum(x, y), rel=0.02)


# The Reuleaux triangle of width d has an inscribed circle of radius (1 - 1/√3) d (Reuleaux,
# "Theoretische Kinematik", 1875; from memory).
def test_the_largest_circle_of_a_reuleaux_triangle():
    d = 30.0
    corners = d / np.sqrt(3) * np.array([[np.cos(k), np.sin(k)] for k in 2 * np.pi * np.r_[:3] / 3])
    arcs = []
    for k in range(3):
        a, b = corners[k] - corners[k - 1], corners[(k + 1) % 3] - corners[k - 1]
        turn = np.arctan2(a[1], a[0]) + np.linspace(0, np.pi / 3, 200)[:-1]
        assert np.hypot(*b) == pytest.approx(d)
        arcs.append(corners[k - 1] + d * np.stack([np.cos(turn), np.sin(turn)], axis=1))
    centre, radius = inscribed(region_of(np.concatenate(arcs)))
    assert radius == pytest.approx((1 - 1 / np.sqrt(3)) * d, rel=1e-3)
    assert centre == pytest.approx([0, 0], abs=0.05 * d)
