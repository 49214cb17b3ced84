"""Gaps: every peg in its socket, every pocket and bore, measured on the finished meshes.

The triangles are picked out of the pieces by where they lie, not by how they were made, and
their distances are compared with what was asked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np

from seamwright.checks import Check
from seamwright.choice import SIDES, Side
from seamwright.errors import CheckFailed
from seamwright.joint import MAGNET_GLUE, Joint, Magnet, Peg
from seamwright.known import Key, Known, key_of
from seamwright.loose import LoosePeg
from seamwright.mesh import FloatArray, Mesh
from seamwright.offsets import offset
from seamwright.outline import inside_loop, point_segment_distance
from seamwright.pieces import Piece
from seamwright.rod import Bore, Rod
from seamwright.wall import least_distance

GAP_TOLERANCE = 1e-3
"""mm by which a measured gap may differ from the one asked for: a hundredth of what prints."""


def require_gaps(
    pieces: tuple[Piece, ...],
    joints: tuple[Joint, ...],
    loose: Sequence[LoosePeg] = (),
    bores: Sequence[Bore] = (),
    rods: Sequence[Rod] = (),
    clearance: float = 0.0,
    known: Known | None = None,
) -> Check:
    """Measure every peg in its socket, sides and end, and every pocket and bore.

    Parameters
    ----------
    loose : the loose pegs of the joints. rods : those of the bores.
    clearance : of rods that have none of their own, mm.
    known : what was measured for an earlier result, on the very same meshes.

    Raises
    ------
    CheckFailed
        Naming the joint and what was found.
    """
    known = known or Known()
    meshes = {p.id: p.mesh for p in pieces}
    own = {(peg.joint, peg.number): peg.mesh for peg in loose}
    found: list[float] = []
    for joint in joints:
        pegs = [own.get((joint.letter, n)) for n in range(len(joint.pegs))]
        key = _key(joint, [*(meshes[joint.piece(s)] for s in SIDES), *pegs], known)
        found += known.of(key, partial(_joint_gaps, meshes, joint, pegs))
    by_name = {rod.name: rod for rod in rods}
    for bore in bores:
        rod, mesh = by_name[bore.rod], meshes[bore.piece]
        wide = rod.diameter / 2 + (clearance if rod.clearance is None else rod.clearance)
        key = key_of("bore gap", known.shape(mesh), bore.axis, bore.rings, wide)
        found.append(known.of(key, partial(_bore_gap, mesh, bore, wide)))
    count = sum(len(j.pegs) for j in joints)
    pockets = sum(2 * len(j.magnets) for j in joints)
    said = f"{count} pegs measured in their sockets"
    said += f", {pockets} magnet pockets" if pockets else ""
    said += f", {len(bores)} bores for rods" if bores else ""
    return Check("gaps", f"{said}, off by {max(found, default=0.0):.1g} mm at most")


def _key(joint: Joint, meshes: Sequence[Mesh | None], known: Known) -> Key:
    """The key of the meshes of a joint, and of what is measured there."""
    pegs = [(p.outline, p.width, p.depth, p.groove) for p in joint.pegs]
    magnets = [(m.centre, m.diameter, m.thickness) for m in joint.magnets]
    made = joint.clearance, joint.seating_gap, joint.draft, joint.lead_in, joint.relief
    way = joint.frame, joint.slope, joint.socket_side, joint.loose, joint.interface.seam.id
    return key_of("gaps", [m and known.whole(m) for m in meshes], pegs, magnets, made, way)


def _joint_gaps(
    meshes: Mapping[int, Mesh], joint: Joint, loose: Sequence[Mesh | None]
) -> list[float]:
    """How far the gaps of one joint are off, mm. loose : the mesh of each peg that is a piece."""
    found: list[float] = []
    for peg, own in zip(joint.pegs, loose, strict=True):
        found += _peg_gaps(meshes, joint, peg, own)
    for magnet in joint.magnets:
        found += [_pocket_gap(meshes[joint.piece(s)], joint, magnet, s) for s in SIDES]
    return found


def _held(what: str, is_: float, asked: float) -> float:
    """How far a measured gap is off; raises beyond the tolerance."""
    off = abs(is_ - asked)
    if not off <= GAP_TOLERANCE:
        raise CheckFailed(f"{what} is {is_:.4f} mm where {asked:.4f} mm was asked for.")
    return off


def _peg_gaps(
    meshes: Mapping[int, Mesh], joint: Joint, peg: Peg, loose: Mesh | None
) -> list[float]:
    """How far the gaps at one peg's sides and ends are off, mm."""
    found = []
    for side in SIDES if joint.loose else (joint.socket_side,):
        piece = joint.piece(side)
        holder = loose if joint.loose else meshes[joint.peg_piece]
        name = f"loose peg of joint {joint.letter}" if joint.loose else f"piece {joint.peg_piece}"
        if holder is None:
            raise CheckFailed(f"Joint {joint.letter} lacks its loose peg; make the pieces anew.")
        tag = None if joint.loose else joint.interface.seam.id
        side_p, end_p = _body_faces(holder, joint, peg, side, tag)
        side_s, end_s = _body_faces(meshes[piece], joint, peg, side, joint.interface.seam.id)
        for faces, who in ((end_p, name), (end_s, f"piece {piece}")):
            if not len(faces):
                raise CheckFailed(
                    f"The {who} does not carry its half of joint {joint.letter}; "
                    "make the pieces anew."
                )
        sides, _ = least_distance(side_p, side_s)
        end = float((end_s[0, 0] - end_p[0, 0]) @ joint.down(side))
        gap = f"The gap of joint {joint.letter} at a peg's"
        found.append(_held(f"{gap} side", sides, joint.clearance))
        found.append(_held(f"{gap} end", end, joint.seating_gap))
    return found


