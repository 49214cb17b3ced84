"""A piece on a round platform: its silhouette in a circle, and its height."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog
from scipy.spatial.transform import Rotation

from seamwright.circle import smallest_circle, smallest_circles
from seamwright.hull import Floats, Indices, contact_axes, half_sphere, longest_span
from seamwright.mesh import FloatArray
from seamwright.rotation import about

DIRECTIONS = 4000
"""Directions over half the sphere that are tried as the vertical: about 2° apart."""


@dataclass(frozen=True, eq=False)
class Disc:
    """The cylinder over a round platform; see `rotation.Room`. Spinning on it changes nothing.

    diameter, height : mm.
    """

    diameter: float
    height: float

    def candidates(self, core: FloatArray) -> Iterator[FloatArray]:
        """Groups of (B, 3, 3) rotations to try, the quickest and least disturbing first."""
        yield about(np.eye(3), 1)
        yield about(half_sphere(DIRECTIONS), 1)
        yield about(contact_axes(core), 1)
        # The longest span from the rim below to the rim above, opposite, spun about itself.
        span = longest_span(core)
        tilt = np.array([[self.diameter, 0.0, self.height]])
        spin = about(span[None] / np.linalg.norm(span), 360, 2 * np.pi)
        yield np.swapaxes(about(tilt / np.linalg.norm(tilt), 1), 1, 2) @ spin

    def overruns(self, points: Floats, turns: FloatArray) -> FloatArray:
        """(B,) mm by which each of (B, 3, 3) rotations misses."""
        over = np.empty(len(turns))
        step = max(1, 2**18 // len(points))
        for start in range(0, len(turns), step):
            some = turns[start : start + step].astype(points.dtype)
            flat = np.asarray(points @ some[:, :2].swapaxes(1, 2), dtype=np.float64)
            up = some[:, 2] @ points.T
            over[start : start + step] = np.maximum(
                2 * smallest_circles(flat)[1] - self.diameter,
                up.max(axis=1) - up.min(axis=1) - self.height,
            )
        return over

    def dealt(self, points: FloatArray, turn: FloatArray) -> FloatArray:
        """(3, 3) the shortest turn with the same vertical, which may be upside down."""
        down = turn[2] if turn[2, 2] >= 0 else -turn[2]
        sine = float(np.hypot(down[0], down[1]))
        if sine == 0.0:
            return np.eye(3)
        axis = np.array([down[1], -down[0], 0.0]) / sine
        return np.asarray(Rotation.from_rotvec(np.arctan2(sine, down[2]) * axis).as_matrix())

    def overrun(self, along: FloatArray) -> float:
        """Of (3, N) turned points just as they are, mm."""
        _, radius = smallest_circle(along[:2].T)
        return max(2 * radius - self.diameter, float(np.ptp(along[2])) - self.height)

    def ends(self, along: FloatArray) -> Indices:
        """Which of (3, N) turned points bound them."""
        centre, _ = smallest_circle(along[:2].T)
        away = np.linalg.norm(along[:2].T - centre, axis=1)
        outermost = np.argsort(away, kind="stable")[-4:]
        return np.concatenate([outermost, [along[2].argmax(), along[2].argmin()]])

    def alike(self, turns: FloatArray, turn: FloatArray) -> FloatArray:
        """(B,) cosine of the angle between the verticals, up and down alike."""
        return np.asarray(np.abs(turns[:, 2] @ turn[2]))

    def step(self, along: FloatArray, excess: float, reach: float) -> tuple[FloatArray, float]:
        """Small rotation within `reach` radians per axis that promises most, of (N, 3) points.

        A rotation vector r moves y along a direction u by r . (y x u). Unknowns: r / reach,
        the moves of the circle's centre, of the upper and the lower bound, and of the excess,
        in units of the largest coordinate times `reach`.
        """
        centre, radius = smallest_circle(along[:, :2])
        along = along - np.append(centre, (along[:, 2].max() + along[:, 2].min()) / 2)
        arm = max(float(np.abs(along).max()), 1e-12)
        unit = arm * reach
        away = np.linalg.norm(along[:, :2], axis=1)
        # No point moves by more than two units, so those further back never lead.
        near = (radius - away < 8.0 * unit) & (away > 0)
        u = np.pad(along[near, :2] / away[near, None], ((0, 0), (0, 1)))
        block = np.zeros((len(u), 8))
        block[:, :3], block[:, 3:5] = np.cross(along[near], u) / arm, -u[:, :2]
        block[:, 7] = -0.5
        rows, limits = [block], [((self.diameter + excess) / 2 - away[near]) / unit]
        moves = np.cross(along, [0.0, 0.0, 1.0]) / arm
        for sign, column in ((1.0, 5), (-1.0, 6)):
            gap = ((sign * along[:, 2]).max() - sign * along[:, 2]) / unit
            close = gap < 4.0
            block = np.zeros((int(close.sum()), 8))
            block[:, :3], block[:, column] = sign * moves[close], -1.0
            rows.append(block)
            limits.append(gap[close])
        rows.append(np.array([[0, 0, 0, 0, 0, 1.0, 1.0, -1.0]]))
        limits.append(np.array([(excess - np.ptp(along[:, 2]) + self.height) / unit]))
        bounds = [(-1.0, 1.0)] * 3 + [(None, None)] * 5
        found = linprog(np.eye(8)[7], np.concatenate(rows), np.concatenate(limits), bounds=bounds)
        if found.x is None:
            return np.zeros(3), 0.0
        return found.x[:3] * reach, -float(found.x[7]) * unit
