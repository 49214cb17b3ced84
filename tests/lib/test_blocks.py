"""Blocks of faces: what they hold, what a plane finds in them, and that parting keeps them."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.blocks import FACES_A_BLOCK, FaceBlocks
from seamwright.mesh import Mesh, joined
from seamwright.parting import part_regions
from seamwright.pieces import take_apart
from seamwright.seam import Seam
from seamwright.section import section
from seamwright.shapes import box, moved, sphere, torus

PLANES = [((0, 0, 0), (0, 0, 1)), ((1, 2, 3), (0.3, -0.2, 1)), ((19, 1, 0), (1, 0.1, 0))]


def figure() -> Mesh:
    return joined([torus(20, 7, 40, 24), moved(sphere(9, 20), (1, 2, 3))])


def require_good(mesh: Mesh, blocks: FaceBlocks) -> None:
    """Every face is in one block, whose box holds it; all blocks but the last are full."""
    count = len(mesh.faces)
    assert sorted(blocks.order.tolist()) == list(range(count))
    assert len(blocks.centre) == len(blocks.half) == -(-count // FACES_A_BLOCK)
    block = np.arange(count) // FACES_A_BLOCK
    corners = mesh.vertices[mesh.faces[blocks.order]]
    away = np.abs(corners - blocks.centre[block][:, None])
    assert (away <= blocks.half[block][:, None] + 1e-12).all()


def meets(mesh: Mesh, origin: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Faces that a plane meets, by looking at all of them."""
    height = (mesh.vertices - origin) @ normal
    return np.flatnonzero(
        (height[mesh.faces].min(axis=1) <= 0) & (height[mesh.faces].max(axis=1) >= 0)
    )


@pytest.mark.parametrize(("point", "normal"), PLANES)
def test_a_plane_finds_every_face_it_meets_and_not_many_others(point, normal):
    mesh = joined([sphere(30, 120), moved(sphere(30, 120), (100, 0, 0))])
    require_good(mesh, mesh.blocks)
    origin, way = np.array(point, dtype=float), np.array(normal) / np.linalg.norm(normal)
    found = mesh.blocks.meeting(origin, way, 1e-6)
    assert set(meets(mesh, origin, way)) <= set(found.tolist())
    assert len(np.unique(found)) == len(found) < len(mesh.faces) / 4


@pytest.mark.parametrize("faces", [0, 1, FACES_A_BLOCK, FACES_A_BLOCK + 1])
def test_any_number_of_faces(faces):
    mesh = sphere(5, 12).subset(np.arange(faces))
    blocks = FaceBlocks.of(sphere(5, 12).vertices, mesh.faces if faces else np.zeros((0, 3), int))
    assert len(blocks.order) == faces
    assert len(blocks.meeting(np.zeros(3), np.array([0, 0, 1.0]), 10)) == faces


def test_a_flat_mesh_and_one_of_a_point_have_blocks():
    flat = Mesh.of([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]] * 40)
    require_good(flat, flat.blocks)
    dot = Mesh.of([[1, 1, 1]] * 3, [[0, 1, 2]] * 40)
    require_good(dot, dot.blocks)


def test_parting_keeps_the_blocks():
    mesh = figure()
    _ = mesh.blocks
    for tag, (point, normal) in enumerate(PLANES, start=1):
        found = section(mesh, Seam(tag, "s", point, normal).frame)
        mesh = part_regions(mesh, found, list(found.regions), tag)
        assert mesh.has_blocks
        require_good(mesh, mesh.blocks)


def test_faces_that_are_not_cut_stay_where_they_are():
    mesh = figure()
    found = section(mesh, Seam(1, "s", *PLANES[1]).frame)
    parted = part_regions(mesh, found, list(found.regions), 1)
    assert not parted.has_blocks
    stay = np.setdiff1d(np.arange(len(mesh.faces)), found.crossing.cut)
    np.testing.assert_array_equal(
        parted.vertices[parted.faces[stay]], mesh.vertices[mesh.faces[stay]]
    )


def test_pieces_are_the_same_to_the_last_bit_with_blocks_and_without():
    seams = tuple(Seam(k, f"s{k}", *PLANES[k]) for k in (1, 2))
    plain, blocked = figure(), figure()
    _ = blocked.blocks
    for a, b in zip(take_apart(plain, seams), take_apart(blocked, seams), strict=True):
        np.testing.assert_array_equal(a.mesh.vertices, b.mesh.vertices)
        np.testing.assert_array_equal(a.mesh.faces, b.mesh.faces)
        np.testing.assert_array_equal(a.mesh.tag, b.mesh.tag)


def test_blocks_may_be_given():
    mesh = box(1, 2, 3)
    given = FaceBlocks.of(mesh.vertices, mesh.faces)
    assert mesh.with_blocks(given).blocks is given and not mesh.has_blocks
