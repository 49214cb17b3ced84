"""Blocking: which pieces stand in whose way, and what can be taken off in one slide.

For a direction, piece p is blocked by q if p, sliding along it, runs into q: these relations
are the directional blocking graph of Wilson & Latombe, "Geometric reasoning about mechanical
assembly", Artificial Intelligence 71, 1994. A set of pieces that no relation leads out of can
be taken off together. Taking a set away never puts anything else in the way, so whatever
comes off first is a good beginning: if there is an order, every choice leads to one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np

from seamwright.joint import Joint
from seamwright.mesh import FloatArray, Mesh
from seamwright.sweep import PLAY, Sweeps

LEAN = 15.0
"""Degrees by which the pegs of several joints may run apart, at the very most, for one slide to
bring them all home; the sweep tells what their clearance really lets through."""

ALONG = float(np.radians(0.01))
"""Directions nearer to each other than this, radians, are tried once."""

OFF = (1.0, 5.0, 20.0)
"""mm tried by which a piece is slid farther than its pegs are deep, before it turns aside
(common practice, no source)."""

TURNING = 6
"""Directions tried for a slide that turns aside: the likeliest."""

Pieces = frozenset[int]


@dataclass(frozen=True, eq=False)
class Way:
    """How a joint lets its pieces part.

    letter : the joint's.
    a, b : ids of the pieces of side A and side B.
    kind : "pegs", along `direction` only; "face", away from a flat face; "free", a line seam
        without pegs, of which nothing is known but its surface.
    direction : (3,) unit, the way A leaves B.
    slack : for pegs, tangent of the angle beyond which they surely hold; for a face, half the
        radius, mm, of a disc that it surely holds.
    depth : mm to slide until the pegs are out.
    """

    letter: str
    a: int
    b: int
    kind: Literal["pegs", "face", "free"]
    direction: FloatArray
    slack: float = 0.0
    depth: float = 0.0

    @staticmethod
    def of(joint: Joint) -> Way:
        """A joint as it is made.

        The sides of a peg of depth h and draft δ, with a clearance c all round, let it slip
        out along any direction up to atan(tan δ + c / h) off its axis. Twice that, and the
        play, surely holds; what lies between is left to the sweep.
        """
        face = joint.interface
        normal = face.frame.normal + 0.0
        if joint.pegs:
            out = joint.way("A")
            slant = float(np.linalg.norm(out))
            normal = out / slant + 0.0
            deepest = slant * max(p.depth for p in joint.pegs)
            gap = joint.clearance + 2 * PLAY
            free = np.tan(np.radians(joint.draft)) + gap / (deepest - joint.lead_in)
            return Way(
                joint.letter, face.piece_a, face.piece_b, "pegs", normal, 2 * float(free), deepest
            )
        if face.seam.line and face.seat is None:
            return Way(joint.letter, face.piece_a, face.piece_b, "free", normal)
        # The radius of the largest disc in a region is about its area over its perimeter
        # at least; half of it is safe for any shape.
        wide = 0.5 * face.region.area / face.region.perimeter if face.seat else 0.0
        return Way(joint.letter, face.piece_a, face.piece_b, "face", normal, wide)

    def out_of(self, pieces: Pieces) -> FloatArray:
        """(3,) the way the piece that is one of these leaves the other."""
        return self.direction if self.a in pieces else -self.direction

    def crosses(self, pieces: Pieces, rest: Pieces) -> bool:
        return (self.a in pieces and self.b in rest) or (self.b in pieces and self.a in rest)

    def holds(self, piece: int, direction: FloatArray) -> bool:
        """Whether this joint alone surely keeps one of its pieces from sliding along."""
        along = float((self.direction if piece == self.a else -self.direction) @ direction)
        if self.kind == "pegs":
            across = float(np.sqrt(max(0.0, 1.0 - along**2)))
            return along <= 0 or across > self.slack * along
        return self.kind == "face" and -along * self.slack > PLAY


@dataclass(frozen=True, eq=False)
class Cut:
    """A set of pieces that comes off the rest.

    direction : (3,) unit, along which it slides off.
    travel : how far, mm; inf for all the way.
    aside : (3,) unit, along which it then goes all the way.
    """

    moving: Pieces
    rest: Pieces
    direction: FloatArray
    travel: float = float("inf")
    aside: FloatArray | None = None

    def reversed(self) -> Cut:
        """The same seen from the moving pieces: the others come off."""
        aside = None if self.aside is None else -self.aside + 0.0
        return Cut(self.rest, self.moving, -self.direction + 0.0, self.travel, aside)


@dataclass(frozen=True, eq=False)
class Scene:
    """Pieces in place, with how their joints let them part.

    meshes : by piece id.
    sweeps : None to judge by the joints alone.
    heed : called before every sweep; it may raise `Cancelled`.
    """

    meshes: dict[int, Mesh]
    ways: tuple[Way, ...]
    sweeps: Sweeps | None
    heed: Callable[[], None] = lambda: None

    def between(self, pieces: Pieces, rest: Pieces) -> list[Way]:
        """The joints that lead from some pieces to others."""
        return [w for w in self.ways if w.crosses(pieces, rest)]

    def within(self, pieces: Pieces) -> list[Way]:
        return [w for w in self.ways if w.a in pieces and w.b in pieces]

    def is_free(
        self, moving: Pieces, rest: Pieces, direction: FloatArray, travel: float = np.inf
    ) -> bool:
        """Whether pieces can slide along a unit direction without passing through others."""
        for way in self.between(moving, rest):
            if way.holds(way.a if way.a in moving else way.b, direction):
                return False
        return not any(self.runs_into(p, q, direction, travel) for p in moving for q in rest)

    def aside(
        self, moving: Pieces, rest: Pieces, direction: FloatArray, travel: float
    ) -> FloatArray | None:
        """A way on, all the way, for pieces that have slid some way along a direction."""
        start = travel * direction
        for aside in sorted(_all_round(), key=lambda d: -round(float(d @ direction), 9)):
            if not any(self.runs_into(p, q, aside, np.inf, start) for p in moving for q in rest):
                return aside
        return None

    def runs_into(
        self,
        piece: int,
        by: int,
        direction: FloatArray,
        travel: float,
        start: FloatArray | None = None,
    ) -> bool:
        """Whether the body of one piece, sliding so, passes through another's."""
        self.heed()
        return self.sweeps is not None and self.sweeps.blocked(
            self.meshes[piece], self.meshes[by], direction, travel, start
        )

    def near(self, pieces: Pieces, direction: FloatArray) -> dict[int, set[int]]:
        """For each piece the others that it may run into as it slides along a unit direction."""
        ids = sorted(pieces)
        if self.sweeps is None:
            return {p: set() for p in ids}
        self.heed()
        apart = self.sweeps.parted([self.meshes[p] for p in ids], direction)
        return {
            p: {ids[k] for k in np.flatnonzero(~row)} - {p}
            for p, row in zip(ids, apart, strict=True)
        }

    def groups(self, pieces: Pieces) -> list[Pieces]:
        """The pieces put together that hang together by joints."""
        meets: dict[int, set[int]] = {p: set() for p in pieces}
        for way in self.within(pieces):
            meets[way.a].add(way.b)
            meets[way.b].add(way.a)
        left, found = set(pieces), []
        while left:
            front = {min(left)}
            group: set[int] = set()
            while front:
                group |= front
                front = set().union(*(meets[p] for p in front)) - group
            found.append(frozenset(group))
            left -= group
        return found


