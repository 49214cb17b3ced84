"""Interfaces: where two pieces meet at a seam, found after all seams are parted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from seamwright.choice import JointAt, JointChoice
from seamwright.errors import BadInput, SeamwrightError
from seamwright.frame import Frame
from seamwright.mating import areas, matched
from seamwright.mesh import FloatArray, Mesh
from seamwright.outline import IdArray, Region
from seamwright.pad import Pad
from seamwright.patch import SAME_AREA, Patch, edge_connected, meeting, patches
from seamwright.pieces import Piece
from seamwright.seam import Seam, place
from seamwright.span import Span, Spans

IN_PLANE = 1e-9
"""A face whose corners are this near a pad's plane, as a share of the seam's extent, lies in it."""


@dataclass(frozen=True, eq=False)
class Seat:
    """The flat place of an interface, where pegs can stand.

    a, b : the seam faces that meet here. Where another seam stops at this one, a face
        on one side meets several on the other.
    region : where they meet, in the interface's frame.
    """

    a: Patch
    b: Patch
    region: Region


@dataclass(frozen=True, eq=False)
class Interface:
    """One connected area where side A of one piece meets side B of another.

    Attributes
    ----------
    seam : that made it.
    piece_a, piece_b : ids of the pieces above and below.
    frame : its normal points from side B into side A: the way the pieces slide apart.
    area : where they meet, mm².
    centre : (3,) of it, mm.
    seat : None at a line seam that has no flat place here.
    why : there is no seat, in words.
    """

    seam: Seam
    piece_a: int
    piece_b: int
    frame: Frame
    area: float
    centre: FloatArray
    seat: Seat | None
    why: str = ""

    @property
    def name(self) -> str:
        return f"seam '{self.seam.name}' between pieces {self.piece_b} and {self.piece_a}"

    @property
    def region(self) -> Region:
        return self._seat.region

    @property
    def a(self) -> Patch:
        return self._seat.a

    @property
    def b(self) -> Patch:
        return self._seat.b

    @property
    def _seat(self) -> Seat:
        if self.seat is None:
            raise SeamwrightError(f"The {self.name} has no flat place.")
        return self.seat


def interfaces(
    pieces: tuple[Piece, ...], seams: tuple[Seam, ...], spans: Spans | None = None
) -> tuple[Interface, ...]:
    """Every interface, by seam, then by pieces, then largest first.

    spans : of the line seams; needed if there are any.

    Raises
    ------
    SeamwrightError
        If the two sides of a seam do not cover the same area.
    """
    found: list[Interface] = []
    for seam in seams:
        if seam.line:
            if spans is None:
                raise SeamwrightError(f"Seam '{seam.name}' follows a line: give its span.")
            found.extend(_along_line(seam, spans[seam.name], pieces))
        else:
            found.extend(_along(seam, pieces))
    return tuple(found)


def _along(seam: Seam, pieces: tuple[Piece, ...]) -> list[Interface]:
    """The interfaces of one flat seam."""
    frame = seam.frame
    faces = [(p.id, patch) for p in pieces for patch in patches(p.mesh, seam.id, frame)]
    above = [(piece, patch) for piece, patch in faces if not patch.on_b]
    below = [(piece, patch) for piece, patch in faces if patch.on_b]
    found = [
        Interface(
            seam, piece_a, piece_b, frame, region.area, frame.to_world(region.centroid),
            Seat(a, b, region),
        )
        for piece_a, a in above
        for piece_b, b in below
        if piece_a != piece_b
        for region in meeting(a.region, b.region)
    ]  # fmt: skip
    for side in (above, below):
        _require_matched(seam, found, sum(patch.region.area for _, patch in side))
    return sorted(found, key=lambda i: (i.piece_b, i.piece_a, -i.area))


def _require_matched(seam: Seam, found: list[Interface], covered: float) -> None:
    """Raise if what meets is not all that one side covers, mm²."""
    total = sum(i.area for i in found)
    if abs(total - covered) > 1e3 * SAME_AREA * covered:
        raise SeamwrightError(
            f"The two sides of seam '{seam.name}' do not match ({total:.3f} mm² of "
            f"{covered:.3f} mm²); this is a fault of Seamwright: please report the job."
        )


def choices(faces: tuple[Interface, ...], at: Sequence[JointAt]) -> tuple[JointChoice, ...]:
    """What was decided for the joint of each interface: its own, else its seam's.

    Raises
    ------
    BadInput
        If a choice is for an interface that is not there, or for one of several, or does not
        go with its seam's.
    """
    found = [face.seam.joint for face in faces]
    given: set[int] = set()
    for one in at:
        k = _meant(faces, one)
        if k in given:
            raise BadInput(f"Two choices are given for the joint at {place(faces[k].centre)}.")
        given.add(k)
        try:
            found[k] = one.choice.over(found[k])
        except BadInput as error:
            where = f"Seam '{one.seam}', its joint at {place(faces[k].centre)}"
            raise BadInput(f"{where}: {error}") from error
    return tuple(found)


def _meant(faces: tuple[Interface, ...], one: JointAt) -> int:
    """The place of the interface that a choice is for."""
    mine = [k for k, face in enumerate(faces) if face.seam.name == one.seam]
    if not mine:
        raise BadInput(
            f"Seam '{one.seam}' has no interface any more, but a joint is set for it; take that "
            "joint out."
        )
    if one.near is None:
        if len(mine) > 1:
            middles = ", ".join(place(faces[m].centre) for m in mine)
            raise BadInput(
                f"Seam '{one.seam}' has {len(mine)} joints; say which is meant by near = one of "
                f"{middles}."
            )
        return mine[0]
    apart = [float(np.linalg.norm(faces[m].centre - one.near)) for m in mine]
    k = mine[int(np.argmin(apart))]
    if min(apart) > np.sqrt(faces[k].area):
        raise BadInput(
            f"Seam '{one.seam}' has no interface near {place(one.near)} any more, where a joint "
            f"is set; the nearest has its middle at {place(faces[k].centre)}."
        )
    return k


# --- line seams ------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Faces:
    """All the faces of one line seam, of all pieces.

    piece, row : (N,) whose each is, and which face of its mesh.
    corners : (N, 3, 3) mm.
    """

    piece: IdArray
    row: IdArray
    corners: FloatArray

    @staticmethod
    def of(seam: Seam, pieces: tuple[Piece, ...]) -> _Faces:
        rows = [np.flatnonzero(p.mesh.tag == seam.id) for p in pieces]
        return _Faces(
            np.repeat([p.id for p in pieces], [len(r) for r in rows]),
            np.concatenate(rows),
            np.concatenate(
                [p.mesh.vertices[p.mesh.faces[r]] for p, r in zip(pieces, rows, strict=True)]
            ),
        )


def _along_line(seam: Seam, span: Span, pieces: tuple[Piece, ...]) -> list[Interface]:
    """The interfaces of one line seam, by what of its faces lies on each other."""
    faces = _Faces.of(seam, pieces)
    on_b, met = matched(faces.corners, span.line.plane.normal)
    a, b = met.a, met.b
    mesh_of = {p.id: p.mesh for p in pieces}
    flat = {p.id: _flat_patches(span.pad, seam, p.mesh) for p in pieces} if span.pad else {}
    pairs = np.unique(np.stack([faces.piece[b], faces.piece[a]], axis=1), axis=0)
    found = []
    for piece_b, piece_a in pairs[pairs[:, 0] != pairs[:, 1]].tolist():
        some = np.flatnonzero((faces.piece[a] == piece_a) & (faces.piece[b] == piece_b))
        label = edge_connected(mesh_of[piece_b].faces[faces.row[b[some]]].astype(np.int64))
        for k in range(int(label.max()) + 1):
            mine = some[label == k]
            area = met.area[mine]
            middle = faces.corners[b[mine]].mean(axis=1)
            seat, why = None, span.reason
            if span.pad is not None:
                here = faces.row[b[mine]]
                seat = _seat(flat[piece_a], flat[piece_b], here)
                why = "" if seat else "without a pad, as other seams cut it off here"
            centre = (middle * area[:, None]).sum(axis=0) / area.sum()
            total = float(area.sum())
            found.append(Interface(seam, piece_a, piece_b, span.frame, total, centre, seat, why))
    half = areas(faces.corners)
    for side in (~on_b, on_b):
        _require_matched(seam, found, float(half[side].sum()))
    return sorted(found, key=lambda i: (i.piece_b, i.piece_a, -i.area))


def _flat_patches(pad: Pad, seam: Seam, mesh: Mesh) -> list[Patch]:
    """What a piece has of a line seam's pad."""
    rows = np.flatnonzero(mesh.tag == seam.id).astype(np.int32)
    lift = np.abs(pad.frame.heights(mesh.vertices[mesh.faces[rows]].reshape(-1, 3)))
    level = lift.reshape(-1, 3).max(axis=1) <= IN_PLANE * mesh.diagonal
    return patches(mesh, seam.id, pad.frame, rows[level])


def _seat(above: list[Patch], below: list[Patch], rows: IdArray) -> Seat | None:
    """The largest part of a pad that two pieces share.

    rows : faces of the piece below that the interface has; the seat is on one of them.
    """
    seats = [
        Seat(a, b, region)
        for a in above
        for b in below
        if not a.on_b and b.on_b and np.isin(b.faces, rows).any()
        for region in meeting(a.region, b.region)
    ]
    return max(seats, key=lambda s: s.region.area, default=None)
