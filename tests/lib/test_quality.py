"""Seam quality: hollows and ridges, edges, necks, thin walls, keep-clear and natural lines."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.line import Line, line_from_edges
from seamwright.markings import Markings, carried
from seamwright.mesh import Mesh, joined
from seamwright.parting import part
from seamwright.quality import (
    SeamQuality,
    Weights,
    cost,
    hull_width,
    line_quality,
    prepared,
    quality,
)
from seamwright.seam import Seam
from seamwright.section import section
from seamwright.shapes import box, moved, revolved, sphere, torus

SIDES = 96
UP = (0.0, 0.0, 1.0)


def turned(z: np.ndarray, radius: np.ndarray, sides: int = SIDES) -> Mesh:
    """A solid of revolution of (z, radius) rows with flat ends."""
    return revolved(np.r_[0, radius, 0], np.r_[z[0], z, z[-1]], sides)


def cylinder(radius: float = 10.0, half: float = 20.0, step: float = 0.5) -> Mesh:
    z = np.arange(-half, half + step / 2, step)
    return turned(z, np.full(len(z), radius))


def notched(depth: float, step: float = 0.25) -> Mesh:
    """A cylinder of 10 mm with a V round it at z = 0, 45° either side; depth < 0 stands out."""
    z = np.arange(-20, 20 + step / 2, step)
    return turned(z, 10 - np.sign(depth) * np.maximum(abs(depth) - np.abs(z), 0))


def judged(
    mesh: Mesh, point, normal=UP, *, scale=1.0, wall=0.5, near_line=None, **marked
) -> SeamQuality:
    surface = prepared(mesh, Markings.of(mesh, **marked), scale=scale, near_line=near_line)
    return quality(surface, section(mesh, Frame.on_plane(point, normal)), wall=wall)


# --- hollows and ridges -----------------------------------------------------------


@pytest.mark.parametrize("z", [0.0, 0.1, -0.3])
def test_a_seam_in_a_groove_is_hidden(z):
    q = judged(notched(2.0), (0, 0, z))
    assert q.hidden_share == pytest.approx(1, abs=1e-9)
    assert q.visible == pytest.approx(0, abs=1e-9) and q.exposed == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("z", [10.0, -12.3])
def test_a_seam_off_the_groove_shows(z):
    q = judged(notched(2.0), (0, 0, z))
    assert q.hidden == 0 and q.ridge == 0
    assert q.exposed == pytest.approx(q.length, rel=1e-12)
    assert q.length == pytest.approx(2 * SIDES * 10 * np.sin(np.pi / SIDES), rel=1e-12)


def test_a_seam_on_a_ridge_shows_most():
    q = judged(notched(-2.0), (0, 0, 0.1))
    assert q.hidden == 0 and q.ridge == pytest.approx(q.length, rel=1e-9)


def test_a_groove_in_a_thin_limb_hides_though_the_limb_is_round():
    # The limb's radius is less than the scale: only the bend across the seam may count.
    z = np.arange(-20, 20.1, 0.25)
    thin = turned(z, 2.5 - np.maximum(1 - np.abs(z), 0), 48)
    assert judged(thin, (0, 0, 0.05), scale=3.0).hidden_share > 0.9
    assert judged(thin, (0, 0, 14), scale=3.0).hidden == 0


def test_bend_is_the_scale_over_the_radius():
    # Across a sphere's seam skin bends by scale / R: nothing at a twentieth, half of what
    # hides at a fifth (HOLLOW_FROM 0.1, HOLLOW_FULL 0.3), and outwards.
    lift = np.linspace(-np.pi / 2, np.pi / 2, 121)
    ball = revolved(30 * np.cos(lift), 30 * np.sin(lift), 240)
    assert judged(ball, (0, 0, 0.1), scale=1.5).ridge == 0
    q = judged(ball, (0, 0, 0.1), scale=6.0)
    assert q.ridge / q.length == pytest.approx(0.5, abs=0.03)
    inside_out = ball.flipped()
    hollow = judged(joined([box(100, 100, 100, (-50, -50, -50)), inside_out]), (0, 0, 0.1), scale=6)
    assert hollow.hidden / q.length == pytest.approx(0.5, abs=0.03)


def test_noise_finer_than_the_scale_does_not_hide():
    rng = np.random.default_rng(7)
    plain = cylinder(step=0.25)
    rough = Mesh.of(plain.vertices + rng.normal(0, 0.1, plain.vertices.shape), plain.faces)
    assert judged(rough, (0, 0, 3.1), scale=3.0).hidden_share < 0.01
    # The same noise judged at its own scale makes hollows.
    assert judged(rough, (0, 0, 3.1), scale=0.3).hidden_share > 0.1


def test_triangle_size_does_not_matter():
    coarse, fine = judged(notched(2.0, 0.5), (0, 0, 1.1)), judged(notched(2.0, 0.125), (0, 0, 1.1))
    assert coarse.hidden_share == pytest.approx(fine.hidden_share, abs=0.1)


def test_a_crease_of_large_triangles_hides_as_well():
    # 90° turn, half of it felt at the crease; exp(-distance / scale) of that beside it.
    z = np.array([-20.0, -4, 0, 4, 20])
    waist = turned(z, np.array([10.0, 10, 6, 10, 10]), 24)
    assert judged(waist, (0, 0, 0), scale=0.4).hidden_share == pytest.approx(1)
    assert judged(waist, (0, 0, 0.2), scale=0.4).hidden_share > 0.9
    assert judged(waist, (0, 0, 1.5), scale=0.4).hidden == 0
    assert judged(waist, (0, 0, 4), scale=0.4).ridge > 0.9 * 62


def test_a_plain_face_of_two_triangles_is_neither_hollow_nor_ridge():
    q = judged(box(10, 20, 30), (0, 0, 15))
    assert q.ridge == pytest.approx(0, abs=1e-6) and q.hidden == 0
    # Nor do the upright edges of a slender bar count, which the seam crosses.
    assert judged(box(3, 3, 30), (0, 0, 15)).ridge == pytest.approx(0, abs=1e-6)


def test_faces_of_other_seams_are_no_skin():
    figure = cylinder()
    halves = part(
        figure,
        Seam(1, "side", (0, 0, 0), (1, 0, 0)),
        section(figure, Frame.on_plane((0, 0, 0), (1, 0, 0))).regions,
    )
    q = judged(halves, (0, 0, 0.2))
    assert q.on_seams == pytest.approx(2 * 20, rel=1e-9)
    assert q.visible == pytest.approx(q.length - 40, rel=1e-9) and q.hidden == 0


# --- edges ------------------------------------------------------------------------


def test_a_square_cut_has_square_edges():
    q = judged(cylinder(), (0, 0, 0.2))
    assert q.least_angle == pytest.approx(90, abs=1e-9) and q.feather == 0


@pytest.mark.parametrize("flip", [1, -1])
@pytest.mark.parametrize("half_angle", [10.0, 45.0, 65.0])
def test_a_cone_cut_square_to_its_axis(half_angle, flip):
    # The facets' own slope: the outline's inner radius grows by cos(pi / sides).
    low = 40 * np.tan(np.radians(half_angle)) / np.cos(np.pi / SIDES)
    cone = turned(np.array([0.0, 20.0, 30.0]), low * np.array([1, 0.5, 0.25]))
    q = judged(cone, (0, 0, 9), (0, 0, flip))
    assert q.least_angle == pytest.approx(90 - half_angle, abs=1e-9)
    assert q.feather == pytest.approx(q.length if half_angle > 60 else 0)
    # Through vertices: each side's edge is that of its own face.
    assert judged(cone, (0, 0, 20), (0, 0, flip)).least_angle == pytest.approx(
        90 - half_angle, abs=1e-9
    )


def test_at_a_rim_both_edges_are_sharp_and_at_a_waist_both_are_blunt():
    rise = 10 / np.cos(np.pi / SIDES)
    z = np.array([-10.0, 0, 10])
    rim = turned(z, np.array([10.0, 10 + rise, 10]))
    waist = turned(z, np.array([10 + rise, 10.0, 10 + rise]))
    assert judged(rim, (0, 0, 0)).least_angle == pytest.approx(45, abs=1e-9)
    assert judged(waist, (0, 0, 0)).least_angle == pytest.approx(135, abs=1e-9)
    assert judged(waist, (0, 0, 0)).hidden_share == pytest.approx(1)


@pytest.mark.parametrize("slant", [60.0, 70.0])
def test_a_slanted_cut_leaves_feather_edges(slant):
    # A facet whose normal is at an angle f to the slant's leans asin(sin(slant) cos(f)).
    toward, tilt = np.pi / SIDES, np.radians(slant)
    normal = (np.sin(tilt) * np.cos(toward), np.sin(tilt) * np.sin(toward), np.cos(tilt))
    q = judged(cylinder(half=40), (0, 0, 0), normal)
    assert q.least_angle == pytest.approx(90 - slant, abs=1e-6)
    assert abs(np.dot(q.least_at[:2], [np.cos(toward), np.sin(toward)])) == pytest.approx(
        10 * np.cos(np.pi / SIDES), rel=1e-9
    )
    f = 2 * np.pi * np.arange(SIDES) / SIDES
    long = 20 * np.sin(np.pi / SIDES) * np.sqrt(1 + (np.tan(tilt) * np.sin(f)) ** 2)
    sharp = np.degrees(np.arcsin(np.sin(tilt) * np.abs(np.cos(f)))) > 60 + 1e-7
    assert q.feather == pytest.approx(float(long[sharp].sum()), rel=1e-9)
    assert q.feather_share == pytest.approx(q.feather / q.length)


# --- neck and thin walls ----------------------------------------------------------


@pytest.mark.parametrize("turn", [0.0, 0.4])
def test_the_neck_of_a_box(turn):
    c, s = np.cos(turn), np.sin(turn)
    plain = box(10, 24, 30, (-5, -12, -15))
    q = judged(
        Mesh.of(plain.vertices @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]), plain.faces),
        (0, 0, 1),
    )
    assert q.area == pytest.approx(240, rel=1e-12) and q.length == pytest.approx(68, rel=1e-12)
    assert q.hull_width == pytest.approx(10, rel=1e-12)
    assert q.inscribed_width == pytest.approx(10, rel=2e-3)


def test_the_neck_of_many_points_is_thinned_without_harm():
    sides = 2000
    q = judged(turned(np.array([-5.0, 5]), np.full(2, 10.0), sides), (0, 0, 0))
    assert q.inscribed_width == pytest.approx(20, rel=2e-3)
    assert q.hull_width == pytest.approx(20 * np.cos(np.pi / sides), rel=1e-9)


def test_the_width_of_a_hull():
    # An L of two arms 20 long and 4 wide.
    ell = np.array([[0.0, 0], [20, 0], [20, 4], [4, 4], [4, 20], [0, 20]])
    # The width across the diagonal side from (20, 4) to (4, 20): 24 / sqrt(2).
    assert hull_width(ell) == pytest.approx(24 / np.sqrt(2), rel=1e-12)
    assert hull_width(np.array([[0.0, 0], [1, 1], [2, 2], [3, 3]])) == 0


def test_a_plate_thinner_than_the_wall():
    plate = box(1.5, 20, 30)
    q = judged(plate, (0, 0, 10), wall=2.0)
    assert q.thin == pytest.approx(40, rel=1e-6) and q.thinnest == pytest.approx(1.5, rel=1e-3)
    assert judged(plate, (0, 0, 10), wall=1.4).thinnest is None
    assert judged(plate, (0, 0, 10), wall=1.4).thin == 0


def test_square_corners_are_not_thin_but_blades_are():
    assert judged(box(20, 20, 30), (0, 0, 10), wall=3.0).thin == 0
    # A wedge of 30°: thickness at s from the tip is 2 s tan(15°), so both sides are thin
    # up to wall / (2 tan(15°)).
    tip = np.array([[0.0, 0], [40, -40 * np.tan(np.pi / 12)], [40, 40 * np.tan(np.pi / 12)]])
    z = np.array([[0.0], [10.0]])
    vertices = np.concatenate([np.column_stack([tip, np.full(3, h)]) for h in z.ravel()])
    faces = [[0, 2, 1], [3, 4, 5]]
    for k in range(3):
        j = (k + 1) % 3
        faces += [[k, j, j + 3], [k, j + 3, k + 3]]
    q = judged(Mesh.of(vertices, faces), (0, 0, 5), wall=2.0)
    assert q.thin == pytest.approx(2 * 2.0 / (2 * np.tan(np.pi / 12)), rel=0.05)


def test_a_shell_is_thin_between_outline_and_hole():
    ring = torus(20, 1.0, 96, 24)
    q = judged(ring, (0, 0, 0), wall=2.5)
    assert q.thin == pytest.approx(q.length, rel=1e-9)
    assert q.thinnest == pytest.approx(2, rel=0.02)
    assert judged(ring, (0, 0, 0), wall=1.5).thin == 0


def test_a_narrow_hole_in_thick_material_is_not_thin():
    # Across the hole of 2 mm outlines face each other, but through air.
    assert judged(torus(7, 6, 96, 48), (0, 0, 0), wall=3.0).thin == 0


# --- keep-clear areas and natural lines ---------------------------------------------


def right_half(figure: Mesh) -> np.ndarray:
    """(F,) faces on the side of greater x."""
    return figure.vertices[figure.faces].mean(axis=1)[:, 0] > 0


@pytest.mark.parametrize("z", [0.2, 0.0])
def test_a_seam_through_a_keep_clear_half_crosses_it_for_half_its_round(z):
    # pi r on a true cylinder; sides of the polygon here. At z = 0 it runs along edges.
    q = judged(cylinder(), (0, 0, z), keep_clear=right_half(cylinder()))
    assert q.keep_clear == pytest.approx(SIDES / 2 * 20 * np.sin(np.pi / SIDES), rel=1e-9)
    assert q.keep_clear == pytest.approx(np.pi * 10, rel=2e-4)


def test_a_slanted_seam_crosses_half_of_its_ellipse():
    # Perimeter of an ellipse: Ramanujan 1914, good to 1e-7 here.
    a, b = 10 * np.sqrt(2), 10.0
    h = ((a - b) / (a + b)) ** 2
    round_it = np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    q = judged(cylinder(), (0, 0, 0.2), (1, 0, 1), keep_clear=right_half(cylinder()))
    assert q.keep_clear == pytest.approx(round_it / 2, rel=1e-3)


def test_along_the_edge_of_a_keep_clear_area_is_not_across_it():
    figure = cylinder()
    low = figure.vertices[figure.faces].mean(axis=1)[:, 2] < 0
    assert judged(figure, (0, 0, 0), keep_clear=low).keep_clear == 0
    q = judged(figure, (0, 0, -0.1), keep_clear=low)
    assert q.keep_clear == pytest.approx(q.length)


def test_a_ball_keeps_its_chord_of_a_plain_face_clear():
    # A face of two triangles: the chord at d from a ball's centre is 2 sqrt(R² - d²).
    cube = box(100, 100, 100, (-50, -50, -50))
    q = judged(cube, (0, 0, 6), balls=[(50, 5, 10, 20)])
    assert q.keep_clear == pytest.approx(2 * np.sqrt(20**2 - 4**2), rel=1e-12)
    # Two balls that overlap count once; one reaches over the edge of the face.
    balls = [(50, 0, 0, 10), (50, 8, 0, 10), (50, 45, 0, 10)]
    q = judged(cube, (0, 0, 0), balls=balls)
    # The third: 15 mm of the face it is on, and sqrt(10² - 5²) round the corner.
    assert q.keep_clear == pytest.approx(28 + 15 + np.sqrt(75), rel=1e-12)
    # A ball that only comes near keeps nothing clear.
    assert judged(cube, (0, 0, 0), balls=[(50, 0, 10.001, 10)]).keep_clear == 0


def test_seam_faces_of_others_are_not_kept_clear():
    figure = cylinder()
    regions = section(figure, Frame.on_plane((0, 0, 0), (1, 0, 0))).regions
    halves = part(figure, Seam(1, "side", (0, 0, 0), (1, 0, 0)), regions)
    everywhere = Markings.of(figure, np.ones(len(figure.faces), dtype=bool), balls=[(0, 0, 0, 99)])
    surface = prepared(halves, carried(everywhere, figure, halves), scale=1.0)
    q = quality(surface, section(halves, Frame.on_plane((0, 0, 0.2), UP)))
    assert q.keep_clear == pytest.approx(q.length - q.on_seams, rel=1e-9)
    assert q.on_seams == pytest.approx(40, rel=1e-9)


def ring_at(z: float, figure: Mesh) -> np.ndarray:
    """(L, 2, 3) the edges of a cylinder's ring at a height, segments all the way round."""
    ring = figure.vertices[np.abs(figure.vertices[:, 2] - z) < 1e-9]
    ring = ring[np.argsort(np.arctan2(ring[:, 1], ring[:, 0]))]
    return np.stack([ring, np.roll(ring, -1, axis=0)], axis=1)


