"""Joints as values: what holds and locates two pieces at an interface."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from seamwright.footprint import area, offset, shrunk
from seamwright.frame import Frame
from seamwright.interface import Interface
from seamwright.mesh import FloatArray

Ring = tuple[FloatArray, float]
"""A (N, 2) outline in the seam's frame and its depth below the seam face, mm."""


@dataclass(frozen=True, eq=False)
class Peg:
    """One peg and its socket.

    Attributes
    ----------
    shape : "square" or "D".
    outline : (N, 2) convex footprint at the peg's root, in the seam's frame, mm.
    width : across the footprint before its key is cut off, mm.
    depth : from the seam face to the peg's end, mm.
    wall : least solid left between the socket and anything else, mm, as measured.
    """

    shape: Literal["square", "D"]
    outline: FloatArray
    width: float
    depth: float
    wall: float


@dataclass(frozen=True, eq=False)
class Joint:
    """What holds and locates two pieces at one interface.

    Attributes
    ----------
    letter : A, B, C …, marked on both faces.
    interface : where.
    pegs : none for a flat glued joint.
    socket_side : the side that holds the sockets; the pegs stand on the other.
    clearance : gap per side between peg and socket, mm, square to the peg's side.
    seating_gap : gap at a peg's end, mm.
    draft : taper of a peg's sides, degrees.
    lead_in : chamfer at a peg's end, mm.
    reason : one sentence: why this kind, size and number.
    """

    letter: str
    interface: Interface
    pegs: tuple[Peg, ...]
    socket_side: Literal["A", "B"]
    clearance: float
    seating_gap: float
    draft: float
    lead_in: float
    reason: str

    @property
    def kind(self) -> Literal["pegs", "plain"]:
        return "pegs" if self.pegs else "plain"

    @property
    def frame(self) -> Frame:
        return self.interface.frame

    @property
    def into(self) -> FloatArray:
        """(3,) unit direction from the seam face into the piece with the sockets."""
        return self.frame.normal if self.socket_side == "A" else -self.frame.normal

    @property
    def peg_piece(self) -> int:
        """Id of the piece the pegs stand on."""
        return self.interface.piece_b if self.socket_side == "A" else self.interface.piece_a

    @property
    def socket_piece(self) -> int:
        """Id of the piece with the sockets."""
        return self.interface.piece_a if self.socket_side == "A" else self.interface.piece_b

    def peg_rings(self, peg: Peg) -> tuple[Ring, ...]:
        """Root, start of the lead-in, and end of a peg."""
        taper = np.tan(np.radians(self.draft))
        straight = peg.depth - self.lead_in
        neck = offset(peg.outline, -taper * straight)
        rings = ((peg.outline, 0.0), (neck, straight))
        if not self.lead_in > 0:
            return rings
        return (*rings, (shrunk(neck, self.lead_in), peg.depth))

    def socket_rings(self, peg: Peg) -> tuple[Ring, ...]:
        """Mouth and bottom of a socket.

        The sides lean by the draft, so a gap of `clearance` square to them is a little
        more in the plane of the seam.
        """
        lean = np.radians(self.draft)
        mouth = offset(peg.outline, self.clearance / np.cos(lean))
        depth = peg.depth + self.seating_gap
        return (mouth, 0.0), (offset(mouth, -np.tan(lean) * depth), depth)

    def placed_ring(self, ring: Ring) -> FloatArray:
        """(N, 3) a ring's points in space, mm."""
        outline, depth = ring
        return self.frame.to_world(outline) + depth * self.into

    def body(self, rings: tuple[Ring, ...]) -> FloatArray:
        """(T, 3, 3) triangles of the closed body that the rings bound, mm."""
        points = [self.placed_ring(r) for r in rings]
        walls = []
        for upper, lower in pairwise(points):
            u2, l2 = np.roll(upper, -1, axis=0), np.roll(lower, -1, axis=0)
            walls += [np.stack([upper, u2, l2], axis=1), np.stack([upper, l2, lower], axis=1)]
        ends = [
            np.stack([np.broadcast_to(p[0], p[1:-1].shape), p[1:-1], p[2:]], axis=1)
            for p in (points[0], points[-1])
        ]
        return np.concatenate([*walls, *ends])


def rings_volume(rings: tuple[Ring, ...]) -> float:
    """Volume between a stack of rings, mm³, by the prismoidal formula.

    V = h/6 (A₀ + 4 Aₘ + A₁), exact where the sides are flat: the prismoidal formula,
    as in Bronshtein et al., "Handbook of Mathematics" (from memory).
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