def partition(scene: Scene, pieces: Pieces) -> Cut | None:
    """What to take off first; None if nothing can be.

    One slide goes before two, a single piece before several, what hangs together by joints
    before what has to be held in place, and the highest piece first.
    """
    most = len(scene.groups(pieces)) + 1
    spare: Cut | None = None
    for found in (_singles, _several, _turning, _several_turning):
        for cut in found(scene, pieces):
            if len(scene.groups(cut.moving)) + len(scene.groups(cut.rest)) <= most:
                return cut
            spare = spare or cut
    return spare


def _singles(scene: Scene, pieces: Pieces) -> Iterator[Cut]:
    """Every piece that comes off by itself in one slide; the last by number first."""
    for piece in sorted(pieces, reverse=True):
        one, rest = frozenset({piece}), pieces - {piece}
        for direction in directions(scene, one, rest):
            if scene.is_free(one, rest, direction):
                yield Cut(one, rest, direction)
                break


def _turning(scene: Scene, pieces: Pieces) -> Iterator[Cut]:
    """Every piece that comes off by itself if it turns aside once it is off its pegs."""
    if scene.sweeps is None:
        return
    for piece in sorted(pieces, reverse=True):
        one, rest = frozenset({piece}), pieces - {piece}
        cut = _turned_aside(scene, one, rest, directions(scene, one, rest))
        if cut is not None:
            yield cut


