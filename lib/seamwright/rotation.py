"""The search for any rotation in which a piece fits: dense, refined until it settles.

The same input gives the same answer.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Protocol

import numpy as np
from scipy.spatial.transform import Rotation

from seamwright.hull import Floats, Indices, half_sphere, thinned
from seamwright.mesh import FloatArray
from seamwright.platform import TOLERANCE

GRID = 24 * 24_000
"""Rotations of the whole grid; symmetry leaves 24 000 of them, about 3° apart."""

LOOKED_AT = 3000
"""Rotations of each group that are looked at with all of a large core, the best of a first look."""

POOL = 2000
"""Rotations of all groups from which the starts are chosen."""

STARTS = 100
"""Poses that are refined by compass search."""

SETTLED = 8
"""The best of these, which are then settled to the last digit.

On 200 random hulls, none of them used to choose these numbers, a search of some three
times the effort found a better rotation twice, by 0.004 mm, and a worse one once.
"""


class Room(Protocol):
    """Where a piece is to go: a box or a cylinder, as the search sees it.

    An overrun is how many mm longer every side of the room would have to be, negative
    where it could be shorter.
    """

    def candidates(self, core: FloatArray) -> Iterator[FloatArray]:
        """Groups of (B, 3, 3) rotations to try, the quickest and least disturbing first."""

    def overruns(self, points: Floats, turns: FloatArray) -> FloatArray:
        """(B,) overruns in (B, 3, 3) rotations and in those that `dealt` makes of them."""

    def dealt(self, points: FloatArray, turn: FloatArray) -> FloatArray:
        """(3, 3) the rotation that has the overrun told for `turn`."""

    def overrun(self, along: FloatArray) -> float:
        """Of (3, N) turned points just as they are."""

    def ends(self, along: FloatArray) -> Indices:
        """Which of (3, N) turned points bound them."""

    def alike(self, turns: FloatArray, turn: FloatArray) -> FloatArray:
        """(B,) cosine of how far rotations are from one, the room's symmetry counted."""

    def step(self, along: FloatArray, excess: float, reach: float) -> tuple[FloatArray, float]:
        """Small rotation within `reach` radians per axis that promises most, of (N, 3) points.

        Returns the rotation vector, radians, and how much less overrun it promises, mm.
        """


@lru_cache(maxsize=1)
def grid() -> FloatArray:
    """(B, 3, 3) rotations spread evenly over those that the box's symmetry leaves different.

    Super-Fibonacci spiral: M. Alexa, "Super-Fibonacci spirals: fast, low-discrepancy
    sampling of SO(3)", CVPR 2022. The part nearest the identity under the cube's 24
    rotations: A. Heinz & P. Neumann, Acta Cryst. A47 (1991) 780.
    """
    s = np.arange(GRID) + 0.5
    inner, outer = np.sqrt(s / GRID), np.sqrt(1.0 - s / GRID)
    a, b = 2 * np.pi * s / np.sqrt(2.0), 2 * np.pi * s / 1.533751168755204288118041
    q = np.stack([inner * np.sin(a), inner * np.cos(a), outer * np.sin(b), outer * np.cos(b)], 1)
    part, real = np.abs(q[:, :3]), np.abs(q[:, 3])
    near = (part.max(axis=1) <= (np.sqrt(2.0) - 1) * real) & (part.sum(axis=1) <= real)
    return np.asarray(Rotation.from_quat(q[near]).as_matrix())


def about(axes: FloatArray, count: int, reach: float = np.pi / 2) -> FloatArray:
    """(M * count, 3, 3) rotations that bring each of (M, 3) axes to z, spun through `reach`."""
    u = np.cross(np.eye(3)[np.abs(axes).argmin(axis=1)], axes)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(axes, u)[:, None]
    angle = np.arange(count)[:, None] * (reach / count)
    c, s, u = np.cos(angle), np.sin(angle), u[:, None]
    w = np.repeat(axes[:, None], count, axis=1)
    return np.asarray(np.stack([c * u + s * v, c * v - s * u, w], axis=2).reshape(-1, 3, 3))


