"""Trials: the sets of pegs tried on one seam face, each planned and proven when it is asked for.

What comes of them depends on the face, on what lies behind it and on what is wished for, and on
no other joint: so a face that has not changed need not be looked at again, whatever changed
elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from seamwright.choice import SIDES, JointChoice, Side
from seamwright.interface import Interface
from seamwright.joint import Joint, letter
from seamwright.known import Key, Known, key_of
from seamwright.mesh import FloatArray, Mesh
from seamwright.pieces import Piece
from seamwright.places import Home, Plan, Wish, grid_of, homes, plan
from seamwright.printer import PrinterProfile
from seamwright.proof import planned, proven
from seamwright.rod import Bore
from seamwright.room import Obstacles
from seamwright.wishes import wishes

Fits = Callable[[int, FloatArray], bool]
"""Whether the piece of this id, with points (N, 3) added, fits the printer."""


@dataclass(eq=False)
class Trials:
    """The sets of pegs that may go on one face; those of wish n are counted by k, best first.

    Attributes
    ----------
    slope : (2,) sideways per mm along the normal that the pegs run.
    radius : of the face's largest circle, mm. widest : peg to try, mm. reach : how far behind
        the face to look, mm.
    fixed : (K, 2) where the user wants them, or None.
    bodies : (T, 3, 3) of what each piece had on it when this joint's turn came.
    key : of all these.
    """

    number: int
    face: Interface
    choice: JointChoice
    slope: FloatArray
    radius: float
    clearance: float
    widest: float
    reach: float
    fixed: FloatArray | None
    mesh_of: dict[int, Mesh]
    bodies: dict[int, list[FloatArray]]
    profile: PrinterProfile
    known: Known
    key: Key
    _homes: list[Home] = field(default_factory=list)
    _grid: FloatArray | None = None
    _coming: Iterator[Wish] | None = None
    _wished: list[Wish] = field(default_factory=list)
    _plans: tuple[int, list[Plan]] = (-1, [])
    _shallow: dict[Side, Obstacles] = field(default_factory=dict)

    def wishes(self) -> Iterator[tuple[int, Wish]]:
        """Every wish with its number, the best first."""
        n = 0
        while (wish := self._wish(n)) is not None:
            yield n, wish
            n += 1

    def count(self, n: int) -> int:
        """How many sets of pegs as wished have room."""
        return self.known.of(key_of(self.key, "plans", n), lambda: len(self._planned(n)))

    def planned(self, n: int, k: int) -> Joint | None:
        """A set as a joint, its walls not measured yet; None if it goes home several ways."""
        return self._own(
            key_of(self.key, "planned", n, k),
            lambda: planned(
                self.number, self.face, self._planned(n)[k], self.clearance, self.profile
            ),
        )

    def proven(self, n: int, k: int) -> Joint | None:
        """The same with its walls measured; None if one is too thin."""

        def find() -> Joint | None:
            joint = self.planned(n, k)
            assert joint is not None
            home = self._planned(n)[k].home
            return proven(joint, home, self.radius, self.profile)

        return self._own(key_of(self.key, "proven", n, k), find)

    def behind(self, side: Side, depth: float) -> Obstacles:
        """What was behind a side of the face down to a depth, mm, without the surfaces themselves.

        No more than that is kept for it: `leave` lets go of the rest.
        """
        if not self._shallow:
            self._keep_shallow(depth)
        return self._shallow[side]

    def leave(self, depth: float) -> None:
        """Let go of what was collected for the trials, but for what `behind` will be asked."""
        if self._homes:
            self._keep_shallow(depth)
        self._coming, self._plans, self._grid = None, (-1, []), None

    # --- found when asked for -------------------------------------------------------

    def _own(self, key: Key, find: Callable[[], Joint | None]) -> Joint | None:
        """A joint that is known perhaps by an earlier letter, as this face's own."""
        joint = self.known.of(key, find)
        if joint is None:
            return None
        return self.known.put(key, owned(joint, self.number, self.face))

    def _wish(self, n: int) -> Wish | None:
        def find() -> Wish | None:
            if self._coming is None:
                self._coming = wishes(
                    self.face.region, self.radius, self.choice, self.widest, self.clearance,
                    self.slope, self.profile, self.fixed,
                )  # fmt: skip
                self._wished = []
            while len(self._wished) <= n:
                wish = next(self._coming, None)
                if wish is None:
                    return None
                self._wished.append(wish)
            return self._wished[n]

        return self.known.of(key_of(self.key, "wish", n), find)

    def _planned(self, n: int) -> list[Plan]:
        """The plans of a wish, the best first."""
        if self._plans[0] != n:
            wish = self._wish(n)
            assert wish is not None
            region = self.face.region
            if self._grid is None:
                self._grid = grid_of(region, self.radius)
            tried = (plan(region, h, wish, self._grid, self.profile) for h in self._sides())
            found = [p for p in tried if p is not None]
            self._plans = n, sorted(found, key=lambda p: -p.score)
        return self._plans[1]

    def _sides(self) -> list[Home]:
        if not self._homes:
            self._homes = homes(
                self.face, self.mesh_of, self.bodies, self.reach, self.radius, self.choice,
                self.slope,
            )  # fmt: skip
        return self._homes

    def _keep_shallow(self, depth: float) -> None:
        home = self._sides()[0]
        self._shallow = {side: home.behind(side).down_to(depth) for side in SIDES}
        self._homes = []