def _turned_aside(
    scene: Scene, moving: Pieces, rest: Pieces, along: list[FloatArray]
) -> Cut | None:
    """Pieces slid just off their pegs along some direction, and then away along another."""
    ways = scene.between(moving, rest)
    if not ways:
        return None
    depth = max(w.depth for w in ways)
    for direction in along[:TURNING]:
        for more in OFF:
            travel = depth + more
            if not scene.is_free(moving, rest, direction, travel):
                break
            aside = scene.aside(moving, rest, direction, travel)
            if aside is not None:
                return Cut(moving, rest, direction, travel, aside)
    return None


def _several(scene: Scene, pieces: Pieces) -> Iterator[Cut]:
    """Sets of pieces that come off together in one slide, the smallest of each direction first."""
    for direction in _all_directions(scene, pieces):
        for moving in _closed(scene, pieces, direction, np.inf):
            yield _smaller_moves(Cut(moving, pieces - moving, direction))


def _several_turning(scene: Scene, pieces: Pieces) -> Iterator[Cut]:
    """Sets of pieces that come off together if they turn aside once they are off their pegs."""
    if scene.sweeps is None:
        return
    deepest = max((w.depth for w in scene.within(pieces)), default=0.0)
    for direction in _all_directions(scene, pieces):
        for moving in _closed(scene, pieces, direction, deepest + OFF[0]):
            cut = _turned_aside(scene, moving, pieces - moving, [direction])
            if cut is not None:
                yield _smaller_moves(cut)


def _smaller_moves(cut: Cut) -> Cut:
    """The cut with whatever is the smaller half moving."""
    small = (len(cut.moving), -min(cut.moving)) <= (len(cut.rest), -min(cut.rest))
    return cut if small else cut.reversed()


def _closed(scene: Scene, pieces: Pieces, direction: FloatArray, travel: float) -> list[Pieces]:
    """The least sets, one about each piece, that push no other along; the smallest first."""
    held: dict[int, set[int]] = {p: set() for p in pieces}
    for way in scene.within(pieces):
        for p, q in ((way.a, way.b), (way.b, way.a)):
            if way.holds(p, direction):
                held[p].add(q)
    near = scene.near(pieces, direction)
    found = {_closure(scene, held, near, piece, direction, travel) for piece in sorted(pieces)}
    return sorted(found - {pieces}, key=lambda s: (len(s), -max(s), sorted(s)))


