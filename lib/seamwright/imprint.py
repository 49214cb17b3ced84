"""Imprinting: pegs and sockets set into seam faces, touching nothing but those faces.

A seam face is triangulated anew with each footprint as a hole, and walls and an end
are added. The rim's vertices stay, so the piece stays closed by construction. That
the body lies inside the material was checked when the joint was made.
"""

from __future__ import annotations

from itertools import pairwise

import manifold3d
import numpy as np

from seamwright.errors import SeamwrightError
from seamwright.interface import boundary
from seamwright.joint import Joint, Ring
from seamwright.mesh import FloatArray, IntArray, Mesh
from seamwright.parting import Piece


def jointed(pieces: tuple[Piece, ...], joints: tuple[Joint, ...]) -> tuple[Piece, ...]:
    """The pieces with every joint's pegs and sockets; the given pieces are not changed."""
    return tuple(Piece(p.id, imprinted(p, joints)) for p in pieces)


def imprinted(piece: Piece, joints: tuple[Joint, ...]) -> Mesh:
    """One piece's mesh with its halves of the joints that touch it.

    Raises
    ------
    SeamwrightError
        If an interface's faces do not form one region.
    """
    mesh = piece.mesh
    gone = np.zeros(len(mesh.faces), dtype=bool)
    vertices: list[FloatArray] = [mesh.vertices]
    faces: list[IntArray] = []
    tags: list[IntArray] = []
    count = len(mesh.vertices)
    for joint in joints:
        if not joint.pegs or piece.id not in (joint.peg_piece, joint.socket_piece):
            continue
        face = joint.interface
        rows = face.faces_a if piece.id == face.piece_a else face.faces_b
        gone[rows] = True
        new_points, new_faces = _face_with_pegs(mesh, rows, joint, piece.id, count)
        vertices.append(new_points)
        faces.append(new_faces)
        tags.append(np.full(len(new_faces), face.seam.id, dtype=np.int32))
        count += len(new_points)
    if not faces:
        return mesh
    return Mesh(
        np.concatenate(vertices),
        np.concatenate([mesh.faces[~gone], *faces]),
        np.concatenate([mesh.tag[~gone], *tags]),
    ).compacted()


def _face_with_pegs(
    mesh: Mesh, rows: IntArray, joint: Joint, piece: int, first: int
) -> tuple[FloatArray, IntArray]:
    """New points (N, 3), numbered from `first`, and faces (T, 3) in place of `rows`."""
    regions, rim = boundary(mesh, rows, joint.interface.seam)
    if len(regions) != 1:
        raise SeamwrightError(
            f"The seam face of joint {joint.letter} on piece {piece} is in {len(regions)} regions."
        )
    is_peg = piece == joint.peg_piece
    on_a = piece == joint.interface.piece_a
    rings = [joint.peg_rings(p) if is_peg else joint.socket_rings(p) for p in joint.pegs]
    points: list[FloatArray] = []
    walls: list[IntArray] = []
    roots: list[IntArray] = []
    for stack in rings:
        start = first + sum(len(p) for p in points)
        new_points, root, new_walls = _stack(joint, stack, start)
        points.append(new_points)
        roots.append(root)
        walls.append(new_walls)

    region = regions[0]
    loops = [*region.loops, *(stack[0][0][::-1] for stack in rings)]
    ids = np.concatenate(
        [*(rim[s, 0] for s in region.segments), *(root[::-1] for root in roots)]
    ).astype(np.int32)
    flat = ids[np.asarray(manifold3d.triangulate([np.ascontiguousarray(p) for p in loops]))]
    # Side B's face looks along the normal, side A's against it. `_stack` gives the
    # outside of a body that runs against the normal: a peg of side A. Its socket in side
    # B is the same seen from inside; with the sockets in side A all is mirrored.
    face = flat[:, ::-1] if on_a else flat
    body = np.concatenate(walls)
    if is_peg != (joint.socket_side == "B"):
        body = body[:, ::-1]
    return np.concatenate(points), np.concatenate([face, body]).astype(np.int32)


def _stack(
    joint: Joint, rings: tuple[Ring, ...], start: int
) -> tuple[FloatArray, IntArray, IntArray]:
    """Points, root ids and outward faces of a body hanging below the seam's plane."""
    sides = len(rings[0][0])
    points = np.concatenate([joint.placed_ring(r) for r in rings])
    ids = start + np.arange(len(points), dtype=np.int32).reshape(len(rings), sides)
    faces = []
    for upper, lower in pairwise(ids):
        u2, l2 = np.roll(upper, -1), np.roll(lower, -1)
        faces += [np.stack([upper, l2, u2], axis=1), np.stack([upper, lower, l2], axis=1)]
    end = ids[-1]
    faces.append(np.stack([np.broadcast_to(end[0], sides - 2), end[2:], end[1:-1]], axis=1))
    return points, ids[0], np.concatenate(faces)
