"""Terms of a pose against closed forms and reference libraries.

Formulas quoted from memory say so; a reader can check each in the work that is named.
"""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from seamwright.mesh import Mesh
from seamwright.overhang import cell_of, columns, hanging, largest_layer, supports
from seamwright.printer import PrinterProfile
from seamwright.shapes import box, revolved, sphere, torus
from seamwright.terms import Terms, prepared, terms

# Solid, so that the mass centre is the body's, and with layers so thin that contact is only
# what truly lies on the platform.
SOLID = PrinterProfile(infill=1.0, layer_height=0.001)
DOWN = np.array([0.0, 0.0, -1.0])


def judged(mesh: Mesh, down=DOWN, angle: float = 45.0, **more) -> Terms:
    way = np.asarray(down, dtype=float)
    return terms(prepared(mesh, SOLID, angle=angle, **more), way / np.linalg.norm(way))


def united(*parts: Mesh) -> Mesh:
    solid = manifold3d.Manifold()
    for part in parts:
        solid += manifold3d.Manifold(manifold3d.Mesh64(part.vertices, part.faces.astype(np.uint64)))
    out = solid.to_mesh64()
    return Mesh.of(np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts))


@pytest.mark.parametrize("angle", [30.6, 45.0, 61.2])
def test_overhang_and_support_of_a_sphere(angle):
    # The rows of faces are 1.8° high, so that these angles fall between two.
    radius = 20.0
    found = judged(sphere(radius, 200), angle=angle)
    sine, cosine = np.sin(np.radians(angle)), np.cos(np.radians(angle))
    # Surface of a cap h high: 2 pi R h; Bronshtein et al., "Handbook of Mathematics", chapter
    # on solids bounded by curved surfaces (from memory). It hangs over where the cosine between
    # normal and down is more than sin a, that is below R sin a from the centre: h = R (1 - sin a).
    assert found.overhang == pytest.approx(2 * np.pi * radius**2 * (1 - sine), rel=5e-3)
    # What is below that, between sphere and platform: the cylinder of radius R cos a from the
    # platform to the centre, R high, less that of the ball which is in it, by shells:
    # pi R³ cos² a - 2/3 pi R³ (1 - sin³ a).
    exact = np.pi * radius**3 * (cosine**2 - 2 / 3 * (1 - sine**3)) / 1000
    assert found.support == pytest.approx(exact, rel=1e-2)
    assert abs(found.support - exact) < found.support_error
    assert found.height == pytest.approx(2 * radius)


def test_stair_steps_of_a_sphere():
    # Cusps are as high as a layer times the cosine between normal and vertical: A. Dolenc &
    # I. Mäkelä, "Slicing procedures for layered manufacturing techniques", Computer-Aided
    # Design 26 (1994) 119. That cosine over a whole sphere is twice its shadow, 2 pi R².
    assert judged(sphere(20.0, 200)).stairs == pytest.approx(2 * np.pi * 400, rel=5e-3)


def test_support_of_a_horizontal_cylinder():
    radius, length = 20.0, 50.0
    mesh = revolved(np.array([0, radius, radius, 0]), np.array([0, 0, length, length]), 360)
    found = judged(mesh, (1, 0, 0))
    # Overhang: a quarter of the mantle. Support: the rectangle below it less the segment of the
    # circle: R² L (2 cos a - cos a sin a - (pi/2 - a)), with the circular segment's area as in
    # Bronshtein et al. (from memory).
    assert found.overhang == pytest.approx(np.pi / 2 * radius * length, rel=2e-2)
    exact = radius**2 * length * (np.sqrt(2) - 0.5 - np.pi / 4) / 1000
    assert found.support == pytest.approx(exact, rel=1e-2)
    assert abs(found.support - exact) < found.support_error


def test_cube_on_its_face():
    found = judged(box(30, 30, 30))
    assert found.overhang == found.support == found.scars == found.stairs == 0.0
    assert found.contact == pytest.approx(900)
    assert found.height == pytest.approx(30)
    assert found.tip == pytest.approx(45)
    assert found.suction == pytest.approx(900, rel=2e-2)


