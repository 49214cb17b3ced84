"""Joints as values: what holds and locates two pieces at an interface."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np

from seamwright.body import Body
from seamwright.choice import Side
from seamwright.footprint import Shape, grooved
from seamwright.frame import Frame
from seamwright.interface import Interface
from seamwright.marks import Mark
from seamwright.mesh import FloatArray
from seamwright.offsets import area, centroid, edge_normals, ends, mirrored, offset, shrunk

Ring = tuple[FloatArray, float]
"""A (N, 2) outline in the seam's frame and its depth below the seam face, mm."""

Kind = Literal["pegs", "loose pegs", "magnets", "plain"]

POCKET_SIDES = 32
"""Corners of a magnet pocket."""


@dataclass(frozen=True, eq=False)
class Peg:
    """One peg and its socket; of a loose peg one half of it, with a socket on both sides.

    Attributes
    ----------
    shape : of the footprint.
    outline : (N, 2) footprint at the root, in the seam's frame, mm.
    width : across the footprint before its key is cut off, mm.
    depth : from the seam face to the peg's end, square to the face, mm.
    wall : least solid left between the socket and anything else, mm, as measured.
    groove : what is clipped off one corner of the peg, mm: a way out for air and glue.
    """

    shape: Shape
    outline: FloatArray
    width: float
    depth: float
    wall: float
    groove: float = 0.0

    @cached_property
    def solid(self) -> FloatArray:
        """(N, 2) what of the footprint the peg itself fills."""
        return grooved(self.outline, self.groove) if self.groove > 0 else self.outline


@dataclass(frozen=True, eq=False)
class Magnet:
    """A pair of pockets for two bought disc magnets that face each other.

    Attributes
    ----------
    centre : (2,) in the seam's frame, mm.
    diameter, thickness : of each disc, mm.
    north : the side whose disc shows its north pole; the other shows its south pole.
    wall : least solid left round either pocket, mm, as measured.
    """

    centre: FloatArray
    diameter: float
    thickness: float
    north: Side
    wall: float


