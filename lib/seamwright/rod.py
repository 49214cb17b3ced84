"""Rods: straight channels through several pieces, for rods to be bought.

A channel opens into each seam face it crosses as an ellipse; between two seam faces it is
a prism, and at either end of the rod it is blind. Each piece's share of it is imprinted
like a socket, so it is exact and costs what a socket costs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from seamwright.body import Body
from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.interface import Interface
from seamwright.mesh import FloatArray, Mesh
from seamwright.offsets import ends
from seamwright.patch import Patch
from seamwright.pieces import Piece
from seamwright.printer import PrinterProfile
from seamwright.seam import Point, place
from seamwright.wall import least_distance

SIDES = 32
"""Corners of a channel."""

END_GAP = 1.0
"""Room left at either end of a rod for glue and an uneven cut, mm (common practice, no
source)."""

FLATTEST = 20.0
"""Degrees between a rod and a seam face, at least: flatter, the mouth is long and its edge
too thin to print (common practice, no source)."""


@dataclass(frozen=True)
class Rod:
    """A rod that somebody wants.

    Attributes
    ----------
    name : what to call it.
    start, end : (3,) where its two ends lie, mm.
    diameter : of the rod, mm.
    clearance : gap per side, mm; None for the printer profile's.
    """

    name: str
    start: Point
    end: Point
    diameter: float
    clearance: float | None = None

    @property
    def length(self) -> float:
        """mm, as it is to be cut."""
        return float(np.linalg.norm(np.subtract(self.end, self.start)))


@dataclass(frozen=True, eq=False)
class Mouth:
    """Where something opens into a seam face.

    tag : of the seam.
    """

    patch: Patch
    frame: Frame
    tag: int


@dataclass(frozen=True, eq=False)
class Bore:
    """One piece's share of a rod's channel.

    Attributes
    ----------
    rod : its name.
    piece : id.
    body : what is taken off the piece.
    mouths : the seam faces that it opens into, one or two.
    axis : (2, 3) its middle line from mouth to end, mm.
    volume : mm³, in closed form.
    wall : least solid left round it, mm, as measured.
    joints : places, in the list of interfaces, of those it crosses.
    """

    rod: str
    piece: int
    body: Body
    mouths: tuple[Mouth, ...]
    axis: FloatArray
    volume: float
    wall: float
    joints: tuple[int, ...]

    @property
    def rings(self) -> tuple[FloatArray, FloatArray]:
        """(SIDES, 3) where its edges start and end, mm."""
        return self.body.points[: self.body.size], self.body.last_ring


def bores(
    rods: Sequence[Rod],
    pieces: tuple[Piece, ...],
    faces: tuple[Interface, ...],
    profile: PrinterProfile,
) -> tuple[Bore, ...]:
    """Every piece's share of every rod's channel, in order along each rod.

    Raises
    ------
    BadInput
        If a rod leaves the figure, comes too near its skin or another rod, lies too flat in a
        seam, ends outside, or crosses no seam.
    """
    mesh_of = {p.id: p.mesh for p in pieces}
    made: list[Bore] = []
    for rod in rods:
        made += _bored(rod, mesh_of, faces, profile, made)
    return tuple(made)


@dataclass(frozen=True, eq=False)
class _Crossing:
    """Where a rod's middle line goes through an interface.

    at : mm from the channel's start. above : the piece it comes from is on side A.
    """

    at: float
    face: int
    above: bool


def _bored(
    rod: Rod,
    mesh_of: Mapping[int, Mesh],
    faces: tuple[Interface, ...],
    profile: PrinterProfile,
    others: list[Bore],
) -> list[Bore]:
    """The bores of one rod."""
    radius = rod.diameter / 2 + (profile.clearance if rod.clearance is None else rod.clearance)
    start, way = np.asarray(rod.start), np.subtract(rod.end, rod.start)
    if not rod.length > 0:
        raise BadInput(f"Rod '{rod.name}' has no length; give it two ends that are apart.")
    way = way / rod.length
    start = start - END_GAP * way
    length = rod.length + 2 * END_GAP
    crossings = sorted(_crossings(rod, start, way, length, faces, radius), key=lambda c: c.at)
    if not crossings:
        raise BadInput(
            f"Rod '{rod.name}' crosses no seam between {place(rod.start)} and {place(rod.end)}; "
            "let it run from one piece into the next."
        )
    corners = _corners(start, way, radius)
    found = []
    stops: list[_Crossing | None] = [None, *crossings, None]
    for before, after in pairwise(stops):
        bore = _bore(rod, before, after, faces, corners, start, way, length)
        found.append(replace(bore, wall=_wall(rod, bore, mesh_of[bore.piece], others, profile)))
    return found


def _crossings(
    rod: Rod,
    start: FloatArray,
    way: FloatArray,
    length: float,
    faces: tuple[Interface, ...],
    radius: float,
) -> list[_Crossing]:
    """Every interface that the middle line goes through."""
    found = []
    for k, face in enumerate(faces):
        slope = float(way @ face.frame.normal)
        if face.seat is None or abs(slope) < 1e-12:
            continue
        at = float((face.frame.origin - start) @ face.frame.normal) / slope
        here = face.frame.to_plane((start + at * way)[None])
        if not 0 < at < length or not face.region.contains(here)[0]:
            continue
        lean = float(np.degrees(np.arcsin(abs(slope))))
        if lean < FLATTEST:
            raise BadInput(
                f"Rod '{rod.name}' lies {lean:.0f}° flat in seam '{face.seam.name}'; let it "
                f"cross the seam at {FLATTEST:.0f}° or more."
            )
        found.append(_Crossing(at, k, slope < 0))
    return found


def _corners(start: FloatArray, way: FloatArray, radius: float) -> FloatArray:
    """(SIDES, 3) where the channel's edges start: a polygon round the rod and its clearance."""
    axes = Frame.on_plane(start, way).axes
    turn = np.linspace(0, 2 * np.pi, SIDES, endpoint=False)
    out = radius / np.cos(np.pi / SIDES)
    return np.asarray(start + out * np.stack([np.cos(turn), np.sin(turn)], axis=1) @ axes[:2])