def _closure(
    scene: Scene,
    held: dict[int, set[int]],
    near: dict[int, set[int]],
    piece: int,
    direction: FloatArray,
    travel: float,
) -> Pieces:
    """The piece with all it would push along, and what those would.

    held, near : for each piece the others that its joints surely keep from it, and those that
        it may run into.
    """
    closed, front, unswept = {piece}, [piece], {piece}
    while front and len(closed) < len(held):
        # The joints are quick to ask, and what they hold need not be swept.
        new = held[front.pop()] - closed
        while unswept and not front and not new:
            p = unswept.pop()
            new = {q for q in near[p] - closed if scene.runs_into(p, q, direction, travel)}
        front += new
        closed |= new
        unswept |= new
    return frozenset(closed)


# --- directions --------------------------------------------------------------------------


def directions(scene: Scene, moving: Pieces, rest: Pieces) -> list[FloatArray]:
    """Unit directions along which some pieces might leave others, the most likely first.

    Pegs give their axes, and the middle between those of several joints. Flat faces give the
    directions that part them: those farthest from all faces first, and last those that slide
    along two of them. Without either, all those that joints elsewhere have, and 26 all round.
    """
    ways = scene.between(moving, rest)
    axes = [w.out_of(moving) for w in ways if w.kind == "pegs"]
    if axes:
        middle = _unit(np.sum(axes, axis=0))
        if middle is None or min(a @ middle for a in axes) < np.cos(np.radians(LEAN)):
            return []
        return _distinct([*axes, middle])
    faces = [w.out_of(moving) for w in ways if w.kind == "face"]
    loose = [w.out_of(moving) for w in ways if w.kind == "free"]
    elsewhere = [s * w.direction for w in scene.ways for s in (1.0, -1.0)]
    if not faces:
        return _distinct([*loose, *_all_round(), *elsewhere])
    middle = _unit(np.sum([*faces, *loose], axis=0))
    found = [*faces, *loose, *_along_faces(faces), *elsewhere, *_all_round()]
    parting = [d for d in found if min(float(f @ d) for f in faces) >= -1e-9]
    parting.sort(key=lambda d: -round(min(float(f @ d) for f in faces), 9))
    first = [] if middle is None else [middle]
    return _distinct(
        [d for d in first if min(float(f @ d) for f in faces) >= -1e-9] + parting
    )  # fmt: skip


def _along_faces(faces: list[FloatArray]) -> list[FloatArray]:
    """Both ways along the line that any two faces share, and along each and an axis."""
    pairs = [*combinations(faces, 2), *((f, e) for f in faces for e in np.eye(3))]
    across = [_unit(np.cross(f, g)) for f, g in pairs]
    return [s * d for d in across if d is not None for s in (1.0, -1.0)]


def _all_directions(scene: Scene, pieces: Pieces) -> list[FloatArray]:
    """Unit directions along which some of the pieces might leave the others."""
    ways = scene.within(pieces)
    found = [s * w.direction for w in ways for s in (1.0, -1.0)]
    found += _along_faces(_distinct([w.direction for w in ways if w.kind == "face"]))
    if len(scene.groups(pieces)) > 1:
        found += _all_round()
    return _distinct(found)


def _all_round() -> list[FloatArray]:
    """The 26 directions to the faces, edges and corners of a cube, upwards first."""
    steps = [np.array(s, dtype=np.float64) for s in np.ndindex(3, 3, 3)]
    found = [s - 1.0 for s in steps if (s != 1).any()]
    found.sort(key=lambda s: (float(np.abs(s).sum()), -float(s[2])))
    return [s / np.linalg.norm(s) for s in found]


def _distinct(found: list[FloatArray]) -> list[FloatArray]:
    """The directions without those that nearly repeat an earlier one."""
    kept: list[FloatArray] = []
    for d in found:
        if not kept or (np.linalg.norm(np.array(kept) - d, axis=1) > ALONG).all():
            # Minus nought would be another key.
            kept.append(d + 0.0)
    return kept


def _unit(vector: FloatArray) -> FloatArray | None:
    length = float(np.linalg.norm(vector))
    return vector / length if length > 1e-6 else None
