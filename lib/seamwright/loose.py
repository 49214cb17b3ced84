"""Loose pegs: pegs that are pieces of their own, so that their layers run along them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull

from seamwright.body import Body
from seamwright.choice import Side
from seamwright.joint import Joint, Peg, Ring
from seamwright.mesh import FloatArray, Mesh
from seamwright.offsets import ends


@dataclass(frozen=True, eq=False)
class LoosePeg:
    """One loose peg.

    Attributes
    ----------
    joint : letter of the joint it belongs to.
    number : its place among that joint's pegs, from 0.
    label : its joint's letter, and its number where the joint has several: "C" or "C2".
    mesh : where it goes in the figure.
    rotation : (3, 3) that lays it on its flattest side to print.
    width, length : mm.
    """

    joint: str
    number: int
    label: str
    mesh: Mesh
    rotation: FloatArray
    width: float
    length: float

    @property
    def name(self) -> str:
        return f"loose peg {self.label}"

    @property
    def laid(self) -> Mesh:
        """As it prints, on z = 0."""
        points = self.mesh.vertices @ self.rotation.T
        return Mesh(points - points.min(axis=0), self.mesh.faces, self.mesh.tag)


def loose_pegs(joints: tuple[Joint, ...]) -> tuple[LoosePeg, ...]:
    """The loose pegs of all joints, in order."""
    return tuple(
        _made(joint, number, peg)
        for joint in joints
        if joint.loose
        for number, peg in enumerate(joint.pegs)
    )


def _made(joint: Joint, number: int, peg: Peg) -> LoosePeg:
    """One loose peg, from its end in side A to its end in side B."""
    root, *rest = joint.peg_rings(peg)
    sides: tuple[tuple[Side, list[Ring]], ...] = (("A", rest[::-1]), ("B", rest))
    rings = [joint.placed_ring(ring, side) for side, stack in sides for ring in stack]
    body = Body.of(rings, ends(rest[-1][0]), ends(rest[-1][0]), stands=True)
    faces = np.concatenate([body.walls, body.mouth, body.end])
    mesh = Mesh.of(body.points, faces)
    length = 2 * peg.depth * float(np.linalg.norm(joint.way("A")))
    label = joint.letter + (str(number + 1) if len(joint.pegs) > 1 else "")
    return LoosePeg(joint.letter, number, label, mesh, _lying(joint, root[0]), peg.width, length)


def _lying(joint: Joint, outline: FloatArray) -> FloatArray:
    """(3, 3) that lays a peg on the longest side of its footprint that it can lie on, along x."""
    corners = ConvexHull(outline).vertices
    side = outline[np.roll(corners, -1)] - outline[corners]
    # From arm to arm of a cross there is no side, only two edges to balance on.
    is_side = (np.roll(corners, -1) - corners) % len(outline) == 1
    length = np.linalg.norm(side, axis=1) * np.where(is_side, 1.0, 1e-3)
    longest = side[int(np.argmax(length))]
    along = joint.way("A") / np.linalg.norm(joint.way("A"))
    edge = joint.frame.axes[:2].T @ (longest / np.linalg.norm(longest))
    # The hull runs counter-clockwise: its outside is to the right of each side.
    down = np.cross(edge, along)
    down = down / np.linalg.norm(down)
    return np.stack([along, np.cross(along, down), -down])