def test_length_along_a_natural_line():
    figure = cylinder(step=1.0)
    for z, share in ((0.0, 1), (0.4, 1), (0.6, 0)):
        q = judged(figure, (0, 0, z), lines=ring_at(0, figure), near_line=0.5)
        assert q.on_lines == pytest.approx(share * q.length, abs=1e-9)
        assert q.on_lines_share == pytest.approx(share, abs=1e-9)
        assert q.exposed == pytest.approx(q.length - q.on_lines, abs=1e-9)
    # Half a ring: half the outline and what is near its two ends, a chord of near_line each.
    turn = np.linspace(0, np.pi, 400)
    points = 10 * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    half = np.stack([points[:-1], points[1:]], axis=1)
    q = judged(figure, (0, 0, 0), lines=half, near_line=0.5)
    assert q.on_lines == pytest.approx(10 * np.pi + 2 * 0.5, rel=2e-3)


def test_crossing_a_natural_line_is_not_following_it():
    upright = [[[10, 0, -20], [10, 0, 20]]]
    assert judged(cylinder(), (0, 0, 0.2), lines=upright, near_line=2).on_lines == 0
    along = judged(box(20, 20, 40, (-10, -10, -20)), (10, 0, 0), (0, 1, 0), lines=upright,
                   near_line=2)  # fmt: skip
    assert along.on_lines == pytest.approx(40, rel=1e-9)