def _bore(
    rod: Rod,
    before: _Crossing | None,
    after: _Crossing | None,
    faces: tuple[Interface, ...],
    corners: FloatArray,
    start: FloatArray,
    way: FloatArray,
    length: float,
) -> Bore:
    """The channel between two crossings, or between one and the rod's end; wall not known."""
    entered = _piece_behind(faces, before) if before else None
    left = _piece_before(faces, after) if after else None
    if before and after and entered != left:
        raise BadInput(
            f"Rod '{rod.name}' leaves piece {entered} between {place(start + before.at * way)} "
            f"and {place(start + after.at * way)} other than through a seam face; move it inwards."
        )
    piece = entered if entered is not None else left
    assert piece is not None
    stops = [before, after] if before else [after, None]
    rings, mouths, axis = [], [], []
    for stop in stops:
        if stop is None:
            at = 0.0 if not before else length
            rings.append(corners + at * way)
            axis.append(start + at * way)
            continue
        face = faces[stop.face]
        run = (face.frame.origin - corners) @ face.frame.normal / float(way @ face.frame.normal)
        rings.append(corners + run[:, None] * way)
        axis.append(start + stop.at * way)
        on_a = piece == face.piece_a
        mouths.append(Mouth(face.a if on_a else face.b, face.frame, face.seam.id))
    cap = ends(Frame.on_plane(start, way).to_plane(corners))
    body = Body.of(rings, cap, cap, through=len(mouths) == 2)
    across = _polygon_area(corners, way)
    volume = across * float(np.linalg.norm(axis[1] - axis[0]))
    crossed = tuple(s.face for s in stops if s)
    return Bore(rod.name, piece, body, tuple(mouths), np.array(axis), volume, float("inf"), crossed)


def _piece_behind(faces: tuple[Interface, ...], crossing: _Crossing) -> int:
    face = faces[crossing.face]
    return face.piece_b if crossing.above else face.piece_a


def _piece_before(faces: tuple[Interface, ...], crossing: _Crossing) -> int:
    face = faces[crossing.face]
    return face.piece_a if crossing.above else face.piece_b


def _polygon_area(corners: FloatArray, way: FloatArray) -> float:
    """mm² square to the rod."""
    after = np.roll(corners, -1, axis=0)
    return abs(float(np.cross(corners - corners[0], after - corners[0]).sum(axis=0) @ way)) / 2


def _wall(rod: Rod, bore: Bore, mesh: Mesh, others: list[Bore], profile: PrinterProfile) -> float:
    """Least solid round a bore, mm, by exact distances to the piece's other faces."""
    own = np.zeros(len(mesh.faces), dtype=bool)
    for mouth in bore.mouths:
        own[mouth.patch.faces] = True
    around = [mesh.vertices[mesh.faces[~own]]]
    around += [o.body.triangles for o in others if o.piece == bore.piece]
    wall, where = least_distance(bore.body.triangles, np.concatenate(around))
    if wall < profile.wall - 1e-6:
        across = 2 * (rod.diameter / 2) - 2 * (profile.wall - wall)
        thinner = f" or take a rod of {across:.1f} mm or less" if across >= 1.0 else ""
        raise BadInput(
            f"Rod '{rod.name}' leaves {wall:.1f} mm of wall in piece {bore.piece} near "
            f"{place(where)}, where {profile.wall:.1f} mm are wanted; move it inwards{thinner}."
        )
    return wall