def owned(joint: Joint, number: int, face: Interface) -> Joint:
    """A joint found for the same face as it was before, with the letter it has now."""
    if joint.interface is face and joint.letter == letter(number):
        return joint
    return replace(joint, interface=face, letter=letter(number))


# --- the bench ---------------------------------------------------------------------------


@dataclass(eq=False)
class Bench:
    """What has been made so far.

    bodies : (T, 3, 3) of what each piece has on it, and `keys` theirs. tips : ends of pegs that
    stand on each. around : what was tried on the faces of interfaces, by their identity.
    """

    mesh_of: dict[int, Mesh]
    profile: PrinterProfile
    fits: Fits | None
    known: Known
    bodies: dict[int, list[FloatArray]]
    keys: dict[int, list[Key]]
    tips: dict[int, list[FloatArray]]
    made: list[Joint] = field(default_factory=list)
    around: dict[int, Trials] = field(default_factory=dict)

    @staticmethod
    def of(
        pieces: tuple[Piece, ...],
        profile: PrinterProfile,
        fits: Fits | None,
        bores: Sequence[Bore],
        known: Known,
    ) -> Bench:
        """Nothing made yet, and the bores of rods, which everything keeps clear of."""
        bodies = {p.id: [b.body.triangles for b in bores if b.piece == p.id] for p in pieces}
        return Bench(
            {p.id: p.mesh for p in pieces}, profile, fits, known, bodies,
            {n: [key_of(b) for b in own] for n, own in bodies.items()},
            {p.id: [] for p in pieces},
        )  # fmt: skip

    def carries(self, joint: Joint) -> bool:
        """Whether the piece that the pegs stand on still fits the printer."""
        ends = _ends(joint)
        if self.fits is None or not ends:
            return True
        return self.fits(joint.peg_piece, np.concatenate([*self.tips[joint.peg_piece], *ends]))

    def add(self, joint: Joint) -> None:
        self.made.append(joint)
        if not joint.loose:
            self.tips[joint.peg_piece] += _ends(joint)
        for side in SIDES:
            sunk = [b.triangles for b in joint.bodies(side, marks=False) if not b.stands]
            self.bodies[joint.piece(side)] += sunk
            self.keys[joint.piece(side)] += [key_of(b) for b in sunk]

    def key(self, face: Interface, *parts: object) -> Key:
        """The key of what is found for a face from what lies behind it, and some more."""

        def of_face() -> Key:
            meshes = [self.known.shape(self.mesh_of[n]) for n in (face.piece_a, face.piece_b)]
            flat = face.region.loops, face.frame, face.seam.line is not None
            return key_of(meshes, face.a.faces, face.b.faces, *flat)

        behind = self.keys[face.piece_a], self.keys[face.piece_b]
        return key_of(self.known.name(face, of_face), *behind, self.profile, *parts)


def _ends(joint: Joint) -> list[FloatArray]:
    """The (N, 3) corners of each standing peg's end, mm."""
    if joint.loose:
        return []
    return [joint.placed_ring(joint.peg_rings(p)[-1]) for p in joint.pegs]
