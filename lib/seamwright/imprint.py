"""Imprinting: pegs, sockets, pockets and bores set into seam faces, touching nothing else.

A seam face is triangulated anew with each mouth as a hole, and walls and an end are
added. The rim's vertices stay, so the piece stays closed by construction. That the body
lies inside the material was checked when the joint was made.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial

import manifold3d
import numpy as np

from seamwright.body import Body
from seamwright.errors import SeamwrightError
from seamwright.joint import Joint
from seamwright.known import Key, Known, key_of
from seamwright.mesh import FloatArray, IntArray, Mesh
from seamwright.outline import IdArray, loop_area
from seamwright.patch import boundary
from seamwright.pieces import Piece
from seamwright.rod import Bore, Mouth


def jointed(
    pieces: tuple[Piece, ...],
    joints: Sequence[Joint],
    bores: Sequence[Bore] = (),
    known: Known | None = None,
) -> tuple[Piece, ...]:
    """The pieces with every joint's halves and every rod's bore; those given are not changed.

    known : what was made for an earlier result: of a piece with the same blank and all the same
        set in, the very mesh.
    """
    known = known or Known()
    made = []
    for piece in pieces:
        own = tuple(_bodies(piece.id, joints, bores))
        key = _key(piece.mesh, own, known)
        mesh = known.of(key, partial(_imprinted, piece, own))
        made.append(known.of(key_of("piece", piece.id, key), partial(Piece, piece.id, mesh)))
    return tuple(made)


def _key(mesh: Mesh, bodies: Sequence[_Sunk], known: Known) -> Key:
    """The key of a blank and all that is set into it."""
    parts: list[object] = [known.whole(mesh)]
    for body, mouths, _ in bodies:
        parts += [body.points, body.size, body.walls, body.end, body.stands, body.through]
        parts += [(m.patch.faces, m.patch.on_b, m.frame, m.tag) for m in mouths]
    return key_of("imprint", *parts)


_Sunk = tuple[Body, tuple[Mouth, ...], str]
"""A body, the seam faces that it opens into, and whose it is."""


@dataclass(eq=False)
class _Face:
    """A seam face of a piece and what goes into it.

    name : of the first thing that does. holes : (N, 3) points and (N,) numbers of each mouth.
    """

    mouth: Mouth
    name: str
    holes: list[tuple[FloatArray, IdArray]] = field(default_factory=list)


def imprinted(piece: Piece, joints: Sequence[Joint], bores: Sequence[Bore] = ()) -> Mesh:
    """One piece's mesh with its halves of the joints that touch it, and the bores through it.

    Raises
    ------
    SeamwrightError
        If a seam face is not one region.
    """
    return _imprinted(piece, tuple(_bodies(piece.id, joints, bores)))


def _imprinted(piece: Piece, bodies: Sequence[_Sunk]) -> Mesh:
    """One piece's mesh with bodies set into its seam faces."""
    mesh = piece.mesh
    faces: dict[int, _Face] = {}
    points: list[FloatArray] = [mesh.vertices]
    made: list[IntArray] = []
    tags: list[IntArray] = []
    count = len(mesh.vertices)
    for body, mouths, name in bodies:
        for k, mouth in enumerate(mouths):
            face = faces.setdefault(id(mouth.patch), _Face(mouth, name))
            # A bore that goes through has its second mouth at its last ring.
            at = (0 if k == 0 else len(body.points) - body.size) + np.arange(body.size)
            face.holes.append((body.points[at], count + at))
        tag = mouths[0].tag
        shell = body.walls if body.through else np.concatenate([body.walls, body.end])
        # What is sunk is seen from within.
        made.append((shell if body.stands else shell[:, ::-1]) + np.int32(count))
        tags.append(np.full(len(shell), tag, dtype=np.int32))
        points.append(body.points)
        count += len(body.points)
    if not made:
        return mesh
    gone = np.zeros(len(mesh.faces), dtype=bool)
    for face in faces.values():
        gone[face.mouth.patch.faces] = True
        flat = _with_holes(piece, face)
        made.append(flat)
        tags.append(np.full(len(flat), face.mouth.tag, dtype=np.int32))
    return Mesh(
        np.concatenate(points),
        np.concatenate([mesh.faces[~gone], *made]).astype(np.int32),
        np.concatenate([mesh.tag[~gone], *tags]),
    ).compacted()


def _bodies(piece: int, joints: Sequence[Joint], bores: Sequence[Bore]) -> Iterator[_Sunk]:
    """Each body that goes into a piece, the seam faces that it opens into, and whose it is."""
    for joint in joints:
        side = joint.side_of(piece)
        if side is None or joint.interface.seat is None:
            continue
        face = joint.interface
        mouth = Mouth(face.a if side == "A" else face.b, joint.frame, face.seam.id)
        for body in joint.bodies(side):
            yield body, (mouth,), f"joint {joint.letter}"
    for bore in bores:
        if bore.piece == piece:
            yield bore.body, bore.mouths, f"rod '{bore.rod}'"


def _with_holes(piece: Piece, face: _Face) -> IntArray:
    """(T, 3) faces in place of a seam face, with what opens into it left out."""
    mouth = face.mouth
    regions, rim = boundary(piece.mesh, mouth.patch.faces, mouth.frame)
    if len(regions) != 1:
        raise SeamwrightError(
            f"The seam face of {face.name} on piece {piece.id} is in {len(regions)} regions."
        )
    loops = list(regions[0].loops)
    ids = [rim[s, 0] for s in regions[0].segments]
    for points, numbers in face.holes:
        loop = mouth.frame.to_plane(points)
        ahead = loop_area(loop) < 0
        loops.append(loop if ahead else loop[::-1])
        ids.append(numbers if ahead else numbers[::-1])
    triangles = manifold3d.triangulate([np.ascontiguousarray(p) for p in loops])
    flat = np.concatenate(ids).astype(np.int32)[np.asarray(triangles)]
    # Side B's face looks along the normal, side A's against it.
    return np.asarray(flat if mouth.patch.on_b else flat[:, ::-1])
