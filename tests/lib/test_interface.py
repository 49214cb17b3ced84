"""Interfaces: the right pairs of pieces, areas in closed form, and seams that stop at others."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.interface import Interface, interfaces
from seamwright.mesh import Mesh, joined
from seamwright.patch import boundary
from seamwright.pieces import Piece, take_apart
from seamwright.seam import Reach, Seam
from seamwright.shapes import box, moved, sphere, torus


def seam(number: int, point, normal, reach: Reach | None = None, **more) -> Seam:
    return Seam(number, f"seam {number}", tuple(point), tuple(normal), reach or Reach(), **more)


def nearest(*points: tuple[float, float, float]) -> Reach:
    return Reach("nearest", points)


def met(figure: Mesh, *seams: Seam) -> tuple[tuple[Piece, ...], tuple[Interface, ...]]:
    pieces = take_apart(figure, seams)
    found = interfaces(pieces, seams)
    mesh_of = {p.id: p.mesh for p in pieces}
    for face in found:
        sides = ((face.piece_a, face.a, -1), (face.piece_b, face.b, 1))
        for piece, patch, way in sides:
            mesh = mesh_of[piece]
            assert (mesh.tag[patch.faces] == face.seam.id).all()
            spanned = way * mesh.face_vectors[patch.faces] @ face.seam.frame.normal / 2
            assert spanned.sum() == pytest.approx(patch.region.area, rel=1e-9)
            assert patch.region.area >= face.region.area * (1 - 1e-6)
            inside = patch.region.distance(face.region.inner_point[None])
            assert inside[0] == 0
        assert face.region.contains(face.region.inner_point[None])[0]
    return pieces, found


def middles(pieces: tuple[Piece, ...]) -> dict[int, np.ndarray]:
    return {p.id: p.mesh.bounds.mean(axis=0) for p in pieces}


def test_one_seam_one_interface():
    cut = seam(3, (0, 0, 12), (0, 0, 1))
    pieces, (face,) = met(box(10, 20, 30), cut)
    assert (face.piece_b, face.piece_a) == (1, 2) and face.seam is cut
    assert face.region.area == pytest.approx(200)
    assert face.name == "seam 'seam 3' between pieces 1 and 2"
    assert pieces[1].mesh.bounds[0, 2] == 12


def test_a_turned_seam_swaps_the_sides():
    _, (face,) = met(box(10, 20, 30), seam(3, (0, 0, 12), (0, 0, -1)))
    assert (face.piece_b, face.piece_a) == (2, 1)
    assert face.region.area == pytest.approx(200)


def test_two_crossing_seams_give_four_interfaces_between_neighbours():
    x, y = seam(1, (4, 0, 0), (1, 0, 0)), seam(2, (0, 5, 0), (0, 1, 0))
    pieces, faces = met(box(10, 20, 30), x, y)
    middle = middles(pieces)
    assert [f.seam.id for f in faces] == [1, 1, 2, 2]
    assert sorted(f.region.area for f in faces[:2]) == pytest.approx([5 * 30, 15 * 30])
    assert sorted(f.region.area for f in faces[2:]) == pytest.approx([4 * 30, 6 * 30])
    for f in faces:
        step = middle[f.piece_a] - middle[f.piece_b]
        assert np.count_nonzero(np.abs(step) > 1e-9) == 1 and step @ f.seam.frame.normal > 0


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_three_crossing_seams_give_twelve(order):
    seams = [
        seam(1, (4, 0, 0), (1, 0, 0)),
        seam(2, (0, 5, 0), (0, -1, 0)),
        seam(3, (0, 0, 9), (0, 0, 1)),
    ]
    pieces, faces = met(box(10, 20, 30), *(seams[k] for k in order))
    middle = middles(pieces)
    assert len(pieces) == 8 and len(faces) == 12
    assert len({(f.piece_a, f.piece_b) for f in faces}) == 12
    for f in faces:
        step = middle[f.piece_a] - middle[f.piece_b]
        assert np.count_nonzero(np.abs(step) > 1e-9) == 1 and step @ f.seam.frame.normal > 0
    by_seam = {s.id: sum(f.region.area for f in faces if f.seam is s) for s in seams}
    assert by_seam == pytest.approx({1: 600, 2: 300, 3: 200})


def test_slanted_crossing_seams_on_a_sphere():
    a, b = seam(1, (0, 0, 3), (0.2, 0.1, 1)), seam(2, (2, 0, 0), (1, 0.3, 0.1))
    pieces, faces = met(sphere(25.0, 40), a, b)
    assert len(pieces) == 4 and len(faces) == 4


def test_a_ring_has_two_interfaces_between_the_same_pieces_largest_first():
    # An egg-shaped ring: one side thicker than the other.
    ring = torus(20, 5, 24, 12)
    thick = Mesh.of(
        ring.vertices * (1 + 0.01 * (ring.vertices[:, :1] > 0) * [0, 0, 30]), ring.faces
    )
    _, faces = met(thick, seam(1, (0, 0, 0), (0, 1, 0)))
    assert len(faces) == 2 and len({(f.piece_a, f.piece_b) for f in faces}) == 1
    assert faces[0].region.area > 1.2 * faces[1].region.area
    assert sum(f.region.area for f in faces) == pytest.approx(2.3 * 75, rel=1e-9)


def test_a_hollow_section_keeps_its_hole():
    figure = joined([box(20, 20, 20), box(12, 12, 12, low=(4, 4, 4)).flipped()])
    _, (face,) = met(figure, seam(1, (0, 0, 10), (0, 0, 1)))
    assert face.region.area == pytest.approx(400 - 144) and len(face.region.holes) == 1


def test_apart_figures_do_not_meet():
    figure = joined([box(4, 4, 8), box(6, 6, 8, low=(10, 0, 0))])
    _, faces = met(figure, seam(1, (0, 0, 3), (0, 0, 1)))
    assert sorted(f.region.area for f in faces) == pytest.approx([16, 36])
    assert len({p for f in faces for p in (f.piece_a, f.piece_b)}) == 4


def test_a_reach_meets_only_where_it_reaches():
    figure = joined([box(4, 4, 8), box(6, 6, 8, low=(10, 0, 0))])
    _, (face,) = met(figure, seam(1, (0, 0, 3), (0, 0, 1), nearest((1, 1, 3))))
    assert face.region.area == pytest.approx(16)


def test_no_interface_without_seam_faces():
    assert interfaces((Piece(1, box(1, 1, 1)),), (seam(1, (0, 0, 0.5), (0, 0, 1)),)) == ()


# --- a seam that stops at another ---------------------------------------------------


def test_a_face_that_meets_two():
    belt = seam(1, (0, 0, 12), (0, 0, 1))
    back = seam(2, (4, 0, 0), (1, 0, 0), nearest((4, 10, 5)), stops_at=("seam 1",))
    pieces, faces = met(box(10, 20, 30), belt, back)
    top = next(p.id for p in pieces if p.mesh.bounds[1, 2] == 30)
    on_belt = [f for f in faces if f.seam is belt]
    assert [f.piece_a for f in on_belt] == [top, top]
    assert sorted(f.region.area for f in on_belt) == pytest.approx([80, 120])
    # The one large face is shared by both interfaces.
    assert on_belt[0].a is on_belt[1].a and on_belt[0].a.region.area == pytest.approx(200)
    (on_back,) = [f for f in faces if f.seam is back]
    assert on_back.region.area == pytest.approx(20 * 12)


def test_faces_that_overlap_in_part():
    # Above the belt the figure is divided at x = 7, below it at x = 4: three meetings.
    belt = seam(1, (0, 0, 12), (0, 0, 1))
    low = seam(2, (4, 0, 0), (1, 0, 0), nearest((4, 10, 5)), stops_at=("seam 1",))
    high = seam(3, (7, 0, 0), (1, 0, 0), nearest((7, 10, 20)), stops_at=("seam 1",))
    pieces, faces = met(box(10, 20, 30), belt, low, high)
    on_belt = [f for f in faces if f.seam is belt]
    assert sorted(f.region.area for f in on_belt) == pytest.approx([60, 60, 80])
    assert len(pieces) == 4 and len(faces) == 5


def test_divisions_that_cross_at_a_belt():
    belt = seam(1, (0, 0, 12), (0, 0, 1))
    low = seam(2, (4, 0, 0), (1, 0, 0), nearest((4, 10, 5)), stops_at=("seam 1",))
    high = seam(3, (0, 9, 0), (0, 1, 0), nearest((5, 9, 20)), stops_at=("seam 1",))
    _, faces = met(box(10, 20, 30), belt, low, high)
    on_belt = [f.region.area for f in faces if f.seam is belt]
    assert sorted(on_belt) == pytest.approx([4 * 9, 4 * 11, 6 * 9, 6 * 11])


# --- needles and far places ---------------------------------------------------------


@pytest.mark.parametrize("away", [(0, 0, 0), (1e6, -1e6, 1e6)])
def test_a_subdivided_box_cut_aslant_has_one_interface(away):
    # Rows of vertices in line on every side make needles in the cap.
    steps = np.arange(7.0)
    parts = []
    for axis in range(3):
        for side in (0.0, 6.0):
            u, v = np.meshgrid(steps, steps, indexing="ij")
            corners = np.zeros((7, 7, 3))
            corners[..., axis] = side
            corners[..., (axis + 1) % 3], corners[..., (axis + 2) % 3] = u, v
            at = np.arange(49).reshape(7, 7)
            a, b, c, d = (x.ravel() for x in (at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]))
            faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
            parts.append((corners.reshape(-1, 3), faces if side else faces[:, ::-1]))
    vertices = np.concatenate([p for p, _ in parts])
    faces = np.concatenate([f + 49 * k for k, (_, f) in enumerate(parts)])
    unique, inverse = np.unique(vertices, axis=0, return_inverse=True)
    figure = moved(Mesh.of(unique, inverse.ravel()[faces]), away)
    assert figure.is_closed and figure.volume == pytest.approx(216)
    centre = np.array([3.0, 3.0, 3.0]) + away
    for normal in ((1, 1, 1), (1, 2, 3), (0, 1, 1), (-2, 1, 1), (1, 0, 3), (1, 1, 0)):
        _, (face,) = met(figure, seam(1, centre, normal))
        assert face.region.area > 36


def test_boundary_is_counter_clockwise_whichever_side_it_is_seen_from():
    cut = seam(1, (0, 0, 12), (0, 0, 1))
    for piece in take_apart(box(10, 20, 30), (cut,)):
        rows = np.flatnonzero(piece.mesh.tag == 1).astype(np.int32)
        regions, rim = boundary(piece.mesh, rows, cut.frame)
        assert [r.area for r in regions] == pytest.approx([200])
        corners = piece.mesh.vertices[rim[regions[0].segments[0], 0]]
        np.testing.assert_allclose(cut.frame.to_plane(corners), regions[0].outline)
