"""A piece in a box: a rectangular platform with nothing excluded, up to its height."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog

from seamwright.hull import (
    Floats,
    Indices,
    contact_axes,
    longest_span,
    not_inside,
    outline_of,
    sizes,
    thinned,
)
from seamwright.mesh import FloatArray
from seamwright.rotation import about, grid


def planar(points: FloatArray, box: FloatArray) -> tuple[FloatArray, float]:
    """The rotation of (N, 2) points that misses the (2,) rectangle by least, exactly.

    Between neighbouring edge directions the same vertices bound each extent, so both are
    cosines of the angle with positive value, hence concave. The larger of two concave
    excesses is least at an end of the interval or where the two are equal, and both are
    had in closed form: nothing is sampled. Returns the rotation (2, 2) and the excess, mm.
    """
    if len(points) > 1000:
        fan = np.arange(16) * np.pi / 16
        points = not_inside(np.array(points), np.stack([np.cos(fan), np.sin(fan)], axis=1))
    hull = points[outline_of(points)]
    edges = np.roll(hull, -1, axis=0) - hull
    normals = np.arctan2(-edges[:, 0], edges[:, 1]) % (2 * np.pi)
    order = np.argsort(normals, kind="stable")
    normals = normals[order]

    def span(angle: FloatArray) -> FloatArray:
        """(K, 2) from the last vertex to the first along each direction."""
        turns = np.stack([angle, angle + np.pi]) % (2 * np.pi)
        first, last = hull[order[np.searchsorted(normals, turns) % len(hull)]]
        return np.asarray(first - last)

    def excess(angle: FloatArray) -> FloatArray:
        c, s = np.cos(angle), np.sin(angle)
        w, h = span(angle).T, span(angle + np.pi / 2).T
        over = np.stack([w[0] * c + w[1] * s - box[0], h[1] * c - h[0] * s - box[1]])
        return np.asarray(over.max(axis=0))

    knots = np.unique(np.concatenate([normals % np.pi, (normals + np.pi / 2) % np.pi, [0, np.pi]]))
    low, high = knots[:-1], knots[1:]
    w, h = span((low + high) / 2).T, span((low + high) / 2 + np.pi / 2).T
    # w - box0 = h - box1 is one cosine: reach * cos(angle - phase) = box0 - box1.
    across, along = w[0] - h[1], w[1] + h[0]
    reach, phase = np.hypot(across, along), np.arctan2(along, across)
    real = reach > abs(box[0] - box[1])
    bow = np.arccos((box[0] - box[1]) / np.where(real, reach, np.inf))
    equal = np.stack([phase - bow, phase + bow]) % (2 * np.pi)
    angles = np.concatenate([knots, equal[(equal > low) & (equal < high) & real]])
    # Half a turn changes nothing, so every angle can be within a quarter turn.
    angles = np.where(angles > np.pi / 2, angles - np.pi, angles)
    values = excess(angles)
    alike = angles[values <= values.min() + 1e-9]
    best = alike[np.abs(alike).argmin()]
    c, s = np.cos(best), np.sin(best)
    return np.array([[c, s], [-s, c]]), float(values.min())


@dataclass(frozen=True, eq=False)
class Box:
    """A box that a piece is to go into, its axes those of the platform; see `rotation.Room`.

    size : (3,) mm.
    """

    size: FloatArray

    def candidates(self, core: FloatArray) -> Iterator[FloatArray]:
        """Groups of (B, 3, 3) rotations to try, the quickest and least disturbing first."""
        yield self.flush(core, np.eye(3))
        yield grid()
        # Every face and edge of the hull along a side of the box, the best of them exactly.
        axes = contact_axes(core)
        scan = about(axes, 30)
        yield scan
        few = thinned(core).astype(np.float32)
        value = self.overruns(few, scan).reshape(len(axes), -1).min(axis=1)
        yield self.flush(core, axes[value.argsort(kind="stable")[:12]])
        # The longest span along each of the box's diagonals, spun about itself.
        span = longest_span(core)
        spin = about(span[None] / np.linalg.norm(span), 360, 2 * np.pi)
        for signs in ([1, 1, 1], [1, 1, -1], [1, -1, 1], [-1, 1, 1]):
            diagonal = (self.size * signs)[None] / np.linalg.norm(self.size)
            yield np.swapaxes(about(diagonal, 1), 1, 2) @ spin

    def flush(self, points: FloatArray, axes: FloatArray) -> FloatArray:
        """(3M, 3, 3) the best rotation about each of (M, 3) axes on each side, exactly."""
        out = []
        for turn in about(axes, 1):
            for side in range(3):
                flat, _ = planar(points @ turn[:2].T, np.delete(self.size, side))
                out.append(np.vstack([flat @ turn[:2], turn[2:]]))
        return np.array(out)

    def overruns(self, points: Floats, turns: FloatArray) -> FloatArray:
        """(B,) mm by which each of (B, 3, 3) rotations misses, its extents dealt to the best sides.

        Longest to longest is the best deal, so one rotation stands for its six
        permutations, and with the four half turns for all 24 of the box's rotations.
        """
        rows = turns.reshape(-1, 3).astype(points.dtype)
        size = np.empty(len(rows))
        step = max(1, 2**17 // len(points))
        for start in range(0, len(rows), step):
            along = rows[start : start + step] @ points.T
            size[start : start + step] = along.max(axis=1) - along.min(axis=1)
        return np.asarray((np.sort(size.reshape(-1, 3), axis=1) - np.sort(self.size)).max(axis=1))

    def dealt(self, points: FloatArray, turn: FloatArray) -> FloatArray:
        """(3, 3) proper rotation: the rows of `turn`, the longest extent on the longest side."""
        rows = np.empty((3, 3))
        rows[self.size.argsort(kind="stable")] = turn[sizes(points, turn).argsort(kind="stable")]
        rows[0] *= np.sign(np.linalg.det(rows))
        u, _, v = np.linalg.svd(rows)
        return np.asarray(u @ v)

    def overrun(self, along: FloatArray) -> float:
        """Of (3, N) turned points just as they are, mm."""
        return float((np.ptp(along, axis=1) - self.size).max())

    def ends(self, along: FloatArray) -> Indices:
        """Which of (3, N) turned points bound them."""
        return np.concatenate([along.argmax(axis=1), along.argmin(axis=1)])

    def alike(self, turns: FloatArray, turn: FloatArray) -> FloatArray:
        """(B,) cosine of how far rotations are from one: each row lies along some row of it."""
        return np.asarray(np.abs(turns @ turn.T).max(axis=2).min(axis=1))

    @staticmethod
    def gentlest(turn: FloatArray) -> FloatArray:
        """(3, 3) the smallest rotation of those that half turns about the box's sides make."""
        signs = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
        return np.asarray(signs[(signs @ np.diag(turn)).argmax()][:, None] * turn)

    def step(self, along: FloatArray, excess: float, reach: float) -> tuple[FloatArray, float]:
        """The small rotation, within `reach` radians per axis, that promises the least excess.

        A rotation vector r moves coordinate k of y by r . (y x e_k). Unknowns: r / reach,
        the moves of three upper and three lower bounds, and of the excess, in units of the
        largest coordinate times `reach`, which keeps the solver's own tolerance apt.

        Returns the rotation vector, radians, and how much less excess it promises, mm.
        """
        along = along - (along.max(axis=0) + along.min(axis=0)) / 2
        arm = max(float(np.abs(along).max()), 1e-12)
        unit = arm * reach
        rows, limits = [], []
        for k in range(3):
            moves = np.cross(along, np.eye(3)[k]) / arm
            for sign, column in ((1.0, 3 + k), (-1.0, 6 + k)):
                gap = ((sign * along[:, k]).max() - sign * along[:, k]) / unit
                # No point moves by more than two units, so those further back never lead.
                near = gap < 4.0
                block = np.zeros((int(near.sum()), 10))
                block[:, :3], block[:, column] = sign * moves[near], -1.0
                rows.append(block)
                limits.append(gap[near])
            total = np.zeros((1, 10))
            total[0, [3 + k, 6 + k, 9]] = 1.0, 1.0, -1.0
            rows.append(total)
            limits.append(np.array([(excess - np.ptp(along[:, k]) + self.size[k]) / unit]))
        bounds = [(-1.0, 1.0)] * 3 + [(None, None)] * 7
        found = linprog(np.eye(10)[9], np.concatenate(rows), np.concatenate(limits), bounds=bounds)
        if found.x is None:
            return np.zeros(3), 0.0
        return found.x[:3] * reach, -float(found.x[9]) * unit