def test_a_line_seam_is_judged_by_what_it_runs_along():
    figure = cylinder(step=1.0)
    ring = np.flatnonzero(np.abs(figure.vertices[:, 2]) < 1e-9)
    ring = ring[np.argsort(np.arctan2(figure.vertices[ring, 1], figure.vertices[ring, 0]))]
    line = Line(ring.astype(np.int32), figure.vertices[ring])
    marked = Markings.of(figure, right_half(figure), lines=ring_at(0, figure)[: SIDES // 4])
    q = line_quality(prepared(figure, marked, scale=1.0, near_line=1e-3), line)
    side = 20 * np.sin(np.pi / SIDES)
    assert q.length == pytest.approx(SIDES * side, rel=1e-12)
    assert q.keep_clear == pytest.approx(SIDES / 2 * side, rel=1e-9)
    assert q.on_lines == pytest.approx(SIDES / 4 * side, rel=1e-3)
    said = " ".join(q.lines())
    assert "31.4 mm cross the keep-clear area" in said and "(25 %) follow natural lines" in said
    low = figure.vertices[figure.faces].mean(axis=1)[:, 2] < 0
    edge = line_quality(prepared(figure, Markings.of(figure, low), scale=1.0), line)
    assert edge.keep_clear == 0 and len(edge.lines()) == 1
    assert edge.hollow == 0


@pytest.mark.parametrize(("way", "hollow", "ridge"), [(-1, 1.0, 0.0), (1, 0.0, 1.0), (0, 0.0, 0.0)])
def test_a_line_in_a_crease_hides_and_one_on_a_ridge_shows(way, hollow, ridge):
    """A limb with a rounded groove or bead round its middle, 3 mm deep and 4 mm wide."""
    z = np.round(np.arange(-20, 20.1, 0.25), 2)
    figure = turned(z, 10 + 3 * way * np.exp(-((z / 2) ** 2)))
    middle = int(np.flatnonzero(z == 0)[0])
    row = 1 + SIDES * middle + np.arange(SIDES)
    line = line_from_edges(figure, np.stack([row, np.roll(row, -1)], axis=1))
    q = line_quality(prepared(figure, scale=1.0), line)
    assert q.hollow / q.length == pytest.approx(hollow, abs=0.02)
    assert q.ridge / q.length == pytest.approx(ridge, abs=0.02)


def test_a_line_along_the_edges_of_a_box_is_on_ridges():
    cube = box(40, 30, 20)
    corners = np.argsort(cube.vertices[:, 2], kind="stable")[4:]
    around = corners[np.argsort(np.arctan2(*(cube.vertices[corners, :2] - [20, 15]).T))]
    line = line_from_edges(cube, np.stack([around, np.roll(around, -1)], axis=1))
    q = line_quality(prepared(cube, scale=1.0), line)
    assert q.ridge == pytest.approx(140) and q.hollow == 0


# --- all together -----------------------------------------------------------------


def bumpy() -> Mesh:
    z = np.arange(-20, 20.1, 0.5)
    figure = turned(z, 10 + 1.5 * np.sin(z), 48)
    v = figure.vertices
    return Mesh.of(v * (1 + 0.1 * np.sin(3 * np.arctan2(v[:, 1], v[:, 0])))[:, None], figure.faces)


def test_a_figure_ten_times_as_large_has_ten_times_the_lengths_and_the_same_shares():
    figure = bumpy()
    clear = figure.vertices[figure.faces[:, 0], 1] > 0
    edges = figure.faces[:200, :2]
    found = []
    for factor in (1.0, 10.0):
        grown = figure.scaled(factor)
        surface = prepared(grown, Markings.of(grown, clear, grown.vertices[edges]))
        frame = Frame.on_plane((0, 0, factor * 4.4), (0.2, 0.1, 1))
        found.append(quality(surface, section(grown, frame), wall=5 * factor))
    small, large = found
    assert 0.05 < small.hidden_share < 0.95
    for name in ("length", "hidden", "ridge", "exposed", "keep_clear", "on_lines", "thin",
                 "feather", "inscribed_width", "hull_width", "cost"):  # fmt: skip
        assert getattr(large, name) == pytest.approx(10 * getattr(small, name), rel=1e-3), name
    assert large.area == pytest.approx(100 * small.area, rel=1e-9)
    assert large.hidden_share == pytest.approx(small.hidden_share, rel=1e-3)
    assert large.least_angle == pytest.approx(small.least_angle, abs=1e-6)


@pytest.mark.parametrize("z", [4.4, 4.0])
def test_turning_the_normal_about_changes_nothing(z):
    # Through vertices as well, where the faces of either side differ.
    up, down = (judged(bumpy_upright(), (0, 0, z), (0, 0, n), scale=0.5) for n in (1, -1))
    assert 0.05 < up.hidden_share < 0.95
    for name in ("length", "hidden", "ridge", "feather", "least_angle", "thin", "cost"):
        assert getattr(up, name) == pytest.approx(getattr(down, name), rel=1e-9), name


def bumpy_upright() -> Mesh:
    z = np.arange(-20, 20.1, 0.5)
    return turned(z, 10 + 1.5 * np.sin(z), 48)


def test_a_part_of_a_figure_is_judged_as_in_the_whole():
    z = np.array([-20.0, -4, 0, 4, 20])
    waist = turned(z, np.array([10.0, 10, 6, 10, 10]), 24)
    both = joined([moved(bumpy(), (60, 0, 0)), waist])
    clear = both.vertices[both.faces[:, 0], 1] > 0
    surface = prepared(both, Markings.of(both, clear, balls=[(0, 8, 0, 3)]), scale=0.4)
    local = surface.part(np.arange(len(both.faces)) >= len(both.faces) - len(waist.faces))
    assert len(local.mesh.faces) == len(waist.faces) and len(local.large) > 0
    frame = Frame.on_plane((0, 0, 0.1), UP)
    there, here = section(both, frame), section(local.mesh, frame)
    mine = [r for r in there.regions if r.contains(frame.to_plane([[0, 0, 0.1]]))[0]]
    assert cost(local, here, here.regions) == pytest.approx(cost(surface, there, mine), rel=1e-9)
    assert quality(local, here).hidden > 0


def test_only_the_chosen_regions_are_judged():
    pair = joined([box(10, 10, 10), moved(box(4, 4, 10), (20, 0, 0))])
    surface = prepared(pair)
    whole = section(pair, Frame.on_plane((0, 0, 5), UP))
    assert quality(surface, whole).length == pytest.approx(56)
    assert quality(surface, whole, whole.regions[1:]).length == pytest.approx(16)
    assert quality(surface, whole).hull_width == pytest.approx(4)


def test_cost_is_the_weighted_sum_and_the_same_by_the_short_way():
    figure = bumpy()
    surface = prepared(figure, Markings.of(figure, figure.vertices[figure.faces[:, 0], 1] > 0))
    found = section(figure, Frame.on_plane((0, 0, 3.3), (0.2, 0.1, 1)))
    w = Weights()
    q = quality(surface, found, wall=30.0)
    by_hand = (
        w.length * q.length + w.exposed * q.exposed + w.ridge * q.ridge
        + w.keep_clear * q.keep_clear + w.feather * q.feather + w.thin * q.thin
        + w.neck * 2 * np.sqrt(np.pi * q.area)
    )  # fmt: skip
    assert q.cost == pytest.approx(by_hand, rel=1e-12)
    assert cost(surface, found, found.regions, wall=30.0) == q.cost
    free = Weights(0, 0, 0, 0, 0, 0, 0)
    assert quality(surface, found, weights=free).cost == 0


def test_sentences_hold_the_numbers():
    text = "\n".join(judged(box(1.5, 20, 30), (0, 0, 10), wall=2.0).lines())
    assert "43.0 mm long" in text and "30 mm²" in text and "90°" in text
    assert "thinner than the wall of 2.0 mm, down to 1.5 mm" in text
    assert "none is sharper" in text and "keep-clear" not in text
    clear = judged(box(10, 10, 10), (0, 0, 4), keep_clear=np.ones(12, dtype=bool))
    assert any("40.0 mm cross the keep-clear area" in line for line in clear.lines())


def test_the_same_figure_gives_the_same_bits():
    a, b = prepared(bumpy()), prepared(bumpy())
    assert a.normals.tobytes() == b.normals.tobytes()


def test_far_from_the_origin_nothing_changes():
    near, far = bumpy(), moved(bumpy(), (5000, -3000, 0))
    a = judged(near, (0, 0, 4.4), (0.2, 0.1, 1))
    b = judged(far, (5000, -3000, 4.4), (0.2, 0.1, 1))
    assert b.hidden == pytest.approx(a.hidden, rel=1e-3) and a.hidden > 1


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"scale": 0.0}, "smoothing scale"),
        ({"near_line": -1.0}, "natural line"),
        ({"markings": Markings.of(sphere(1, 8))}, "markings are of"),
    ],
)
def test_bad_input_says_so(options, words):
    with pytest.raises(BadInput, match=words):
        prepared(box(1, 1, 1), **options)


def test_a_section_that_cannot_be_judged_says_so():
    cube = box(10, 10, 10)
    surface = prepared(cube)
    with pytest.raises(BadInput, match="no region"):
        quality(surface, section(cube, Frame.on_plane((0, 0, 50), UP)))
    with pytest.raises(BadInput, match="another mesh"):
        quality(surface, section(box(10, 10, 10), Frame.on_plane((0, 0, 5), UP)))
    with pytest.raises(BadInput, match="wall"):
        quality(surface, section(cube, Frame.on_plane((0, 0, 5), UP)), wall=0)
    with pytest.raises(BadInput, match="no faces"):
        prepared(Mesh.of(np.zeros((0, 3)), np.zeros((0, 3), dtype=int)))