def test_cube_on_its_corner():
    a = 30.0
    # Its faces are arctan(1/sqrt 2) = 35.26° off the vertical: they hold at 45°.
    held = judged(box(a, a, a), (-1, -1, -1))
    assert held.overhang == held.support == 0.0
    assert held.height == pytest.approx(np.sqrt(3) * a)
    assert held.contact == held.tip == 0.0
    # The largest section is the regular hexagon of side a / sqrt 2.
    assert held.suction == pytest.approx(3 * np.sqrt(3) / 4 * a**2, rel=1e-2)
    # At 30° all three hang over. Each casts a² / sqrt 3 and its middle is a / sqrt 3 high, so
    # that what is below them is just the cube's volume.
    loose = judged(box(a, a, a), (-1, -1, -1), angle=30.0)
    assert loose.overhang == pytest.approx(3 * a**2)
    assert loose.support == pytest.approx(a**3 / 1000, rel=1e-2)


def test_cube_on_its_edge_holds_just_at_45_degrees():
    found = judged(box(30, 30, 30), (-1, 0, -1))
    assert found.overhang == found.support == 0.0


def test_tee():
    tee = united(box(10, 10, 30, (15, 0, 0)), box(40, 10, 10, (0, 0, 30)))
    upright, upside_down = judged(tee), judged(tee, (0, 0, 1))
    assert upright.overhang == pytest.approx(2 * 15 * 10)
    assert upright.support == pytest.approx(2 * 15 * 10 * 30 / 1000, rel=2e-2)
    assert upright.contact == pytest.approx(100)
    assert upside_down.overhang == upside_down.support == 0.0
    assert upside_down.contact == pytest.approx(400)
    # On the bar's end the stem's side hangs 15 mm high.
    on_end = judged(tee, (1, 0, 0))
    assert on_end.support == pytest.approx(30 * 10 * 15 / 1000, rel=3e-2)


def test_supports_stand_on_the_piece_where_it_is_below():
    beam = united(
        box(40, 50, 5), box(10, 50, 20, (15, 0, 5)), box(40, 50, 5, (0, 0, 25))
    )  # fmt: skip
    found = judged(beam)
    assert found.support == pytest.approx(2 * 15 * 50 * 20 / 1000, rel=2e-2)
    # Both flanges carry the marks.
    assert found.scars == pytest.approx(2 * 2 * 15 * 50, rel=2e-2)


def test_an_inner_shell_wants_no_support():
    # Overlapping solids, as a sculptor leaves them: the ball is inside the block's material.
    ball = sphere(8.0, 48)
    both = Mesh.of(
        np.concatenate([box(40, 40, 40, (-20, -20, -20)).vertices, ball.vertices]),
        np.concatenate([box(40, 40, 40).faces, ball.faces + 8]),
    )
    assert judged(both).support == 0.0


def test_tipping_angle_of_cylinder_and_cone():
    # A body on its base falls once its mass centre stands over the rim: tan = r / height of the
    # mass centre, which is h/2 up in a cylinder and h/4 in a cone; R. C. Hibbeler, "Engineering
    # Mechanics: Statics", tables of centroids (from memory). The rim is a polygon.
    r, h, sides = 10.0, 60.0, 96
    rim = r * np.cos(np.pi / sides)
    rod = revolved(np.array([0, r, r, 0]), np.array([0, 0, h, h]), sides)
    cone = revolved(np.array([0, r, 0]), np.array([0, 0, h]), sides)
    assert judged(rod).tip == pytest.approx(np.degrees(np.arctan2(rim, h / 2)), rel=1e-6)
    assert judged(cone).tip == pytest.approx(np.degrees(np.arctan2(rim, h / 4)), rel=1e-6)
    # A tilted rod's own base is all the same; on its tip the cone does not stand.
    assert judged(cone, (0, 0, 1)).tip == 0.0


def test_supports_prop_a_sphere():
    # The ring where 45° is reached, R cos 45° wide, about a mass centre R high.
    found = judged(sphere(20.0, 200))
    assert found.tip == 0.0
    assert found.propped == pytest.approx(np.degrees(np.arctan(np.sqrt(0.5))), rel=2e-2)