def _body_faces(
    mesh: Mesh, joint: Joint, peg: Peg, side: Side, tag: int | None
) -> tuple[FloatArray, FloatArray]:
    """The (N, 3, 3) side and end triangles of one peg or socket on a finished mesh.

    tag : of the faces to look at; None for all.
    """
    mine = slice(None) if tag is None else np.flatnonzero(mesh.tag == tag)
    corners = mesh.vertices[mesh.faces[mine]]
    depth = (corners - joint.frame.origin) @ joint.down(side)
    reach = peg.depth + joint.seating_gap
    lean = joint.slope if side == "A" else -joint.slope
    flat = joint.frame.to_plane(corners.reshape(-1, 3)) - depth.reshape(-1, 1) * lean
    room = 2 * joint.clearance * (1 + np.hypot(*joint.slope)) + 0.01 * peg.width + joint.relief
    inside = inside_loop(flat, offset(peg.outline, room)).reshape(-1, 3).all(axis=1)
    # A loose peg's sides run on into the other piece.
    low = -1.01 * reach if joint.loose else -0.01 * reach
    deep = (depth.max(axis=1) > 0.1 * reach) & (depth.min(axis=1) > low)
    body = inside & deep & (depth.max(axis=1) < 1.01 * reach)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    axial = np.abs(normal @ joint.down(side)) > 0.999 * np.linalg.norm(normal, axis=1)
    # The lead-in and the relief lean away from the other's side, so they are never the nearest.
    return corners[body & ~axial], corners[body & axial]


def _pocket_gap(mesh: Mesh, joint: Joint, magnet: Magnet, side: Side) -> float:
    """How far a magnet pocket's radius and depth are off, mm."""
    corners = mesh.vertices[mesh.faces[mesh.tag == joint.interface.seam.id]]
    depth = (corners - joint.frame.origin) @ joint.down(side)
    flat = joint.frame.to_plane(corners.reshape(-1, 3)).reshape(-1, 3, 2) - magnet.centre
    radius, deep = magnet.diameter / 2 + joint.clearance, magnet.thickness + MAGNET_GLUE
    near = (np.linalg.norm(flat, axis=2) < 1.02 * radius).all(axis=1)
    wall = near & (np.ptp(depth, axis=1) > 0.1 * deep) & (depth.min(axis=1) > -0.01 * deep)
    what = f"The magnet pocket of joint {joint.letter} on piece {joint.piece(side)}"
    if not wall.any():
        raise CheckFailed(f"{what} is missing; make the pieces anew.")
    off = _held(f"{what}, its radius,", _least_about(flat[wall]), radius)
    return max(off, _held(f"{what}, its depth,", float(depth[wall].max()), deep))


def _bore_gap(mesh: Mesh, bore: Bore, radius: float) -> float:
    """How far a bore's radius is off, mm."""
    start, end = bore.axis
    length = float(np.linalg.norm(end - start))
    way = (end - start) / length
    corners = mesh.vertices[mesh.faces]
    along = (corners - start) @ way
    out = corners - start - along[..., None] * way
    reach = 1.01 * float(np.linalg.norm(bore.rings[0] - start, axis=1).max())
    near = (np.linalg.norm(out, axis=2) < 1.02 * radius).all(axis=1)
    near &= (along.min(axis=1) > -reach) & (along.max(axis=1) < length + reach)
    wall = near & (np.ptp(along, axis=1) > 0.5 * length)
    what = f"The bore of rod '{bore.rod}' in piece {bore.piece}"
    if not wall.any():
        raise CheckFailed(f"{what} is missing; make the pieces anew.")
    across = np.linalg.svd(np.eye(3) - np.outer(way, way))[0][:, :2]
    return _held(f"{what}, its radius,", _least_about(out[wall] @ across), radius)


def _least_about(flat: FloatArray) -> float:
    """Least distance of upright (N, 3, 2) triangles, seen from above, from the origin, mm."""
    ahead = np.roll(flat, -1, axis=1)
    return float(point_segment_distance(np.zeros(2), flat, ahead).min())
