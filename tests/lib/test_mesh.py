"""The mesh value: shapes and ranges at the door, volumes, shells, edges, and the test solids."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.errors import BadInput
from seamwright.mesh import (
    EdgeCounts,
    Mesh,
    gathered,
    joined,
    places,
    relabelled,
    vertex_shells,
)
from seamwright.shapes import box, moved, revolved, sphere, torus

TETRAHEDRON = np.array([[0, 0, 0], [6, 0, 0], [0, 4, 0], [0, 0, 3]], dtype=float)
TETRAHEDRON_FACES = [[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]]


def tetrahedron() -> Mesh:
    return Mesh.of(TETRAHEDRON, TETRAHEDRON_FACES)


def one_sentence(error: pytest.ExceptionInfo[BadInput]) -> str:
    text = str(error.value)
    assert text.endswith(".") and ". " not in text and "\n" not in text
    return text


# --- at the door ------------------------------------------------------------------


def test_arrays_come_out_in_the_documented_types():
    mesh = Mesh.of(TETRAHEDRON.astype(np.float32), TETRAHEDRON_FACES)
    assert (mesh.vertices.dtype, mesh.faces.dtype, mesh.tag.dtype) == (float, np.int32, np.int32)
    assert mesh.vertices.flags.c_contiguous and mesh.faces.flags.c_contiguous
    assert mesh.tag.tolist() == [0, 0, 0, 0]


@pytest.mark.parametrize(
    ("vertices", "faces", "tag", "said"),
    [
        (np.zeros((4, 2)), TETRAHEDRON_FACES, None, "(4, 2)"),
        (np.zeros(12), TETRAHEDRON_FACES, None, "(12,)"),
        (TETRAHEDRON, [[0, 1, 2, 3]], None, "(1, 4)"),
        (TETRAHEDRON, [0, 1, 2], None, "(3,)"),
        (TETRAHEDRON, [[0, 1, 4]], None, "vertex 4"),
        (TETRAHEDRON, TETRAHEDRON_FACES, [0, 1], "(2,)"),
        (TETRAHEDRON, TETRAHEDRON_FACES, [[0], [1], [2], [3]], "(4, 1)"),
    ],
)
def test_wrong_shapes_and_indices_are_refused(vertices, faces, tag, said):
    with pytest.raises(BadInput) as error:
        Mesh.of(vertices, faces, tag)
    assert said in one_sentence(error)


def test_a_negative_index_is_refused_and_named():
    with pytest.raises(BadInput) as error:
        Mesh.of(TETRAHEDRON, [[0, 1, -2]])
    assert "vertex -2" in one_sentence(error)


def test_an_index_beyond_32_bits_is_refused_and_not_wrapped():
    with pytest.raises(BadInput):
        Mesh.of(TETRAHEDRON, np.array([[0, 1, 2 + 2**32]], dtype=np.int64))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_coordinates_that_are_no_numbers_are_refused_and_counted(bad):
    vertices = TETRAHEDRON.copy()
    vertices[2, 1] = vertices[3, 0] = bad
    with pytest.raises(BadInput) as error:
        Mesh.of(vertices, TETRAHEDRON_FACES)
    assert "Vertex 2" in one_sentence(error) and "2 such" in str(error.value)


def test_a_mesh_without_faces_is_a_value_but_not_closed():
    mesh = Mesh.of(TETRAHEDRON, [])
    assert mesh.faces.shape == (0, 3)
    assert mesh.volume == 0.0 and not mesh.is_closed and len(mesh.shell_of_face) == 0


# --- measures ---------------------------------------------------------------------


def test_volume_and_areas_of_a_tetrahedron():
    mesh = tetrahedron()
    assert mesh.volume == pytest.approx(6 * 4 * 3 / 6, rel=1e-15)
    # Three right triangles, and Heron's formula for the fourth.
    a, b, c = np.sqrt([52.0, 25.0, 45.0])
    s = (a + b + c) / 2
    slope = np.sqrt(s * (s - a) * (s - b) * (s - c))
    np.testing.assert_allclose(mesh.areas, [12, 9, slope, 6], rtol=1e-14)
    np.testing.assert_allclose(mesh.face_vectors.sum(axis=0), 0, atol=1e-12)
    np.testing.assert_array_equal(mesh.face_vectors_of(np.array([3, 1])), mesh.face_vectors[[3, 1]])


def test_volume_is_negative_inside_out():
    mesh = box(2, 3, 4)
    assert mesh.volume == pytest.approx(24) and mesh.flipped().volume == pytest.approx(-24)
    assert mesh.flipped().is_closed


def test_volume_keeps_its_digits_far_from_the_origin():
    far = moved(sphere(10.0), (1e6, -1e6, 1e6))
    assert far.volume == pytest.approx(sphere(10.0).volume, rel=1e-9)


def test_volume_of_some_shells():
    pair = joined([box(1, 1, 1), box(2, 2, 2, low=(5, 0, 0))])
    assert pair.volume == pytest.approx(9)
    assert pair.volume_of(np.flatnonzero(pair.shell_of_face == pair.shell_of_face[-1])) == (
        pytest.approx(8)
    )


def test_bounds_size_and_diagonal():
    mesh = box(3, 4, 12, low=(-1, 2, 5))
    assert mesh.bounds.tolist() == [[-1, 2, 5], [2, 6, 17]]
    assert mesh.size.tolist() == [3, 4, 12] and mesh.diagonal == pytest.approx(13)


# --- edges and shells -------------------------------------------------------------


def test_a_missing_face_leaves_three_open_edges():
    mesh = Mesh.of(TETRAHEDRON, TETRAHEDRON_FACES[1:])
    assert sorted(map(sorted, mesh.edge_counts.open.tolist())) == [[0, 1], [0, 2], [1, 2]]
    assert not mesh.is_closed and len(mesh.edge_counts.flipped) == 0


def test_a_turned_face_is_found_at_its_edges():
    mesh = Mesh.of(TETRAHEDRON, [[0, 1, 2], *TETRAHEDRON_FACES[1:]])
    assert sorted(map(sorted, mesh.edge_counts.flipped.tolist())) == [[0, 1], [0, 2], [1, 2]]
    assert len(mesh.edge_counts.open) == len(mesh.edge_counts.manifold_flaws) == 0
    assert not mesh.is_closed


def test_an_edge_of_four_faces_is_a_flaw():
    # Two tetrahedra share the edge 0-1 and nothing else.
    points = np.vstack([TETRAHEDRON, -TETRAHEDRON[2:]])
    other = np.array([0, 1, 4, 5])[np.array(TETRAHEDRON_FACES)]
    mesh = Mesh.of(points, [*TETRAHEDRON_FACES, *other.tolist()])
    assert mesh.edge_counts.manifold_flaws.tolist() == [[0, 1]]
    assert not mesh.is_closed


def test_a_face_that_uses_a_vertex_twice_is_not_closed():
    assert not Mesh.of(TETRAHEDRON, [*TETRAHEDRON_FACES, [0, 0, 1]]).is_closed


def test_edge_counts_of_nothing():
    counts = EdgeCounts.of(np.zeros((0, 3), dtype=np.int32), 0)
    assert counts.is_closed and counts.open.shape == (0, 2)


def test_shells_are_told_apart_and_unused_vertices_stand_alone():
    pair = joined([tetrahedron(), tetrahedron()])
    assert len(np.unique(pair.shell_of_face)) == 2
    assert len(np.unique(pair.shell_of_face[:4])) == 1
    assert len(np.unique(vertex_shells(pair.faces, 10))) == 4


# --- new from old -----------------------------------------------------------------


def test_subset_keeps_order_and_tags_and_only_used_vertices():
    mesh = Mesh.of(TETRAHEDRON, TETRAHEDRON_FACES, [5, 6, 7, 8])
    by_index = mesh.subset(np.array([2, 0]))
    assert by_index.tag.tolist() == [7, 5] and len(by_index.vertices) == 4
    mask = mesh.subset(np.array([True, False, False, False]))
    assert len(mask.vertices) == 3
    np.testing.assert_array_equal(mask.vertices[mask.faces[0]], TETRAHEDRON[[0, 2, 1]])
    assert mesh.compacted() is mesh


def test_scaling_and_moving_keep_faces_and_tags():
    mesh = Mesh.of(TETRAHEDRON, TETRAHEDRON_FACES, [1, 2, 3, 4])
    for changed, factor in ((mesh.scaled(2.0), 8.0), (moved(mesh, (1, 2, 3)), 1.0)):
        assert changed.volume == pytest.approx(factor * mesh.volume)
        assert changed.tag.tolist() == [1, 2, 3, 4]


def test_joining_keeps_everything_and_nothing_joins_to_nothing():
    tagged = Mesh.of(TETRAHEDRON, TETRAHEDRON_FACES, [1, 2, 3, 4])
    both = joined([box(1, 1, 1), tagged])
    assert len(both.vertices) == 12 and len(both.faces) == 16 and both.is_closed
    assert both.tag.tolist() == [0] * 12 + [1, 2, 3, 4]
    assert len(joined([]).faces) == 0


# --- the test solids themselves ---------------------------------------------------


@pytest.mark.parametrize(
    ("mesh", "euler"),
    [
        (box(1, 2, 3), 2),
        (sphere(5.0, 12), 2),
        (torus(10.0, 3.0, 12, 8), 0),
        (revolved(np.array([0, 2, 1, 0.0]), np.array([0, 0, 4, 4.0]), 9), 2),
    ],
)
def test_solids_are_closed_face_out_and_of_the_right_genus(mesh, euler):
    assert mesh.is_closed and mesh.volume > 0
    assert len(mesh.vertices) - len(mesh.faces) * 3 // 2 + len(mesh.faces) == euler
    assert len(np.unique(mesh.vertices.round(9), axis=0)) == len(mesh.vertices)


def test_a_revolved_frustum_has_the_volume_of_its_prismoid():
    sides, h, low, high = 16, 5.0, 4.0, 2.0
    mesh = revolved(np.array([0, low, high, 0]), np.array([0, 0, h, h]), sides)
    ring = sides / 2 * np.sin(2 * np.pi / sides)
    assert mesh.volume == pytest.approx(ring * h / 3 * (low**2 + low * high + high**2), rel=1e-14)


# --- gathering and labelling ----------------------------------------------------------


def test_gathering_is_plain_indexing():
    rng = np.random.default_rng(2)
    values, index = rng.normal(size=(50, 3)), rng.integers(0, 50, 200_000).astype(np.int32)
    np.testing.assert_array_equal(gathered(values, index), values[index])
    faces = index[:150].reshape(-1, 3)
    np.testing.assert_array_equal(gathered(values[:, 0].copy(), faces), values[:, 0][faces])
    assert gathered(values, index[:0]).shape == (0, 3)


def test_places_are_those_that_bear_a_label():
    rng = np.random.default_rng(3)
    for count in (1, 3, 9, 300, 70_000):
        label = rng.integers(-1, count, 5000).astype(np.int32)
        found = places(label, count)
        assert len(found) == count
        for k in {0, count // 2, count - 1}:
            np.testing.assert_array_equal(found[k], np.flatnonzero(label == k))


def test_shells_are_numbered_by_their_first_vertex_whatever_the_order_of_faces():
    pair = joined([torus(10.0, 3.0, 12, 8), sphere(5.0, 12), tetrahedron()])
    expected = np.repeat([0, 1, 2], [96, len(sphere(5.0, 12).vertices), 4])
    rng = np.random.default_rng(7)
    for _ in range(5):
        faces = rng.permuted(pair.faces[rng.permutation(len(pair.faces))], axis=1)
        np.testing.assert_array_equal(vertex_shells(faces, len(pair.vertices)), expected)


def test_relabelling_closes_gaps():
    assert relabelled(np.array([4, 0, 4, 2], dtype=np.int32)).tolist() == [2, 0, 2, 1]


def test_a_divided_mesh_is_its_subsets():
    parts = [sphere(5.0, 12), torus(10.0, 3.0, 12, 8), tetrahedron(), tetrahedron()]
    whole = joined(parts)
    tagged = Mesh(whole.vertices, whole.faces, np.arange(len(whole.faces), dtype=np.int32))
    # The two tetrahedra go together, and faces of all are mixed.
    mix = np.random.default_rng(4).permutation(len(whole.faces))
    mixed = Mesh(tagged.vertices, tagged.faces[mix], tagged.tag[mix])
    label = np.array([1, 0, 2, 2], dtype=np.int32)[mixed.shell_of_face]
    divided = mixed.divided(label, 3)
    for k, piece in enumerate(divided):
        expected = mixed.subset(label == k)
        np.testing.assert_array_equal(piece.vertices, expected.vertices)
        np.testing.assert_array_equal(piece.faces, expected.faces)
        np.testing.assert_array_equal(piece.tag, expected.tag)


def test_a_divided_mesh_leaves_loose_vertices_out():
    lone = Mesh.of(np.vstack([TETRAHEDRON, [[9, 9, 9]]]), TETRAHEDRON_FACES)
    (piece,) = lone.divided(np.zeros(4, dtype=np.int32), 1)
    assert len(piece.vertices) == 4 and piece.is_closed
