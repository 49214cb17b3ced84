"""What is wrong with a mesh: every kind of flaw counted and placed on a mesh that has just it."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.adjacency import (
    EdgeTable,
    counting_order,
    fan_of_corner,
    pinched_vertices,
    turned_faces,
)
from seamwright.errors import BadInput
from seamwright.inspection import (
    BuildsOver,
    box_pairs,
    containers,
    find_holes,
    inspect,
    same_corner_faces,
    shell_sums,
    shells_of,
)
from seamwright.mesh import Mesh, joined
from seamwright.shapes import box, moved, sphere, torus

CUBE = box(10, 10, 10)


def without(mesh: Mesh, *faces: int) -> Mesh:
    return mesh.subset(np.setdiff1d(np.arange(len(mesh.faces)), faces))


def merged(*meshes: Mesh) -> Mesh:
    """All faces, with one vertex where several have the same coordinates."""
    whole = joined(list(meshes))
    vertices, index = np.unique(whole.vertices, axis=0, return_inverse=True)
    return Mesh.of(vertices, index.ravel()[whole.faces])


# --- a sound figure ---------------------------------------------------------------


def test_a_sound_figure_has_nothing_wrong():
    found = inspect(box(10, 20, 30, (5, 6, 7)))
    assert found.is_sound
    assert (found.triangles, found.vertices, found.shells) == (12, 8, 1)
    assert found.volume == pytest.approx(6000, rel=1e-12)
    assert found.area == pytest.approx(2200, rel=1e-12)
    assert found.size == (10, 20, 30)
    assert found.builds_over is None
    assert found.holes.count == found.inward_shells == found.shells_that_may_overlap == 0


@pytest.mark.parametrize("mesh", [CUBE, sphere(10, 24), torus(10, 3, 24, 12)])
def test_the_findings_do_not_hang_on_the_order_of_faces_and_vertices(mesh):
    rng = np.random.default_rng(3)
    new = rng.permutation(len(mesh.vertices))
    vertices = np.empty_like(mesh.vertices)
    vertices[new] = mesh.vertices
    shuffled = Mesh.of(vertices, new[mesh.faces][rng.permutation(len(mesh.faces))])
    assert inspect(shuffled).lines() == inspect(mesh).lines()


def test_no_faces_are_refused():
    with pytest.raises(BadInput, match="no faces to inspect"):
        inspect(Mesh.of([[0, 0, 0]], []))


def test_faces_that_are_all_collapsed_are_not_sound():
    assert not inspect(Mesh.of([[0, 0, 0], [1, 0, 0]], [[0, 1, 1], [0, 0, 1]])).is_sound


# --- holes ------------------------------------------------------------------------


def test_a_missing_face_is_a_hole_with_a_place_and_a_length():
    found = inspect(without(CUBE, 1))
    assert found.holes.count == 1
    assert found.holes.edges.tolist() == [3]
    assert found.holes.perimeters[0] == pytest.approx(20 + 200**0.5)
    # The rim of the top face's half: two sides and the diagonal, weighed by length.
    sides = np.array([[5.0, 0, 10], [10, 5, 10], [5, 5, 10]])
    weights = np.array([10, 10, 200**0.5])
    np.testing.assert_allclose(found.holes.centres[0], weights @ sides / weights.sum())
    assert not found.is_sound


def test_the_largest_hole_comes_first():
    ball = sphere(10, 24)
    low, high = ball.vertices[ball.faces][:, :, 2].min(axis=1), ball.vertices[ball.faces][:, :, 2]
    found = inspect(ball.subset((low > -9) & (high.max(axis=1) < 7)))
    assert found.holes.count == 2
    assert found.holes.perimeters[0] > found.holes.perimeters[1]
    assert found.holes.centres[0][2] > 0 > found.holes.centres[1][2]
    np.testing.assert_allclose(found.holes.centres[:, :2], 0, atol=1e-9)
    assert found.holes.edges.tolist() == [24, 24]


def test_a_hole_is_found_beside_flipped_faces():
    mesh = without(CUBE, 1)
    faces = mesh.faces.copy()
    faces[::2] = faces[::2, ::-1]
    assert inspect(Mesh.of(mesh.vertices, faces)).holes.count == 1


def test_a_rim_of_no_length_still_has_a_place():
    spot = Mesh.of([[1, 2, 3]] * 3, [[0, 1, 2]])
    holes = find_holes(spot.vertices, EdgeTable.of(spot.faces, 3))
    np.testing.assert_allclose(holes.centres, [[1, 2, 3]])


# --- shells -----------------------------------------------------------------------


def test_a_cavity_is_told_from_a_shell_inside_out():
    cavity = joined([CUBE, box(4, 4, 4, (3, 3, 3)).flipped()])
    found = inspect(cavity)
    assert (found.shells, found.cavities, found.inside_out_shells) == (2, 1, 0)
    assert found.is_sound
    assert found.volume == pytest.approx(1000 - 64)

    beside = joined([CUBE, box(4, 4, 4, (30, 3, 3)).flipped()])
    found = inspect(beside)
    assert (found.cavities, found.inside_out_shells, found.inward_shells) == (0, 1, 1)
    assert not found.is_sound


def test_a_shell_that_is_only_partly_inside_another_is_no_cavity():
    found = inspect(joined([CUBE, box(10, 4, 4, (3, 3, 3)).flipped()]))
    assert (found.cavities, found.inside_out_shells) == (0, 1)


def test_an_island_inside_a_cavity_has_the_cavity_about_it():
    nest = joined([CUBE, box(6, 6, 6, (2, 2, 2)).flipped(), box(2, 2, 2, (4, 4, 4))])
    shell, count = shells_of(nest)
    volumes = shell_sums(shell, count, nest.signed_volumes())
    np.testing.assert_allclose(volumes, [1000, -216, 8])
    assert containers(nest, shell, volumes).tolist() == [-1, 0, 1]


def test_the_hole_of_a_ring_is_not_inside_it():
    ring = joined([torus(10, 3, 32, 16), sphere(2, 12)])
    shell, count = shells_of(ring)
    volumes = shell_sums(shell, count, ring.signed_volumes())
    assert containers(ring, shell, volumes).tolist() == [-1, -1]


def test_many_shells_find_their_containers():
    # Enough rays and faces for several blocks.
    balls = [moved(sphere(4, 48), (10.0 * i, 0, 0)) for i in range(30)]
    cores = [moved(sphere(1, 48), (10.0 * i, 0, 0)).flipped() for i in range(30)]
    found = inspect(joined(balls + cores))
    assert (found.shells, found.cavities, found.inside_out_shells) == (60, 30, 0)


def test_shells_with_boxes_that_meet_may_overlap():
    far, near = box(4, 4, 4, (30, 0, 0)), box(4, 4, 4, (9, 9, 9))
    assert inspect(joined([CUBE, far])).shells_that_may_overlap == 0
    assert inspect(joined([CUBE, near, far])).shells_that_may_overlap == 2


def test_box_pairs_are_those_of_comparing_every_box_with_every_other():
    rng = np.random.default_rng(5)
    low = rng.uniform(0, 10, (60, 3))
    boxes = np.stack([low, low + rng.uniform(0, 3, (60, 3))], axis=1)
    expected = {
        (i, j)
        for i in range(60)
        for j in range(i + 1, 60)
        if (boxes[i, 0] <= boxes[j, 1]).all() and (boxes[j, 0] <= boxes[i, 1]).all()
    }
    assert {(min(p), max(p)) for p in box_pairs(boxes).tolist()} == expected
    assert len(expected) > 20


# --- edges and vertices -----------------------------------------------------------


def test_an_edge_of_four_faces_is_not_manifold():
    found = inspect(merged(CUBE, box(10, 10, 10, (10, 10, 0))))
    assert found.non_manifold_edges.count == 1
    assert found.non_manifold_edges.place == (10, 10, 5)
    # The ends of that edge are pinched by it, which is not said twice.
    assert found.pinched_vertices.count == 0


def test_cubes_that_share_a_corner_pinch_it():
    found = inspect(merged(CUBE, box(10, 10, 10, (10, 10, 10))))
    assert found.non_manifold_edges.count == 0
    assert found.pinched_vertices.count == 1
    assert found.pinched_vertices.place == (10, 10, 10)
    assert found.shells == 1
    assert not found.is_sound


def test_pinched_vertices_are_found_about_holes_too():
    # Two triangles that touch at a tip: a bow tie.
    tie = Mesh.of(
        [[0, 0, 0], [1, 1, 0], [1, -1, 0], [-1, 1, 0], [-1, -1, 0]], [[0, 2, 1], [0, 3, 4]]
    )
    pinched = pinched_vertices(EdgeTable.of(tie.faces, 5), 5)
    assert pinched.tolist() == [True, False, False, False, False]


def test_every_corner_of_a_fan_has_the_same_label():
    table = EdgeTable.of(CUBE.faces, 8)
    fan = fan_of_corner(table.start, table.mate)
    assert len(np.unique(fan)) == 8
    assert len(np.unique(np.stack([fan, table.start]), axis=1).T) == 8


def test_the_table_counts_edges_as_the_mesh_does():
    rng = np.random.default_rng(2)
    for _ in range(20):
        faces = np.array([rng.permutation(7)[:3] for _ in range(12)], dtype=np.int32)
        mesh = Mesh.of(rng.normal(size=(7, 3)), faces)
        table, counts = EdgeTable.of(mesh.faces, 7), mesh.edge_counts
        assert len(table.open) == len(counts.open)
        assert len(table.crowded) == len(counts.manifold_flaws)
        assert len(table.same_way) == len(counts.flipped)
        assert table.is_whole == counts.is_closed


def test_counting_order_sorts_and_keeps_the_order_of_equals():
    keys = np.random.default_rng(0).integers(0, 50, 1000).astype(np.int32)
    np.testing.assert_array_equal(counting_order(keys, 50), np.argsort(keys, kind="stable"))
    assert len(counting_order(keys[:0], 50)) == 0


# --- faces ------------------------------------------------------------------------


def test_flipped_faces_are_the_smaller_part():
    faces = CUBE.faces.copy()
    faces[[2, 8]] = faces[[2, 8], ::-1]
    found = inspect(Mesh.of(CUBE.vertices, faces))
    assert found.flipped_faces.count == 2
    np.testing.assert_allclose(found.flipped_faces.place, CUBE.vertices[faces[2]].mean(axis=0))
    turned = turned_faces(EdgeTable.of(np.ascontiguousarray(faces[:, ::-1]), 8))[0]
    assert np.flatnonzero(turned).tolist() == [2, 8]


def test_flipped_faces_are_counted_surface_by_surface():
    two = joined([CUBE, box(10, 10, 10, (20, 0, 0))])
    faces = two.faces.copy()
    faces[[0, 13, 14]] = faces[[0, 13, 14], ::-1]
    assert inspect(Mesh.of(two.vertices, faces)).flipped_faces.count == 3


def test_a_moebius_strip_is_one_sided():
    found = inspect(moebius())
    assert found.one_sided_faces.count == 24
    assert found.flipped_faces.count == 0
    assert not found.is_sound


def moebius(n: int = 12) -> Mesh:
    turn = 2 * np.pi * np.arange(n) / n
    out = np.stack([np.cos(turn), np.sin(turn), np.zeros(n)], axis=1)
    arm = np.cos(turn / 2)[:, None] * out + np.sin(turn / 2)[:, None] * [0, 0, 1]
    faces = []
    for i in range(n):
        a, b, c, d = (i, n + i, i + 1, n + i + 1) if i < n - 1 else (i, n + i, n, 0)
        faces += [[a, b, d], [a, d, c]]
    return Mesh.of(np.concatenate([10 * out + 2 * arm, 10 * out - 2 * arm]), faces)


def test_faces_of_no_area_do_no_harm():
    # A corner on the edge from 0 to 1: its two faces there are flat, but all is closed.
    vertices = np.concatenate([CUBE.vertices, [[5, 0, 0]]])
    split = [f for f in CUBE.faces.tolist() if not {0, 1} <= set(f)]
    ends = [f for f in CUBE.faces.tolist() if {0, 1} <= set(f)]
    first, second = ends
    halves = [[8 if v == old else v for v in first] for old in (0, 1)]
    a, b = (0, 1) if any(second[i - 1] == 0 and second[i] == 1 for i in range(3)) else (1, 0)
    found = inspect(Mesh.of(vertices, [*split, *halves, second, [b, a, 8]]))
    assert found.zero_area_faces.count == 1
    assert found.is_sound
    assert found.volume == pytest.approx(1000)


def test_duplicate_faces_are_those_too_many():
    faces = np.concatenate([CUBE.faces, CUBE.faces[3:5], np.roll(CUBE.faces[3:4, ::-1], 1, axis=1)])
    found = inspect(Mesh.of(CUBE.vertices, faces))
    assert found.duplicate_faces.count == 3
    index, group = same_corner_faces(faces)
    assert sorted(zip(group.tolist(), index.tolist(), strict=True)) == sorted(
        [(group[0], 3), (group[0], 12), (group[0], 14), (group[1], 4), (group[1], 13)]
    )


def test_loose_vertices_are_counted_and_do_no_harm():
    found = inspect(Mesh.of(np.concatenate([CUBE.vertices, [[1, 2, 3]]]), CUBE.faces))
    assert found.isolated_vertices.count == 1
    assert found.isolated_vertices.place == (1, 2, 3)
    assert found.is_sound


# --- against the build volume -----------------------------------------------------


def test_builds_over_are_ratios_and_whole_build_volumes():
    over = inspect(box(100, 250, 1000), (100, 100, 200)).builds_over
    assert isinstance(over, BuildsOver)
    assert over.ratios == (1.0, 2.5, 5.0)
    assert over.counts == (1, 3, 5)
    assert over.largest == 5.0


def test_a_figure_that_fills_the_build_volume_fits_it():
    found = inspect(box(0.1 + 0.2, 1, 1), (0.3, 1, 1))
    assert found.builds_over.counts == (1, 1, 1)


@pytest.mark.parametrize("room", [(1, 2), (1, 2, 0), (1, 2, -3), (1, 2, float("nan"))])
def test_a_build_volume_is_three_lengths(room):
    with pytest.raises(BadInput, match="three lengths above 0 mm"):
        inspect(CUBE, room)


# --- in words ---------------------------------------------------------------------


def test_a_sound_figure_in_words():
    assert inspect(box(10, 20, 30), (256, 256, 256)).lines() == (
        "12 triangles, 8 vertices, 1 shell.",
        "Size 10.0 × 20.0 × 30.0 mm, surface 22.0 cm², volume 6.0 cm³.",
        "It fits the build volume as it stands.",
        "Sound: closed, and every face looks outward.",
    )


def test_a_torn_figure_in_words():
    mesh = without(joined([box(10, 20, 300), box(4, 4, 4, (50, 0, 0)).flipped()]), 0, 6)
    mesh = Mesh.of(np.concatenate([mesh.vertices, [[1, 2, 3.004]]]), mesh.faces)
    assert inspect(mesh, (100, 100, 100)).lines()[2:] == (
        "It is 3.00 times the build volume along z; 1 × 1 × 3 build volumes would span it.",
        "1 hole, the largest 60.00 mm around at (5.00, 10.00, 0.00) mm.",
        "1 shell inside out.",
        "1 loose vertex, at (1.00, 2.00, 3.00) mm.",
        "Not sound: mend it before parting it.",
    )


def test_every_flaw_has_a_line():
    cubes = merged(CUBE, box(10, 10, 10, (10, 10, 0)), box(4, 4, 4, (-4, -4, -4)))
    faces = np.concatenate([cubes.faces, cubes.faces[22:24]])
    faces[25] = faces[25, ::-1]
    text = " ".join(inspect(Mesh.of(cubes.vertices, faces)).lines())
    for words in ("edges of three or more faces", "pinched to a point", "duplicate faces"):
        assert words in text
    hollow = joined([CUBE, box(4, 4, 4, (3, 3, 3)).flipped(), box(2, 2, 2, (9, 9, 9))])
    text = " ".join(inspect(hollow).lines())
    assert "3 shells, of them 1 cavity." in text
    assert "2 shells lie so close that they may overlap." in text
    assert "24 faces of a one-sided surface, the first at" in " ".join(inspect(moebius()).lines())
