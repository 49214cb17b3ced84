"""Sections: closed forms, contacts of every kind, cavities, pinches and open meshes."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.frame import Frame
from seamwright.mesh import Mesh, joined
from seamwright.outline import Region, loop_area, nests, regions_of, turns_about, winding
from seamwright.section import Section, section
from seamwright.shapes import box, moved, revolved, sphere, torus

UP, DOWN = (0, 0, 1), (0, 0, -1)


def cut(mesh: Mesh, point, normal) -> Section:
    return section(mesh, Frame.on_plane(point, normal))


def prism(outline: list[tuple[float, float]], depth: float) -> Mesh:
    """A simple (x, z) outline, counter-clockwise seen from -y, drawn out along y; ends fanned.

    The outline must be star-shaped about its first corner.
    """
    p = np.array(outline, dtype=float)
    n = len(p)
    front = np.column_stack([p[:, 0], np.zeros(n), p[:, 1]])
    k = np.arange(n)
    k2 = (k + 1) % n
    sides = [np.stack([k, n + k, k2], 1), np.stack([k2, n + k, n + k2], 1)]
    fan = np.stack([np.zeros(n - 2, int), np.arange(1, n - 1), np.arange(2, n)], axis=1)
    faces = np.concatenate([*sides, fan, fan[:, ::-1] + n])
    mesh = Mesh.of(np.concatenate([front, front + np.array([0, depth, 0])]), faces)
    assert mesh.is_closed and mesh.volume > 0
    return mesh


def polygon_area(radius: float, sides: int) -> float:
    return sides / 2 * radius**2 * float(np.sin(2 * np.pi / sides))


def assert_lies_in_plane(s: Section, tolerance: float) -> None:
    nodes = np.unique(s.crossing.segments)
    assert np.abs(s.frame.heights(s.crossing.positions(nodes))).max(initial=0.0) <= tolerance
    for region in s.regions:
        for loop, ids in zip(region.loops, region.segments, strict=True):
            world = s.crossing.positions(s.crossing.segments[ids, 0])
            np.testing.assert_allclose(s.frame.to_world(loop), world, atol=tolerance)
            # Each loop's segments run head to tail.
            chain = s.crossing.segments[ids]
            np.testing.assert_array_equal(chain[:, 1], np.roll(chain[:, 0], -1))


# --- closed forms -----------------------------------------------------------------


def test_box_square_on():
    s = cut(box(10, 20, 30), (0, 0, 12), UP)
    (region,) = s.regions
    assert region.area == pytest.approx(200, rel=1e-14)
    assert region.perimeter == pytest.approx(60, rel=1e-14)
    assert len(region.loops) == 1 and len(s.gaps) == 0
    np.testing.assert_allclose(s.frame.to_world(region.centroid), [5, 10, 12], atol=1e-12)
    assert_lies_in_plane(s, 1e-12)


def test_box_corner_to_corner_is_a_hexagon():
    # The plane through a unit cube's middle square to its diagonal: a regular hexagon of
    # side sqrt(2)/2 and area 3 sqrt(3)/4 (elementary).
    (region,) = cut(box(1, 1, 1), (0.5, 0.5, 0.5), (1, 1, 1)).regions
    assert region.area == pytest.approx(3 * np.sqrt(3) / 4, rel=1e-12)
    assert region.perimeter == pytest.approx(3 * np.sqrt(2), rel=1e-12)


@pytest.mark.parametrize("height", [0.0, 3.0, -7.25])
def test_sphere_of_facets(height):
    radius, sides = 10.0, 24
    lift = np.linspace(-np.pi / 2, np.pi / 2, sides // 2 + 1)
    here = np.interp(height, radius * np.sin(lift), radius * np.cos(lift))
    s = cut(sphere(radius, sides), (0, 0, height), UP)
    (region,) = s.regions
    assert region.area == pytest.approx(polygon_area(here, sides), rel=1e-12)
    assert region.perimeter == pytest.approx(2 * sides * here * np.sin(np.pi / sides), rel=1e-12)
    assert_lies_in_plane(s, 1e-12)


def test_sphere_through_both_poles_along_its_meridians():
    radius, sides = 10.0, 24
    (region,) = cut(sphere(radius, sides), (0, 0, 0), (0, 1, 0)).regions
    assert region.area == pytest.approx(polygon_area(radius, sides), rel=1e-12)


def test_frustum_at_any_height():
    low, high, h, sides = 8.0, 3.0, 10.0, 20
    cone = revolved(np.array([0, low, high, 0]), np.array([0, 0, h, h]), sides)
    for z in (0.5, 5.0, 9.99):
        (region,) = cut(cone, (3, 3, z), UP).regions
        expected = polygon_area(low + (high - low) * z / h, sides)
        assert region.area == pytest.approx(expected, rel=1e-12)


def test_torus_level_is_a_ring_and_upright_is_two_discs():
    big, small, sides, tube = 20.0, 6.0, 48, 24
    ring = torus(big, small, sides, tube)
    (region,) = cut(ring, (0, 0, 0), UP).regions
    assert len(region.holes) == 1
    expected = polygon_area(big + small, sides) - polygon_area(big - small, sides)
    assert region.area == pytest.approx(expected, rel=1e-12)
    assert region.perimeter == pytest.approx(4 * sides * big * np.sin(np.pi / sides), rel=1e-12)
    assert not region.contains([[0, 0]])[0] and region.contains([[big, 0]])[0]
    discs = cut(ring, (0, 0, 0), (0, 1, 0)).regions
    for disc in discs:
        assert disc.area == pytest.approx(polygon_area(small, tube), rel=1e-12)
    assert len(discs) == 2


def test_ellipse_of_a_slanted_cylinder():
    # A prism's slanted section is its cross-section's area over the cosine of the slant.
    sides = 30
    tube = revolved(np.array([0, 5, 5, 0.0]), np.array([0, 0, 40, 40.0]), sides)
    (region,) = cut(tube, (0, 0, 20), (1, 0, 1)).regions
    assert region.area == pytest.approx(polygon_area(5, sides) * np.sqrt(2), rel=1e-12)


# --- everything in the plane ------------------------------------------------------

STEP = [(0.0, 0.0), (20.0, 0.0), (20.0, 10.0), (10.0, 10.0), (10.0, 25.0), (0.0, 25.0)]


@pytest.mark.parametrize("normal", [UP, DOWN])
def test_at_a_step_the_section_is_where_there_is_material_on_both_sides(normal):
    step = prism(STEP, 8)
    upright = cut(step, (0, 0, 10), normal)
    upside_down = cut(Mesh.of(step.vertices * [1, -1, -1], step.faces), (0, 0, -10), normal)
    for s in (upright, upside_down):
        (region,) = s.regions
        assert region.area == pytest.approx(80, rel=1e-14)
        assert len(s.gaps) == 0


@pytest.mark.parametrize("normal", [UP, DOWN])
@pytest.mark.parametrize("z", [0, 30])
def test_a_plane_in_a_face_of_a_box_has_no_section(normal, z):
    s = cut(box(10, 20, 30), (0, 0, z), normal)
    assert s.regions == () and len(s.gaps) == 0 and s.area == 0


@pytest.mark.parametrize(
    ("point", "normal"), [((0, 0, 0), (1, 1, 1)), ((0, 5, 0), (1, 0, 1)), ((10, 20, 30), (1, 2, 3))]
)
def test_a_plane_that_touches_a_corner_or_an_edge_has_no_section(point, normal):
    for way in (1, -1):
        s = cut(box(10, 20, 30), point, way * np.array(normal))
        assert s.regions == () and len(s.gaps) == 0


def test_a_ridge_that_touches_from_below_and_a_groove_that_touches_from_above():
    roof = prism([(0, 10), (-6, 4), (-6, 0), (6, 0), (6, 4)], 5)
    for normal in (UP, DOWN):
        assert cut(roof, (0, 0, 10), normal).regions == ()
    # A notch under a slab with its crease in the plane: the region goes right across.
    notch = prism([(0, 10), (4, 0), (10, 0), (10, 20), (-10, 20), (-10, 0), (-4, 0)], 5)
    for normal in (UP, DOWN):
        (region,) = cut(notch, (0, 0, 10), normal).regions
        assert region.area == pytest.approx(100, rel=1e-14)


def test_vertices_in_the_plane_are_nodes_once_each():
    octahedron = Mesh.of(
        [[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]],
        [[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4], [1, 0, 5], [2, 1, 5], [3, 2, 5], [0, 3, 5]],
    )
    for normal, area in ((UP, 2.0), ((1, 0, 0), 2.0), ((1, 1, 0), np.sqrt(2))):
        s = cut(octahedron, (0, 0, 0), normal)
        (region,) = s.regions
        assert region.area == pytest.approx(area, rel=1e-14)
        assert len(region.outline) == len(np.unique(region.outline.round(12), axis=0))


def test_a_vertex_within_the_snap_counts_as_in_the_plane():
    mesh = box(100, 100, 100)
    near = 0.4e-7 * mesh.diagonal
    assert cut(mesh, (0, 0, 100 - near), UP).regions == ()
    (region,) = cut(mesh, (0, 0, 100 - 3e-7 * mesh.diagonal), UP).regions
    assert region.area == pytest.approx(10_000)


# --- cavities and nests -----------------------------------------------------------


def test_a_cavity_is_a_hole_and_what_floats_in_it_is_a_region():
    nest = joined(
        [
            box(20, 20, 20),
            box(12, 12, 12, low=(4, 4, 4)).flipped(),
            box(6, 6, 6, low=(7, 7, 7)),
            box(2, 2, 2, low=(9, 9, 9)).flipped(),
            box(5, 5, 20, low=(30, 0, 0)),
        ]
    )
    s = cut(nest, (0, 0, 10), UP)
    assert [round(r.area, 9) for r in s.regions] == [400 - 144, 36 - 4, 25]
    assert [len(r.holes) for r in s.regions] == [1, 1, 0]
    assert s.area == pytest.approx(256 + 32 + 25)
    outside = cut(nest, (0, 0, 2), DOWN)
    assert [round(r.area, 9) for r in outside.regions] == [400, 25]


def test_regions_come_largest_first_and_the_nearest_is_found():
    row = joined([box(k, k, 10, low=(10 * k, 0, 0)) for k in (2, 5, 3, 4)])
    s = cut(row, (0, 0, 5), UP)
    assert [round(r.area) for r in s.regions] == [25, 16, 9, 4]
    assert s.nearest((31, 1, 99)) == 2
    # Between two: the distance to the outline counts, not to the centre.
    assert s.nearest((36.7, 1, 0)) == 1


# --- pinches ----------------------------------------------------------------------


def test_villarceau_circles():
    # A plane that touches a torus at two points meets it in two circles whose radius is
    # the torus's major one and whose centres stand the minor one off the axis:
    # Y. Villarceau, "Théorème sur le tore", Nouvelles annales de mathématiques 7 (1848), from
    # memory. Material is where exactly one of the two discs is.
    big, small = 10.0, 5.0
    lens = 2 * big**2 * np.arccos(small / big) - small * np.sqrt(4 * big**2 - 4 * small**2)
    area, length = 2 * (np.pi * big**2 - lens), 4 * np.pi * big
    off = []
    for sides in (48, 96):
        ring = torus(big, small, sides, sides)
        tilt = np.arcsin(small / big)
        s = cut(ring, (0, 0, 0), (-np.sin(tilt), 0, np.cos(tilt)))
        assert len(s.gaps) == 0 and len(s.regions) == 2
        assert s.regions[0].area == pytest.approx(s.regions[1].area, rel=1e-9)
        perimeter = sum(r.perimeter for r in s.regions)
        off.append((1 - s.area / area, 1 - perimeter / length))
        nodes = [set(s.crossing.segments[np.concatenate(r.segments), 0]) for r in s.regions]
        # The circles cross at both points of contact, which are vertices of the mesh.
        assert len(nodes[0] & nodes[1]) == 2
        assert_lies_in_plane(s, 1e-5)
    # Chords: the area's error falls with the square of the step. The circles graze the
    # facets at the contacts and zigzag there, so the length's only falls.
    assert 0 < off[1][0] < off[0][0] / 3.5 and off[1][0] < 5e-3
    assert abs(off[1][1]) < abs(off[0][1]) < 2e-3


def chained(*loops: list[int]) -> np.ndarray:
    return np.array(
        [[a, b] for loop in loops for a, b in zip(loop, loop[1:] + loop[:1], strict=True)]
    )


def test_two_squares_corner_to_corner_stay_two_regions():
    points = np.array([[0, 0], [2, 0], [2, 2], [0, 2], [-1, 0], [-1, -1], [0, -1]], dtype=float)
    segments = chained([0, 1, 2, 3], [0, 4, 5, 6])
    for order in (slice(None), slice(None, None, -1)):
        regions, loose = regions_of(segments[order], lambda nodes: points[nodes])
        assert [r.area for r in regions] == [4, 1] and len(loose) == 0


def test_a_hole_that_touches_its_outline_leaves_one_region():
    points = np.array([[0, 0], [6, 0], [6, 6], [0, 6], [1, 3], [3, 1]], dtype=float)
    segments = chained([0, 1, 2, 3], [0, 4, 5])
    regions, loose = regions_of(segments, lambda nodes: points[nodes])
    (region,) = regions
    assert region.area == pytest.approx(36 - 4) and len(loose) == 0
    assert region.contains([[1.2, 1.2], [0.2, 3], [5, 5], [7, 7]]).tolist() == [
        False, True, True, False,
    ]  # fmt: skip


# --- open meshes ------------------------------------------------------------------


def test_an_open_mesh_says_where_and_spares_the_rest():
    whole = box(10, 10, 10)
    outward = whole.face_vectors[:, 0] > 0
    leaky = joined([whole.subset(~outward), box(4, 4, 10, low=(20, 0, 0))])
    s = cut(leaky, (0, 0, 3), UP)
    assert [round(r.area, 9) for r in s.regions] == [16]
    found = s.gaps[np.lexsort(s.gaps.T)]
    np.testing.assert_allclose(found, [[10, 0, 3], [10, 10, 3]], atol=1e-12)


def test_a_lone_triangle_is_all_gap():
    s = cut(Mesh.of([[0, 0, -1], [1, 0, -1], [0, 0, 1]], [[0, 1, 2]]), (0, 0, 0), UP)
    assert s.regions == () and len(s.gaps) == 2


# --- the same everywhere ----------------------------------------------------------


def test_the_same_call_gives_the_same_bits():
    mesh = torus(20, 7, 30, 18)
    a, b = (cut(mesh, (1, 2, 0.5), (0.3, 0.2, 1)) for _ in range(2))
    for r, t in zip(a.regions, b.regions, strict=True):
        for p, q in zip(r.loops, t.loops, strict=True):
            np.testing.assert_array_equal(p, q)


def test_order_of_faces_does_not_matter():
    mesh = joined([torus(20, 7, 30, 18), sphere(9, 16)])
    order = np.random.default_rng(4).permutation(len(mesh.faces))
    shuffled = Mesh(mesh.vertices, mesh.faces[order], mesh.tag)
    a, b = (cut(m, (1, 2, 0.5), (0.3, 0.2, 1)) for m in (mesh, shuffled))
    np.testing.assert_allclose([r.area for r in a.regions], [r.area for r in b.regions], rtol=1e-13)


def test_a_mesh_with_its_faces_in_blocks_gives_the_same_bits():
    plain, sorted_by_place = torus(20, 7, 30, 18), torus(20, 7, 30, 18)
    assert len(sorted_by_place.blocks.order) == 1080 and sorted_by_place.has_blocks
    assert not plain.has_blocks
    for point, normal in (((1, 2, 0.5), (0.3, 0.2, 1)), ((0, 0, 0), UP), ((0, 0, 7), UP)):
        a, b = cut(plain, point, normal), cut(sorted_by_place, point, normal)
        np.testing.assert_array_equal(a.crossing.segments, b.crossing.segments)
        for r, t in zip(a.regions, b.regions, strict=True):
            np.testing.assert_array_equal(r.outline, t.outline)


@pytest.mark.parametrize("normal", [UP, (1, 2, 3), (-1, 0.1, 0.02)])
def test_the_other_side_sees_the_same_regions(normal):
    mesh = torus(20, 7, 30, 18)
    front = cut(mesh, (14, 0, 1), normal)
    back = cut(mesh, (14, 0, 1), -np.array(normal))
    np.testing.assert_allclose(
        [r.area for r in front.regions], [r.area for r in back.regions], rtol=1e-12
    )


@pytest.mark.parametrize("size", [20.0, 300.0, 3000.0])
@pytest.mark.parametrize("away", [0.0, 1e6])
@pytest.mark.parametrize("normal", [UP, (1, 2, 3)])
def test_any_size_anywhere(size, away, normal):
    small = sphere(0.5, 32)
    expected = cut(small, (0.1, 0.05, 0.03), normal)
    mesh = moved(small.scaled(size), (away, -away, away))
    s = cut(mesh, np.array([away, -away, away]) + size * np.array([0.1, 0.05, 0.03]), normal)
    assert len(s.regions) == 1 and len(s.gaps) == 0
    assert s.area == pytest.approx(expected.area * size**2, rel=1e-8)
    assert_lies_in_plane(s, 1e-7 * mesh.diagonal)


# --- regions ----------------------------------------------------------------------


def u_shape(turn: float) -> Region:
    p = np.array([[0, 0], [9, 0], [9, 9], [6, 9], [6, 1], [3, 1], [3, 9], [0, 9]], dtype=float)
    c, s = np.cos(turn), np.sin(turn)
    return Region((p @ np.array([[c, s], [-s, c]]),), (np.arange(8),))


@pytest.mark.parametrize("turn", np.linspace(0, 2 * np.pi, 13))
def test_the_inner_point_is_well_inside(turn):
    region = u_shape(turn)
    assert region.area == pytest.approx(81 - 24)
    assert region.contains(region.inner_point[None])[0]
    assert region.edge_distance(region.inner_point[None])[0] > 0.2
    assert region.distance(region.inner_point[None])[0] == 0


def test_distances_to_a_region_with_a_hole():
    ring = Region(
        (
            np.array([[0, 0], [10, 0], [10, 10], [0, 10.0]]),
            np.array([[3, 3], [3, 7], [7, 7], [7, 3.0]]),
        ),
        (np.arange(4), np.arange(4)),
    )
    points = [[5, 5], [1, 5], [13, 14], [-2, 5], [2, 2]]
    np.testing.assert_allclose(ring.distance(points), [2, 0, 5, 2, 0])
    np.testing.assert_allclose(ring.edge_distance(points), [2, 1, 5, 2, np.sqrt(2)])
    assert ring.area == 84 and ring.perimeter == 56
    np.testing.assert_allclose(ring.centroid, [5, 5])


def test_the_centroid_of_an_l_and_of_a_sliver():
    l_shape = np.array([[0, 0], [4, 0], [4, 1], [1, 1], [1, 5], [0, 5]], dtype=float)
    region = Region((l_shape,), (np.arange(6),))
    # Two rectangles: 4 x 1 about (2, 0.5) and 1 x 4 about (0.5, 3).
    np.testing.assert_allclose(region.centroid, [(8 + 2) / 8, (2 + 12) / 8])
    sliver = Region((np.array([[0, 0], [4, 0], [2, 0.0]]),), (np.arange(3),))
    np.testing.assert_allclose(sliver.centroid, [2, 0])


@pytest.mark.parametrize("away", [0.0, 1e3, 1e6])
def test_the_centroid_keeps_its_digits_far_from_the_frame(away):
    l_shape = np.array([[0, 0], [4, 0], [4, 1], [1, 1], [1, 5], [0, 5]], dtype=float)
    region = Region((l_shape + away,), (np.arange(6),))
    np.testing.assert_allclose(region.centroid - away, [10 / 8, 14 / 8], atol=1e-9)


def test_how_often_a_loop_goes_round():
    square = np.array([[0, 0], [4, 0], [4, 4], [0, 4]], dtype=float)
    eight = np.array([[0, 0], [4, 4], [4, 0], [0, 4]], dtype=float)
    assert winding(np.array([[1.0, 2], [5, 2], [-1, 2]]), square).tolist() == [1, 0, 0]
    assert winding(np.array([[1.0, 2]]), square[::-1]).tolist() == [-1]
    assert winding(np.array([[1.0, 2]]), np.concatenate([square, square])).tolist() == [2]
    assert sorted(winding(np.array([[1.0, 2], [3, 2]]), eight).tolist()) == [-1, 1]


def test_holes_nest_in_the_smallest_outline_round_them_though_they_touch_it():
    def ring(x: float, y: float, side: float, way: int = 1) -> np.ndarray:
        return np.array([[x, y], [x + side, y], [x + side, y + side], [x, y + side]])[::way] * 1.0

    loops = [ring(0, 0, 20), ring(2, 2, 12, -1), ring(3, 3, 6), ring(3, 3, 2, -1), ring(40, 0, 1)]
    areas = np.array([loop_area(p) for p in loops])
    found = nests(loops, areas, turns_about(loops, areas))
    assert found == [[0, 1], [2, 3], [4]]
