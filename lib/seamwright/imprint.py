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
from seamwright.joint import Joint, Ring
from seamwright.mesh import FloatArray, IntArray, Mesh
from seamwright.patch import Patch, boundary
from seamwright.pieces import Piece


def jointed(pieces: tuple[Piece, ...], joints: tuple[Joint, ...]) -> tuple[Piece, ...]:
    """The pieces with every joint's pegs and sockets; the given pieces are not changed."""
    return tuple(Piece(p.id, imprinted(p, joints)) for p in pieces)


def imprinted(piece: Piece, joints: tuple[Joint, ...]) -> Mesh:
    """One piece's mesh with its halves of the joints that touch it.

    Raises
    ------
    SeamwrightError
        If a seam face is not one region.
    """
    mesh = piece.mesh
    gone = np.zeros(len(mesh.faces), dtype=bool)
    vertices: list[FloatArray] = [mesh.vertices]
    faces: list[IntArray] = []
    tags: list[IntArray] = []
    count = len(mesh.vertices)
    for patch, mine in _by_patch(piece.id, joints):
        gone[patch.faces] = True
        new_points, new_faces = _face_with_pegs(piece, patch, mine, count)
        vertices.append(new_points)
        faces.append(new_faces)
        tags.append(np.full(len(new_faces), mine[0].interface.seam.id, dtype=np.int32))
        count += len(new_points)
    if not faces:
        return mesh
    return Mesh(
        np.concatenate(vertices),
        np.concatenate([mesh.faces[~gone], *faces]),
        np.concatenate([mesh.tag[~gone], *tags]),
    ).compacted()


def _by_patch(piece: int, joints: tuple[Joint, ...]) -> list[tuple[Patch, list[Joint]]]:
    """Each seam face of a piece that carries pegs or sockets, with all its joints."""
    found: dict[int, tuple[Patch, list[Joint]]] = {}
    for joint in joints:
        face = joint.interface
        if not joint.pegs:
            continue
        for owner, patch in ((face.piece_a, face.a), (face.piece_b, face.b)):
            if owner == piece:
                found.setdefault(id(patch), (patch, []))[1].append(joint)
    return list(found.values())


def _face_with_pegs(
    piece: Piece, patch: Patch, joints: list[Joint], first: int
) -> tuple[FloatArray, IntArray]:
    """New points (N, 3), numbered from `first`, and faces (T, 3) in place of a patch."""
    regions, rim = boundary(piece.mesh, patch.faces, joints[0].frame)
    if len(regions) != 1:
        raise SeamwrightError(
            f"The seam face of joint {joints[0].letter} on piece {piece.id} is in "
            f"{len(regions)} regions."
        )
    loops = list(regions[0].loops)
    ids = [rim[s, 0] for s in regions[0].segments]
    points: list[FloatArray] = []
    bodies: list[IntArray] = []
    for joint in joints:
        is_peg = piece.id == joint.peg_piece
        for peg in joint.pegs:
            stack = joint.peg_rings(peg) if is_peg else joint.socket_rings(peg)
            start = first + sum(len(p) for p in points)
            new_points, root, body = _stack(joint, stack, start)
            points.append(new_points)
            loops.append(stack[0][0][::-1])
            ids.append(root[::-1].astype(np.int64))
            # `_stack` gives the outside of a body that runs against the normal: a peg of
            # side A. Its socket in side B is the same seen from inside; with the sockets
            # in side A all is mirrored.
            same = is_peg == (joint.socket_side == "B")
            bodies.append(body if same else body[:, ::-1])
    triangles = manifold3d.triangulate([np.ascontiguousarray(p) for p in loops])
    flat = np.concatenate(ids).astype(np.int32)[np.asarray(triangles)]
    # Side B's face looks along the normal, side A's against it.
    face = flat if patch.on_b else flat[:, ::-1]
    return np.concatenate(points), np.concatenate([face, *bodies]).astype(np.int32)


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
