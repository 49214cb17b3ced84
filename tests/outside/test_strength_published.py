"""Beam theory against published formulas, worked examples and reference libraries.

Formulas quoted from memory say so; a reader can check each in the work that is named.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
import shapely.affinity
import trimesh
from scipy import integrate
from trimesh.path.polygons import second_moments

from seamwright.choice import PLAIN
from seamwright.footprint import D_FLAT, d_shape, placed, square
from seamwright.frame import Frame
from seamwright.interface import Interface, Seat, interfaces
from seamwright.joint import Joint, Peg
from seamwright.loads import GRAVITY, Load, Weight, loads, weight, weights
from seamwright.mesh import Mesh, joined
from seamwright.moments import Moments, disc, eroded, of_loops, rectangle, together
from seamwright.outline import Region
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile
from seamwright.seam import Seam
from seamwright.shapes import box, moved, sphere, torus
from seamwright.sizing import joints
from seamwright.stress import judged, root

SOLID = PrinterProfile(infill=1.0)
UNIT = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])


def regular(corners: int, radius: float = 1.0, turn: float = 0.1) -> np.ndarray:
    angle = turn + 2 * np.pi * np.arange(corners) / corners
    return radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def modulus(outline: np.ndarray) -> float:
    """Section modulus for bending about the x axis through the centre of area."""
    area = of_loops([outline])
    return float(area.second[1, 1] / np.abs(outline[:, 1] - area.centre[1]).max())


def joint(region: np.ndarray, *outlines: np.ndarray) -> Joint:
    """A joint in the plane z = 0 between two pieces, side A above."""
    seam = Seam(1, "seam", (0.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    face = Interface(
        seam, 1, 2, Frame.on_plane((0, 0, 0), (0, 0, 1)), of_loops([region]).area, np.zeros(3),
        Seat(None, None, Region((region,), (np.arange(len(region)),))),
    )  # fmt: skip
    pegs = tuple(Peg("square", o, 1.0, 25.0, 5.0) for o in outlines)
    return Joint("A", face, pegs, "A", 0.2, 0.8, 1.0, 1.0, "")


def load(force=(0, 0, 0), moment=(0, 0, 0)) -> Load:
    return Load(np.array(force, float), np.array(moment, float), np.zeros(3), np.eye(3), ())


# --- cantilevers ----------------------------------------------------------------------------


def cantilever() -> tuple[tuple[Piece, ...], tuple[Joint, ...]]:
    """A bar of 600 × 40 × 40 mm out of a block that stands on the ground."""
    bar = trimesh.creation.box(bounds=[[0, 10, 100], [600, 50, 140]])
    block = trimesh.creation.box(bounds=[[-60, 0, 0], [0, 60, 240]])
    whole = trimesh.boolean.union([bar, block], engine="manifold")
    figure = Mesh.of(np.array(whole.vertices), np.array(whole.faces))
    seam = Seam(1, "root", (0.5, 0.0, 0.0), (1.0, 0.0, 0.0))
    pieces = take_apart(figure, (seam,))
    return pieces, joints(pieces, interfaces(pieces, (seam,)), SOLID)


def test_cantilever_under_its_own_weight():
    # A uniform load w on a cantilever of span L: V = w L and M = w L² / 2 at its root.
    # Roark's Formulas for Stress and Strain, table 8.1, case 2a (from memory).
    pieces, made = cantilever()
    bar = next(p for p in pieces if p.mesh.bounds[1, 0] > 1)
    (found,) = loads(pieces, made, weights(pieces, SOLID), SOLID)
    span = 599.5
    w = 40 * 40 * SOLID.density / 1e6 * GRAVITY
    # The peg and its socket change the bar's weight by a little.
    assert bar.mesh.volume == pytest.approx(span * 1600, rel=0.01)
    assert np.hypot(*found.shear) == pytest.approx(w * span, rel=0.01)
    assert np.hypot(*found.bending) == pytest.approx(w * span**2 / 2, rel=0.01)


def test_cantilever_with_a_load_at_its_tip():
    # A load W at the end of a cantilever of span L: V = W and M = W L at its root.
    # Roark's Formulas for Stress and Strain, table 8.1, case 1a (from memory).
    pieces, made = cantilever()
    masses = weights(pieces, SOLID)
    tip = next(p.id for p in pieces if p.mesh.bounds[1, 0] > 1)
    masses[tip] = Weight(1000.0 / GRAVITY * 50.0, np.array([600.0, 30.0, 120.0]))
    (found,) = loads(pieces, made, masses, SOLID)
    assert np.hypot(*found.shear) == pytest.approx(50.0, rel=1e-9)
    assert np.hypot(*found.bending) == pytest.approx(50.0 * 599.5, rel=1e-6)
    assert found.carried == pytest.approx(masses[tip].mass, rel=1e-9)
    assert found.lever == pytest.approx(599.5, rel=1e-6)


def test_rigid_block_on_posts_shares_by_stiffness():
    # A rigid block on elastic posts of one length, symmetric about its mass centre: each bears
    # in proportion to its A E / L. S. Timoshenko, "Strength of Materials", part I, statically
    # indeterminate problems in tension and compression (from memory).
    wide, narrow = 40.0, 20.0
    at = [(100, 0, wide), (-100, 0, wide), (0, 100, narrow), (0, -100, narrow)]
    parts = [
        trimesh.creation.box(bounds=[[x - a / 2, y - a / 2, 0], [x + a / 2, y + a / 2, 300]])
        for x, y, a in at
    ]
    parts.append(trimesh.creation.box(bounds=[[-150, -150, 300], [150, 150, 400]]))
    whole = trimesh.boolean.union(parts, engine="manifold")
    seam = Seam(1, "tops", (0.0, 0.0, 290.0), (0.0, 0.0, 1.0), joint=PLAIN)
    pieces = take_apart(Mesh.of(np.array(whole.vertices), np.array(whole.faces)), (seam,))
    made = joints(pieces, interfaces(pieces, (seam,)), SOLID)
    masses = weights(pieces, SOLID)
    found = loads(pieces, made, masses, SOLID)
    block = max(masses.values(), key=lambda m: m.newtons).newtons
    shares = np.array([wide**2, narrow**2]) / (2 * (wide**2 + narrow**2))
    for j, got in zip(made, found, strict=True):
        share = shares[0] if j.interface.area > 1000 else shares[1]
        # Prints on the ground count a hundredth wider than they are.
        assert -got.axial == pytest.approx(share * block, rel=0.02)
    assert sum(-got.axial for got in found) == pytest.approx(block, rel=1e-9)


# --- bending stress and composite sections ----------------------------------------------------


def test_worked_example_of_a_cast_t_section():
    # F. P. Beer, E. R. Johnston, J. T. DeWolf, D. F. Mazurek, "Mechanics of Materials", sample
    # problem 4.2: a flange of 90 × 20 mm on a web of 30 × 40 mm under 3 kN·m has its centroid
    # 38 mm up, a second moment of 868e-9 m⁴, and bears 76.0 and -131.3 MPa (from memory).
    flange = rectangle(90.0, 20.0, np.array([0.0, 50.0]))
    web = rectangle(30.0, 40.0, np.array([0.0, 20.0]))
    both = together([flange, web])
    assert both.centre[1] == pytest.approx(38.0)
    assert both.second[1, 1] == pytest.approx(868e3)
    slopes = both.slopes(np.array([-3e6, 0.0]))
    assert slopes[1] * (60 - 38) == pytest.approx(76.0, abs=0.05)
    assert slopes[1] * (0 - 38) == pytest.approx(-131.3, abs=0.05)
    outline = np.array(
        [[-15, 0], [15, 0], [15, 40], [45, 40], [45, 60], [-45, 60], [-45, 40], [-15, 40]], float
    )
    np.testing.assert_allclose(of_loops([outline]).second, both.second, rtol=1e-12, atol=1e-6)


def test_two_pegs_by_the_parallel_axis_theorem():
    # I = sum of I_i + A_i d_i², as for the T section above: two squares b at distance d.
    b, d, moment = 20.0, 35.0, 50_000.0
    pair = joint(200 * UNIT, b * UNIT + [d, 0], b * UNIT - [d, 0])
    second = 2 * (b**4 / 12 + b**2 * d**2)
    stresses, _ = judged(pair, load(moment=(0, moment, 0)), SOLID)
    assert stresses.bending == pytest.approx(moment * (d + b / 2) / second)
    # Along the other axis they only add up.
    stresses, _ = judged(pair, load(moment=(moment, 0, 0)), SOLID)
    assert stresses.bending == pytest.approx(moment * (b / 2) / (2 * b**4 / 12))


def test_unsymmetrical_bending_of_an_angle():
    # The general flexure formula, s = [(My Ix + Mx Ixy) x - (Mx Iy + My Ixy) y] / (Ix Iy - Ixy²)
    # in right-handed moments, as in A. P. Boresi, R. J. Schmidt, "Advanced Mechanics of
    # Materials", chapter 7 (from memory), at random moments on an angle of 80 × 50 × 10.
    outline = np.array([[0, 0], [50, 0], [50, 10], [10, 10], [10, 80], [0, 80]], float)
    area = of_loops([outline])
    iy, ixy, ix = area.second[0, 0], area.second[0, 1], area.second[1, 1]
    for mx, my in np.random.default_rng(3).normal(size=(20, 2)) * 1e5:
        x, y = (outline - area.centre).T
        # Theirs count a moment about x positive that pulls where y is, ours the one that pushes.
        told = ((my * ix + mx * ixy) * x - (mx * iy + my * ixy) * y) / (ix * iy - ixy**2)
        slopes = area.slopes(np.array([mx, my]))
        np.testing.assert_allclose((outline - area.centre) @ slopes, told, rtol=1e-9, atol=1e-9)
        # And it is in balance with what made it.
        grid = np.stack(np.meshgrid(np.arange(0.5, 80), np.arange(0.5, 80)), -1).reshape(-1, 2)
        inside = grid[shapely.contains_xy(shapely.Polygon(outline), *grid.T)] - area.centre
        stress = inside @ slopes
        assert -(stress * inside[:, 1]).sum() == pytest.approx(mx, rel=5e-3, abs=500)
        assert (stress * inside[:, 0]).sum() == pytest.approx(my, rel=5e-3, abs=500)


# --- section moduli and areas -------------------------------------------------------------------


def test_published_section_moduli():
    # Roark's Formulas for Stress and Strain, appendix A, properties of plane areas (from memory):
    # square b³ / 6; square on its corner b³ / (6 sqrt 2); circle pi r³ / 4; regular hexagon of
    # side a, I = 5 sqrt(3) / 16 a⁴ about any axis; equilateral triangle, I = sqrt(3) / 96 a⁴.
    b = 17.0
    assert modulus(b * UNIT) == pytest.approx(b**3 / 6)
    assert modulus(placed(b * UNIT, np.zeros(2), 45.0)) == pytest.approx(b**3 / (6 * np.sqrt(2)))
    assert modulus(regular(5000, 9.0)) == pytest.approx(np.pi * 9**3 / 4, rel=1e-5)
    for turn in (0.0, 0.4, 1.1):
        hexagon = of_loops([regular(6, 8.0, turn)])
        np.testing.assert_allclose(
            hexagon.second, 5 * np.sqrt(3) / 16 * 8**4 * np.eye(2), atol=1e-8
        )
    assert modulus(regular(6, 8.0, 0.0)) == pytest.approx(5 / 8 * 8**3)
    triangle = of_loops([regular(3, 10 / np.sqrt(3))])
    np.testing.assert_allclose(triangle.second, np.sqrt(3) / 96 * 1e4 * np.eye(2), atol=1e-8)
    np.testing.assert_allclose(disc(np.pi * 81, np.zeros(2)).second, np.pi * 9**4 / 4 * np.eye(2))


def test_a_d_is_a_circle_less_a_segment():
    # By quadrature of the exact shape (QUADPACK, through scipy).
    r = 3.0
    chord = lambda x: 2 * np.sqrt(r**2 - x**2)  # noqa: E731
    ends = (-r, D_FLAT * r)
    area = integrate.quad(chord, *ends)[0]
    centre = integrate.quad(lambda x: x * chord(x), *ends)[0] / area
    along = integrate.quad(lambda x: (x - centre) ** 2 * chord(x), *ends)[0]
    across = integrate.quad(lambda x: chord(x) ** 3 / 12, *ends)[0]
    fine = of_loops([d_shape(2 * r, 4000)])
    assert fine.area == pytest.approx(area, rel=1e-5)
    np.testing.assert_allclose(fine.centre, [centre, 0], rtol=1e-5, atol=1e-12)
    np.testing.assert_allclose(fine.second, np.diag([along, across]), rtol=1e-5, atol=1e-9)
    # What is printed has 24 corners and is a little less.
    assert 0.97 * along < of_loops([d_shape(2 * r)]).second[0, 0] < along


@pytest.mark.parametrize("seed", range(12))
def test_moments_of_any_polygon_with_holes(seed):
    # Against shapely (area, centroid) and trimesh (second moments).
    number = np.random.default_rng(seed)
    radii = number.uniform(5, 20, number.integers(5, 40))
    outline = regular(len(radii)) * radii[:, None] + number.uniform(-900, 900, 2)
    hole = 0.2 * (outline - outline.mean(axis=0)) + outline.mean(axis=0)
    polygon = shapely.Polygon(outline, [hole])
    if not polygon.is_valid:
        polygon, loops = shapely.Polygon(outline), [outline]
    else:
        loops = [outline, hole[::-1]]
    found = of_loops(loops)
    assert found.area == pytest.approx(polygon.area, rel=1e-9)
    np.testing.assert_allclose(found.centre, polygon.centroid.coords[0], rtol=1e-9)
    centred = shapely.affinity.translate(polygon, *(-found.centre))
    xx, yy, xy = second_moments(centred)
    # trimesh has I about the x axis first.
    np.testing.assert_allclose(found.second, [[yy, xy], [xy, xx]], rtol=1e-6, atol=1e-4)


def test_eroding_is_a_negative_buffer():
    for outline in (square(20.0), d_shape(5.0), regular(7, 9.0)):
        for distance in (0.1, 0.5, 1.2, 1.9, 4.0, 30.0):
            other = shapely.Polygon(outline).buffer(-distance, join_style="mitre")
            left = eroded(outline, distance)
            here = shapely.Polygon(left) if len(left) > 2 else shapely.Polygon()
            assert here.symmetric_difference(other).area < 1e-9


# --- torsion ----------------------------------------------------------------------------------


def test_saint_venants_constant():
    # Roark's Formulas for Stress and Strain, table 10.1 (from memory): circle pi r⁴ / 2, ellipse
    # pi a³ b³ / (a² + b²), square of half side a 2.25 a⁴, equilateral triangle of side a
    # sqrt(3) a⁴ / 80; the approximation A⁴ / (40 J) is off by 1.5, 1.5, 7 and 12.5 %.
    ellipse = regular(4000) * [5.0, 3.0]
    for outline, exact, within in (
        (regular(4000, 5.0), np.pi * 5**4 / 2, 0.015),
        (ellipse, np.pi * 5**3 * 3**3 / (25 + 9), 0.015),
        (10 * UNIT, 2.25 * 5**4, 0.07),
        (regular(3, 10 / np.sqrt(3)), np.sqrt(3) * 1e4 / 80, 0.126),
    ):
        assert of_loops([outline]).torsion == pytest.approx(exact, rel=within)


def test_solid_pegs_are_not_made_out_stiffer_or_stronger_in_torsion_than_they_are():
    # Square: stress T / (0.208 b³), constant 0.1406 b⁴ (S. P. Timoshenko, J. N. Goodier, "Theory
    # of Elasticity", torsion of rectangular bars; from memory). Circle: pi r³ / 2.
    b = 20.0
    found = root(b * UNIT, np.inf)
    assert 0.9 * 0.208 * b**3 < found.modulus < 0.208 * b**3
    assert 0.6 * 0.1406 * b**4 < found.stiffness < 0.1406 * b**4
    circle = root(regular(2000, 10.0), np.inf)
    assert circle.modulus == pytest.approx(np.pi * 10**3 / 2, rel=1e-4)
    hexagon = root(regular(6, 10.0), np.inf)
    # Regular hexagon of inscribed diameter d: T / (0.188 d³) (Roark, from memory).
    assert hexagon.modulus == pytest.approx(0.188 * (10 * np.sqrt(3)) ** 3, rel=0.06)


@pytest.mark.parametrize("shell", [0.5, 1.2, 3.0, 6.0])
def test_hollow_round_pegs_in_torsion(shell):
    # A round tube: J = pi (R⁴ - r⁴) / 2 and t = T R / J, exactly (Coulomb). Bredt's formula for
    # thin tubes is corrected to be exact for round ones.
    outer, inner = 10.0, 10.0 - shell
    polar = np.pi * (outer**4 - inner**4) / 2
    found = root(regular(300, outer), shell)
    assert found.modulus == pytest.approx(polar / outer, rel=1e-3)
    assert found.area.polar == pytest.approx(polar, rel=1e-3)
    # The constant is Bredt's own, a little low for thick walls.
    assert 0.75 * polar < found.stiffness < 1.001 * polar


def test_hollow_square_pegs_in_torsion():
    # Bredt: T / (2 A t), K = 4 A² t / L over the middle line: Shigley's Mechanical Engineering
    # Design, section 3-12 (from memory). Box of 20 mm outside, 1 mm thick: A = 361 mm².
    found = root(20 * UNIT, 1.0)
    # Corrected for a thick wall, the modulus is a little on the safe side.
    assert 0.95 * 722 < found.modulus < 722
    assert found.stiffness == pytest.approx(4 * 361**2 * 1.0 / 76)


def test_a_group_of_pegs_in_torsion():
    # As a group of bolts, secondary shear T r / J, with J = sum of A r² when each one's own
    # torsion is small: Shigley's Mechanical Engineering Design, section 8-12 (from memory).
    corners = [np.array([x, y]) for x in (-60, 60) for y in (-40, 40)]
    group = joint(300 * UNIT, *(4 * UNIT + c for c in corners))
    torque, area, r2 = 30_000.0, 16.0, 60.0**2 + 40.0**2
    stresses, _ = judged(group, load(moment=(0, 0, torque)), SOLID)
    assert stresses.shear == pytest.approx(1.5 * torque * np.sqrt(r2) / (4 * area * r2), rel=0.01)


# --- shear ------------------------------------------------------------------------------------


def shear_peak(polygon: shapely.Polygon) -> float:
    """Greatest V Q / (I b) over V / A for shear along y, by shapely's areas."""
    low, high = polygon.bounds[1], polygon.bounds[3]
    second = second_moments(shapely.affinity.translate(polygon, 0, -polygon.centroid.y))[0]
    worst = 0.0
    for y in np.linspace(low, high, 203)[1:-1]:
        above = polygon.intersection(shapely.box(-99, y, 99, 99))
        line = shapely.LineString([(-99, y), (99, y)]).intersection(polygon)
        q = above.area * (above.centroid.y - polygon.centroid.y)
        worst = max(worst, q / (second * line.length))
    return worst * polygon.area