def search(cloud: FloatArray, core: FloatArray, room: Room) -> tuple[FloatArray, float]:
    """The first rotation found that fits, else the one that misses by least, and its overrun.

    cloud : (N, 3) all points that may be hull vertices. core : those that stand in for all.
    """
    small, few = core.astype(np.float32), thinned(core).astype(np.float32)
    best, least = np.eye(3), np.inf
    pool, values = [], []
    for candidates in room.candidates(core):
        group = candidates
        if len(few) < len(core) and len(group) > LOOKED_AT:
            group = group[room.overruns(few, group).argsort(kind="stable")[:LOOKED_AT]]
        value = room.overruns(small, group)
        front = value.argsort(kind="stable")[:400]
        pool.append(group[front])
        values.append(value[front])
        # No rotation is better for all the points than for some of them.
        if value[front[0]] > least + 1e-3:
            continue
        exact = room.overruns(cloud, group[front[:4]])
        if exact.min() < least:
            best, least = group[front[exact.argmin()]], float(exact.min())
        if least <= TOLERANCE:
            return room.dealt(cloud, best), least
    turns, over = np.concatenate(pool), np.concatenate(values)
    best_first = over.argsort(kind="stable")[:POOL]
    starts = apart(turns[best_first], over[best_first], 4.0, STARTS, room)
    points = core
    # Several starts run down to the same place: only one of those is settled.
    for turn in apart(*_descended(thinned(core), starts, room), 1.0, SETTLED, room):
        points, settled, excess = _settled(points, cloud, room.dealt(core, turn), room, least)
        if excess < least:
            best, least = settled, excess
        if least <= TOLERANCE:
            break
    return room.dealt(cloud, best), least


def apart(
    turns: FloatArray, values: FloatArray, degrees: float, count: int, room: Room
) -> FloatArray:
    """(S, 3, 3) the best rotations that are so far apart, up to `count`, symmetry counted."""
    left = turns[values.argsort(kind="stable")]
    chosen: list[FloatArray] = []
    while len(left) and len(chosen) < count:
        chosen.append(left[0])
        left = left[room.alike(left, left[0]) <= np.cos(np.radians(degrees))]
    return np.array(chosen)


def _descended(core: FloatArray, turns: FloatArray, room: Room) -> tuple[FloatArray, FloatArray]:
    """(B, 3, 3) rotations after a compass search from each, and their (B,) excess.

    The excess has kinks, where a fixed compass sticks: it is turned at every round.
    """
    best, step = room.overruns(core, turns), np.full(len(turns), np.radians(2.0))
    compass, rows = np.concatenate([half_sphere(8), -half_sphere(8)]), np.arange(len(turns))
    for turned in grid()[:: len(grid()) // 24]:
        vectors = step[:, None, None] * (compass @ turned)
        small = Rotation.from_rotvec(vectors.reshape(-1, 3)).as_matrix()
        trial = small.reshape(len(turns), -1, 3, 3) @ turns[:, None]
        value = room.overruns(core, trial.reshape(-1, 3, 3)).reshape(len(turns), -1)
        at = value.argmin(axis=1)
        better = value[rows, at] < best
        turns = np.where(better[:, None, None], trial[rows, at], turns)
        best = np.where(better, value[rows, at], best)
        step = np.where(better, 1.2 * step, 0.5 * step)
    return turns, best


def _settled(
    points: FloatArray, cloud: FloatArray, turn: FloatArray, room: Room, least: float
) -> tuple[FloatArray, FloatArray, float]:
    """Settle on some points, take in those of the cloud that stick out, and settle again.

    Returns the points with those taken in, the rotation and the cloud's excess, mm.
    """
    best, excess = turn, np.inf
    for _ in range(10):
        turn, inner = _stepped(points, turn, room)
        along = turn @ cloud.T
        outer = room.overrun(along)
        if outer < excess:
            best, excess = turn, outer
        # The points' excess is the least that the cloud can have hereabouts.
        if min(excess, least) - inner <= TOLERANCE / 100:
            break
        points = np.concatenate([points, cloud[room.ends(along)]])
    return points, best, excess


def _stepped(points: FloatArray, turn: FloatArray, room: Room) -> tuple[FloatArray, float]:
    """Successive linear programs in a shrinking trust region, down to the last digit."""
    excess = room.overrun(turn @ points.T)
    reach = np.radians(1.0)
    for _ in range(40):
        if excess <= 0.0 or reach < 1e-10:
            break
        step, promise = room.step(points @ turn.T, excess, reach)
        if promise < TOLERANCE / 1000:
            break
        trial = Rotation.from_rotvec(step).as_matrix() @ turn
        gain = excess - room.overrun(trial @ points.T)
        if gain > 0.1 * promise:
            turn, excess = trial, excess - gain
        reach *= 2.0 if gain > 0.7 * promise else 0.5 if gain > 0.1 * promise else 0.2
    return turn, excess