@dataclass(frozen=True, eq=False)
class Joint:
    """What holds and locates two pieces at one interface.

    Attributes
    ----------
    letter : A, B, C …, marked on both faces.
    interface : where.
    pegs : none for a flat glued joint.
    socket_side : the side that holds the sockets; the pegs stand on the other. Of loose pegs
        the side that is slid over them last.
    clearance : gap per side between peg and socket, mm, square to the peg's side.
    seating_gap : gap at a peg's end, mm.
    draft : taper of a peg's sides, degrees; 0 for loose pegs, which lie on a side to print.
    lead_in : chamfer at a peg's end, mm.
    reason : one sentence: why this kind, size and number.
    loose : whether the pegs are pieces of their own, with a socket on both sides.
    magnets : pockets for bought discs.
    relief : chamfer round each socket's mouth, mm, for what the first layers spread.
    slope : (2,) how far the insertion direction leads sideways, in the seam's frame, per mm
        along its normal.
    marks : engraved on side A and on side B; None where there is no room.
    """

    letter: str
    interface: Interface
    pegs: tuple[Peg, ...]
    socket_side: Side
    clearance: float
    seating_gap: float
    draft: float
    lead_in: float
    reason: str
    loose: bool = False
    magnets: tuple[Magnet, ...] = ()
    relief: float = 0.0
    slope: FloatArray = field(default_factory=lambda: np.zeros(2))
    marks: tuple[Mark, Mark] | None = None

    @property
    def kind(self) -> Kind:
        if self.pegs:
            return "loose pegs" if self.loose else "pegs"
        return "magnets" if self.magnets else "plain"

    @property
    def frame(self) -> Frame:
        return self.interface.frame

    def down(self, side: Side) -> FloatArray:
        """(3,) unit, square to the face, into the piece on a side."""
        return self.frame.normal if side == "A" else -self.frame.normal

    def way(self, side: Side) -> FloatArray:
        """(3,) along the pegs into the piece on a side, 1 mm deep square to the face."""
        lean = self.frame.axes[:2].T @ self.slope
        return np.asarray(self.down(side) + (lean if side == "A" else -lean))

    @property
    def into(self) -> FloatArray:
        """(3,) unit direction along the pegs into the piece with the sockets."""
        way = self.way(self.socket_side)
        return np.asarray(way / np.linalg.norm(way))

    @property
    def peg_side(self) -> Side:
        return "B" if self.socket_side == "A" else "A"

    @property
    def peg_piece(self) -> int:
        """Id of the piece the pegs stand on."""
        return self.piece(self.peg_side)

    @property
    def socket_piece(self) -> int:
        """Id of the piece with the sockets."""
        return self.piece(self.socket_side)

    def piece(self, side: Side) -> int:
        return self.interface.piece_a if side == "A" else self.interface.piece_b

    def side_of(self, piece: int) -> Side | None:
        """The side that a piece is on; None if the joint is not its."""
        if piece == self.interface.piece_a:
            return "A"
        return "B" if piece == self.interface.piece_b else None

    # --- rings -------------------------------------------------------------------------

    @property
    def taper(self) -> float:
        """How much a peg's sides come in per mm of depth."""
        return float(np.tan(np.radians(self.draft)))

    def peg_rings(self, peg: Peg) -> tuple[Ring, ...]:
        """Root, start of the lead-in, and end of a peg."""
        straight = peg.depth - self.lead_in
        neck = offset(peg.solid, -self.taper * straight)
        rings = ((peg.solid, 0.0), (neck, straight))
        if not self.lead_in > 0:
            return rings
        return (*rings, (shrunk(neck, self.lead_in), peg.depth))

    def socket_rings(self, peg: Peg) -> tuple[Ring, ...]:
        """Mouth, the end of its relief, and bottom of a socket."""
        gap = self._gap(peg.outline)
        depth = peg.depth + self.seating_gap
        bottom = (offset(peg.outline, gap - self.taper * depth), depth)
        mouth = offset(peg.outline, gap)
        if not self.relief > 0:
            return (mouth, 0.0), bottom
        below = (offset(peg.outline, gap - self.taper * self.relief), self.relief)
        return (offset(mouth, self.relief), 0.0), below, bottom

    @cached_property
    def seen(self) -> tuple[list[FloatArray], list[FloatArray]]:
        """(N, 2) outlines of the pegs and of the sockets they go into, seen the way they go."""
        pegs, sockets = [p.solid for p in self.pegs], [self.entry(p) for p in self.pegs]
        if self.socket_side == "A":
            return pegs, sockets
        return [mirrored(p) for p in pegs], [mirrored(s) for s in sockets]

    @cached_property
    def measured(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Areas of the pegs, of the sockets, the sockets' radii about their centroids, and all
        distances between pegs, sorted; mm² and mm. They are the same seen from either side."""
        pegs, sockets = self.seen
        middle = np.array([centroid(s) for s in sockets])
        radii = [np.linalg.norm(s - m, axis=1).max() for s, m in zip(sockets, middle, strict=True)]
        apart = np.linalg.norm(middle[:, None] - middle, axis=2)[np.triu_indices(len(middle), 1)]
        areas = np.array([area(p) for p in pegs]), np.array([area(s) for s in sockets])
        return *areas, np.array(radii), np.sort(apart)

    def entry(self, peg: Peg) -> FloatArray:
        """(N, 2) a socket's opening at the seam face, without its relief."""
        return offset(peg.outline, self._gap(peg.outline))

    def _gap(self, outline: FloatArray) -> FloatArray:
        """(N,) the clearance of each side as measured in the seam's plane, mm.

        A side that leans by m per mm of depth keeps a gap of c square to it if the gap in
        the plane is c √(1 + m²).
        """
        lean = edge_normals(outline) @ self.slope
        lean = lean if self.socket_side == "A" else -lean
        return np.asarray(self.clearance * np.sqrt(1.0 + (lean - self.taper) ** 2))

    def pocket_rings(self, magnet: Magnet) -> tuple[Ring, ...]:
        """Mouth and bottom of one of a magnet's two pockets, its disc flush with the face.

        The polygon's sides touch the circle that the disc and its clearance need.
        """
        outline = magnet.centre + pocket_outline(magnet.diameter, self.clearance)
        return (outline, 0.0), (outline, magnet.thickness + MAGNET_GLUE)

    # --- bodies ------------------------------------------------------------------------

    def placed_ring(self, ring: Ring, side: Side | None = None) -> FloatArray:
        """(N, 3) a ring's points in space, mm: on the sockets' side if none is given."""
        outline, depth = ring
        return self.frame.to_world(outline) + depth * self.way(side or self.socket_side)

    def body(self, rings: tuple[Ring, ...], side: Side | None = None, stands: bool = False) -> Body:
        """The body that rings bound, on the sockets' side if none is given."""
        return Body.of(
            [self.placed_ring(r, side) for r in rings],
            ends(rings[0][0]), ends(rings[-1][0]), stands=stands,
        )  # fmt: skip

    def bodies(self, side: Side, marks: bool = True) -> list[Body]:
        """All that this joint adds to, or sinks into, the seam face of a side."""
        found = []
        for peg in self.pegs:
            if self.loose or side == self.socket_side:
                found.append(self.body(self.socket_rings(peg), side))
            else:
                # Outside the material: on the other side of the face.
                found.append(self.body(self.peg_rings(peg), self.socket_side, stands=True))
        found += [self.body(self.pocket_rings(m), side) for m in self.magnets]
        if marks and self.marks:
            mark = self.marks[0 if side == "A" else 1]
            straight = self.down(side)
            for outline in mark.outlines:
                top = self.frame.to_world(outline)
                cap = ends(outline)
                found.append(Body.of([top, top + mark.depth * straight], cap, cap))
        return found

    def volumes(self, side: Side) -> tuple[float, float]:
        """What the joint adds to a side's piece and what it takes from it, mm³, in closed form."""
        added = taken = 0.0
        for peg in self.pegs:
            if self.loose or side == self.socket_side:
                taken += rings_volume(self.socket_rings(peg))
            else:
                added += rings_volume(self.peg_rings(peg))
        taken += sum(rings_volume(self.pocket_rings(m)) for m in self.magnets)
        if self.marks:
            mark = self.marks[0 if side == "A" else 1]
            taken += mark.depth * sum(area(outline) for outline in mark.outlines)
        return added, taken

    def mouths(self) -> list[FloatArray]:
        """(N, 2) outlines that pegs, sockets and pockets take up on the seam face."""
        return [self.socket_rings(p)[0][0] for p in self.pegs] + [
            self.pocket_rings(m)[0][0] for m in self.magnets
        ]


MAGNET_GLUE = 0.2
"""Depth under a magnet for glue, mm (common practice, no source)."""


def pocket_outline(diameter: float, clearance: float) -> FloatArray:
    """(N, 2) about the origin: a polygon round a disc and its clearance per side."""
    turn = np.linspace(0.0, 2 * np.pi, POCKET_SIDES, endpoint=False)
    out = (diameter / 2 + clearance) / np.cos(np.pi / POCKET_SIDES)
    return np.asarray(out * np.stack([np.cos(turn), np.sin(turn)], axis=1))


def rings_volume(rings: tuple[Ring, ...]) -> float:
    """Volume between a stack of rings, mm³, by the prismoidal formula.

    V = h/6 (A₀ + 4 Aₘ + A₁), exact where the sides are flat: the prismoidal formula,
    as in Bronshtein et al., "Handbook of Mathematics" (from memory). Rings that are shifted
    sideways have the same volume between them: Cavalieri's principle.
    """
    total = 0.0
    for (upper, top), (lower, bottom) in pairwise(rings):
        middle = area((upper + lower) / 2)
        total += (bottom - top) / 6 * (area(upper) + 4 * middle + area(lower))
    return total


def letter(number: int) -> str:
    """Joint number 0, 1, 2 … as A, B, … Z, AA, AB …"""
    out = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        out = chr(ord("A") + rest) + out
    return out