@pytest.mark.parametrize("turn", [0.0, 20.0, 45.0, 90.0, 135.0])
def test_no_peg_has_more_shear_at_its_middle_than_is_reckoned(turn):
    # t = V Q / (I b) (Zhuravskii; in any strength of materials).
    for outline in (square(10.0), d_shape(5.0), 10 * UNIT):
        turned = placed(outline, np.zeros(2), turn)
        assert shear_peak(shapely.Polygon(turned)) <= root(outline, np.inf).peak * 1.001
        hollow = shapely.Polygon(turned, [eroded(turned, 0.3)])
        assert shear_peak(hollow) <= root(outline, 0.3).peak * 1.001
    assert shear_peak(shapely.Polygon(10 * UNIT)) == pytest.approx(1.5, rel=1e-3)


# --- mass centres -----------------------------------------------------------------------------


SOLIDS = {
    "box": box(30, 40, 70, (5, -9, 100)),
    "ball": moved(sphere(40, 32), (3000, 0, -7)),
    "ring": moved(torus(50, 12), (0, 80, 20)),
    "two": joined([sphere(20, 24), box(9, 9, 80, (60, 0, 0))]),
}


@pytest.mark.parametrize("name", SOLIDS)
def test_mass_centres_of_solids_and_shells(name):
    mesh = SOLIDS[name]
    other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    solid = weight(mesh, SOLID)
    np.testing.assert_allclose(solid.centre, other.center_mass, atol=1e-9 * 3000)
    assert solid.mass == pytest.approx(other.volume / 1000 * SOLID.density)
    thin = weight(mesh, replace(SOLID, infill=0.0, shell=0.01))
    at = (other.triangles_center * other.area_faces[:, None]).sum(axis=0) / other.area
    np.testing.assert_allclose(thin.centre, at, atol=1e-9 * 3000)
    assert thin.mass == pytest.approx(other.area * 0.01 / 1000 * SOLID.density)


def test_mass_of_a_printed_ball():
    # A ball of 100 mm with 2 mm shell and a fifth infill, by its two spheres; the surface times
    # the thickness is 2 % over.
    exact = 4 / 3 * np.pi * (100**3 - 0.8 * 98**3)
    found = weight(sphere(100, 200), PrinterProfile(shell=2.0, infill=0.2, density=1.0))
    assert exact / 1000 < found.mass < 1.01 * exact / 1000


def test_moments_are_plain_values():
    taken = Moments(4.0, np.zeros(2), np.eye(2)).less(Moments(1.0, np.zeros(2), 0.2 * np.eye(2)))
    assert taken.area == 3.0 and taken.polar == pytest.approx(1.6)
