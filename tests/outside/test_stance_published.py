"""Tipping against closed forms, published cases and other libraries' polygons.

Formulas and figures quoted from memory say so; a reader can check each in the work named.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh

from seamwright.loads import GRAVITY, Weight, weights
from seamwright.mesh import Mesh
from seamwright.pieces import Piece
from seamwright.printer import PrinterProfile
from seamwright.shapes import box, revolved
from seamwright.stance import Stance, stance

SOLID = PrinterProfile(infill=1.0)
SIDES = 720
"""Of what stands for a circle: its inscribed circle is smaller by 1e-5 of it."""


def of(mesh: Mesh, **changes) -> Stance:
    pieces = (Piece(1, mesh),)
    return stance(pieces, weights(pieces, SOLID), SOLID, **changes)


def turned(*profile: tuple[float, float]) -> Mesh:
    radius, height = np.array(profile, dtype=float).T
    return revolved(radius, height, SIDES)


# --- centroids and tipping in closed form -----------------------------------------------------
# A body on a slope tips when its weight passes the edge of its base: tan = distance of the edge
# over height of the mass centre; centroids of a cylinder at h/2, of a cone at h/4 and of a half
# ball at 3r/8 from the base. J. L. Meriam, L. G. Kraige, "Engineering Mechanics: Statics",
# chapters 3 and 5 and table D/4 (from memory).


def test_cylinder():
    r, h = 80.0, 500.0
    found = of(turned((0, 0), (r, 0), (r, h), (0, h)))
    assert found.angle == pytest.approx(np.degrees(np.arctan(r / (h / 2))), rel=2e-5)


def test_cone():
    r, h = 80.0, 500.0
    found = of(turned((0, 0), (r, 0), (0, h)))
    assert found.angle == pytest.approx(np.degrees(np.arctan(4 * r / h)), rel=2e-5)


def test_cut_cone():
    # Centroid of a frustum: h/4 (R² + 2Rr + 3r²) / (R² + Rr + r²), same table.
    low, high, h = 90.0, 40.0, 500.0
    rise = h / 4 * (low**2 + 2 * low * high + 3 * high**2) / (low**2 + low * high + high**2)
    found = of(turned((0, 0), (low, 0), (high, h), (0, h)))
    assert found.rise == pytest.approx(rise, rel=2e-5)
    assert found.angle == pytest.approx(np.degrees(np.arctan(low / rise)), rel=2e-5)


def test_half_ball_on_its_flat():
    r = 120.0
    lift = np.linspace(0, np.pi / 2, 400)
    dome = np.stack([r * np.cos(lift), r * np.sin(lift)], axis=1)
    found = of(turned((0, 0), *map(tuple, dome)))
    assert found.angle == pytest.approx(np.degrees(np.arctan(8 / 3)), rel=1e-4)


def test_box():
    found = of(box(120, 80, 600))
    assert found.angle == pytest.approx(np.degrees(np.arctan(80 / 600)))


def test_triangular_prism():
    # The incircle's radius of an equilateral triangle of side a is a / (2 √3) (from memory).
    a, h = 200.0, 400.0
    corners = (
        a / np.sqrt(3) * np.array([[np.cos(t), np.sin(t)] for t in 2 * np.pi / 3 * np.arange(3)])
    )
    prism = trimesh.creation.extrude_polygon(shapely.Polygon(corners), h)
    found = of(Mesh.of(prism.vertices, prism.faces))
    assert found.margin == pytest.approx(a / (2 * np.sqrt(3)))
    assert found.angle == pytest.approx(np.degrees(np.arctan(a / np.sqrt(3) / h)))


@pytest.mark.parametrize("lean", [0.0, 5.0, 10.0, 15.0, 20.0])
def test_leaning_cylinder(lean):
    # A cylinder sheared by `lean` has its centroid h/2 tan(lean) to the side; it falls when
    # that passes r: tan(lean) = 2 r / h.
    r, h = 80.0, 500.0
    upright = turned((0, 0), (r, 0), (r, h), (0, h))
    slope = np.tan(np.radians(lean))
    vertices = upright.vertices + upright.vertices[:, 2:] * [slope, 0, 0]
    found = of(Mesh.of(vertices, upright.faces))
    margin = r - h / 2 * slope
    assert (found.margin < 0) == (lean > np.degrees(np.arctan(2 * r / h)))
    assert found.margin == pytest.approx(margin, abs=2e-3)
    assert found.angle == pytest.approx(np.degrees(np.arctan(margin / (h / 2))), abs=1e-3)
    if lean:
        np.testing.assert_allclose(found.towards, [1, 0, 0], atol=0.01)


def test_rocking_block():
    # A block 2b wide and 2h tall tips under a level pull at its mass centre of b/h of its
    # weight: G. W. Housner, "The behavior of inverted pendulum structures during earthquakes",
    # Bulletin of the Seismological Society of America 53 (1963).
    b, h = 60.0, 300.0
    found = of(box(2 * b, 4 * b, 2 * h))
    newtons = found.mass / 1000 * GRAVITY
    assert found.push(h) == pytest.approx(newtons * b / h)
    assert np.tan(np.radians(found.angle)) == pytest.approx(b / h)


def test_the_leaning_tower():
    # Pisa before its rescue, 1990: 14 500 t on a foundation 19.6 m across, inclined by 5.5°,
    # its mass centre 22.6 m above the foundation, and the weight 2.3 m off the middle:
    # J. B. Burland, M. Jamiolkowski, C. Viggiani, "The stabilisation of the leaning tower of
    # Pisa", Soils and Foundations 43 (2003), figures from memory. Here 1 mm stands for 1 m,
    # and all is turned back so that the foundation is level.
    foot = turned((0, 0), (9.8, 0), (9.8, 0.1), (0, 0.1))
    tilt = np.radians(5.5)
    at = np.array([22.6 * np.sin(tilt), 0.0, 22.6 * np.cos(tilt)])
    pieces = (Piece(1, foot),)
    found = stance(pieces, {1: Weight(14.5e6, at)}, SOLID, wanted=5.0)
    assert found.margin == pytest.approx(9.8 - 2.3, abs=0.2)
    # It stood: and leaned as far as it could have gone had the ground been rigid.
    assert found.stands and 17 < found.angle < 20


# --- directions against polygons --------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_directions_against_shapely(seed):
    rng = np.random.default_rng(seed)
    outline = shapely.MultiPoint(rng.normal(size=(12, 2)) * [60, 40]).convex_hull
    prism = trimesh.creation.extrude_polygon(outline, 10.0)
    pieces = (Piece(1, Mesh.of(prism.vertices, prism.faces)),)
    inner = np.array(outline.centroid.coords[0]) + rng.normal(size=2)
    centre = np.array([*inner, 150.0])
    found = stance(pieces, {1: Weight(1000.0, centre)}, SOLID)
    assert shapely.Polygon(found.footprint).equals_exact(outline.normalize(), 1e-9) or (
        shapely.Polygon(found.footprint).symmetric_difference(outline).area < 1e-9 * outline.area
    )
    point = shapely.Point(inner)
    assert found.margin == pytest.approx(outline.exterior.distance(point))
    for turn in rng.uniform(0, 2 * np.pi, 20):
        way = np.array([np.cos(turn), np.sin(turn)])
        ray = shapely.LineString([inner, inner + 1000 * way])
        reach = shapely.intersection(ray, outline).length
        assert found.angles(way[None])[0] == pytest.approx(np.degrees(np.arctan(reach / 150)))
        assert found.angles(way[None])[0] >= found.angle - 1e-9


def test_mass_centre_against_trimesh():
    solid = trimesh.creation.icosphere(3, 90.0)
    solid.apply_scale([1.0, 1.4, 0.8])
    solid = trimesh.intersections.slice_mesh_plane(solid, [0, 0.2, 1.0], [0, 0, -40], cap=True)
    turn = trimesh.geometry.align_vectors(
        [0, 0.2 / np.hypot(0.2, 1), 1 / np.hypot(0.2, 1)], [0, 0, 1]
    )
    solid.apply_transform(turn)
    found = of(Mesh.of(solid.vertices, solid.faces))
    np.testing.assert_allclose(found.centre, solid.center_mass, atol=1e-6)
    assert found.mass == pytest.approx(solid.volume / 1000 * 1.24)