@pytest.mark.parametrize("seed", range(4))
def test_columns_against_trimesh_rays(seed):
    turn = Rotation.random(random_state=seed).as_matrix()
    mesh = torus(20.0, 7.0, 40, 20)
    points = mesh.vertices @ turn.T
    points[:, 2] -= points[:, 2].min()
    found = columns(points, mesh.faces, 1.7)
    every = np.arange(found.shape[0] * found.shape[1])
    start = np.column_stack([found.middles(every), np.full(len(every), -1.0)])
    rays = trimesh.Trimesh(points, mesh.faces, process=False).ray
    at, which, _ = rays.intersects_location(start, np.tile([0.0, 0.0, 1.0], (len(start), 1)))
    order = np.lexsort((at[:, 2], which))
    assert np.array_equal(found.column, which[order])
    assert np.allclose(found.height, at[order, 2], atol=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_largest_layer_against_slices(seed):
    turn = Rotation.random(random_state=seed).as_matrix()
    mesh = torus(20.0, 7.0)
    points = mesh.vertices @ turn.T
    points[:, 2] -= points[:, 2].min()
    height = float(points[:, 2].max())
    whole = manifold3d.Manifold(manifold3d.Mesh64(points, mesh.faces.astype(np.uint64)))
    areas = [whole.slice(z).area() for z in np.linspace(0, height, 82)[1:-1]]
    found = largest_layer(columns(points, mesh.faces, cell_of(mesh)), height)
    assert found == pytest.approx(max(areas), rel=1e-2)


@pytest.mark.parametrize("seed", range(4))
def test_supports_against_booleans(seed):
    # What lies below the overhanging faces and outside the piece, by Manifold: each face drawn
    # down to the platform, all united, less the piece. A convex piece never stands on itself.
    points = Rotation.random(random_state=seed).apply(box(30, 20, 12).vertices)
    hull = trimesh.convex.convex_hull(points + np.random.default_rng(seed).normal(0, 1, (8, 3)))
    mesh = Mesh.of(np.asarray(hull.vertices) - [0, 0, hull.bounds[0, 2]], hull.faces)
    over = hanging(mesh.face_vectors @ DOWN / (2 * mesh.areas), 30.0)
    below = manifold3d.Manifold()
    for face in mesh.faces[over]:
        corners = mesh.vertices[face]
        flat = corners * [1, 1, 0] - [0, 0, 1e-3]
        below += manifold3d.Manifold.hull_points(np.concatenate([corners, flat]))
    solid = manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices, mesh.faces.astype(np.uint64)))
    exact = (below - solid).volume()
    found = supports(columns(mesh.vertices, mesh.faces, cell_of(mesh)), over)
    assert found.volume == pytest.approx(exact, rel=1e-2)
    assert abs(found.volume - exact) < found.error


def test_error_shrinks_with_the_cell():
    mesh = sphere(20.0, 100)
    points = mesh.vertices - [0, 0, mesh.vertices[:, 2].min()]
    over = hanging(mesh.face_vectors @ DOWN / (2 * mesh.areas), 45.0)
    coarse, fine = (supports(columns(points, mesh.faces, c), over) for c in (1.6, 0.2))
    assert fine.error < coarse.error / 4
    assert abs(coarse.volume - fine.volume) < coarse.error


def test_mass_centre_is_that_of_the_print():
    # A tall thin tower on a heavy foot tips later than a like one without: the printed mass
    # centre counts, not the box's middle. 100·100·10 at 5 mm and 10·10·90 at 55 mm.
    figure = united(box(100, 100, 10, (-50, -50, 0)), box(10, 10, 90, (-5, -5, 10)))
    centre = (100_000 * 5 + 9_000 * 55) / 109_000
    assert judged(figure).tip == pytest.approx(np.degrees(np.arctan2(50, centre)), rel=1e-6)
    shell = replace(SOLID, infill=0.0, shell=0.5)
    light = terms(prepared(figure, shell, angle=45.0), DOWN)
    # As a mere shell, 0.5 mm of all surface: areas 2·10⁴ at 5 mm, 4·10³ at 5, 3.6·10³ at 55,
    # less 100 at 10, and 100 at 100 mm; the foot's two sides are its bottom and top.
    areas = np.array([10_000, 9_900, 4_000, 3_600, 100])
    heights = np.array([0, 10, 5, 55, 100])
    middle = areas @ heights / areas.sum()
    assert light.tip == pytest.approx(np.degrees(np.arctan2(50, middle)), rel=1e-6)
