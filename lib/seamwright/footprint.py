"""Footprints: the outlines of pegs, and proof that a set of them goes home one way only."""

from __future__ import annotations

from itertools import permutations

import numpy as np

from seamwright.mesh import BoolArray, FloatArray

KEY_SHARE = 0.3
"""Cut-off corner of a keyed square, as a share of its width (common practice, no source)."""

D_FLAT = 0.5
"""Distance of a D's flat from its centre, as a share of the radius (common practice, no source)."""

PLAY = 40.0
"""Degrees a single small peg may turn in its socket by its clearance and still be home: less
than half of the 90° to a square's next seat."""


def square(width: float) -> FloatArray:
    """(5, 2) a square about the origin with one corner cut off as a key; counter-clockwise."""
    h, k = width / 2, KEY_SHARE * width
    return np.array([[-h, -h], [h, -h], [h, h - k], [h - k, h], [-h, h]])


def d_shape(width: float, sides: int = 24) -> FloatArray:
    """(N, 2) a circle of `width` across with one side cut flat as a key; counter-clockwise."""
    r = width / 2
    half = np.arccos(D_FLAT)
    turn = np.linspace(half, 2 * np.pi - half, sides)
    return np.asarray(r * np.stack([np.cos(turn), np.sin(turn)], axis=1))


def placed(outline: FloatArray, centre: FloatArray, turn: float) -> FloatArray:
    """The (N, 2) outline turned by `turn` degrees about its origin and moved to `centre`."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    return np.asarray(outline @ np.array([[c, s], [-s, c]]) + centre)


def offset(outline: FloatArray, distance: float) -> FloatArray:
    """A convex (N, 2) outline with every edge moved outward by `distance` mm, corners sharp."""
    normal = _normals(outline)
    before = np.roll(normal, 1, axis=0)
    # The corner shift has length 1 along both its edges' normals.
    dot = (before * normal).sum(axis=1, keepdims=True)
    return np.asarray(outline + distance * (before + normal) / (1.0 + dot))


def shrunk(outline: FloatArray, distance: float) -> FloatArray:
    """A convex (N, 2) outline drawn in about its middle until its nearest edge is `distance` in.

    Unlike an offset it keeps every edge, however short, so a chamfer never folds.
    """
    middle = outline.mean(axis=0)
    nearest = float(((outline - middle) * _normals(outline)).sum(axis=1).min())
    return np.asarray(middle + (outline - middle) * (1.0 - distance / nearest))


def outradius(outline: FloatArray) -> float:
    """Distance from the origin to the outline's farthest corner, mm."""
    return float(np.linalg.norm(outline, axis=1).max())


def area(outline: FloatArray) -> float:
    """mm², counter-clockwise positive."""
    after = np.roll(outline, -1, axis=0)
    return float(0.5 * (outline[:, 0] * after[:, 1] - after[:, 0] * outline[:, 1]).sum())


def other_seatings(
    pegs: list[FloatArray], sockets: list[FloatArray], step: float = 0.5
) -> list[float]:
    """Turns, in degrees, at which pegs enter sockets in some other way than the right one.

    Every assignment of pegs to sockets is tried at every multiple of `step` from 0 to
    360. A turned convex peg lies inside a convex socket if all its corners lie inside
    each edge; over the shift that is a set of half planes, which is empty or has a
    corner at the crossing of two of its lines (all are tried).

    Parameters
    ----------
    pegs, sockets : (N, 2) convex outlines in one plane; socket k is peg k's own.

    Returns
    -------
    Turns at which pegs seat wrongly; empty if the set goes home one way only. The run of
    turns next to home, up to PLAY each way with every peg in its own socket, is no other
    way: it is the clearance that lets the set turn a little.
    """
    turns = np.arange(0.0, 360.0, step)
    wrong: set[float] = set()
    for order in permutations(range(len(pegs))):
        home = order == tuple(range(len(pegs)))
        fits = _seats(pegs, [sockets[k] for k in order], turns)
        if home:
            ahead = int(np.argmin(np.r_[fits, False]))
            back = int(np.argmin(np.r_[fits[::-1], False]))
            play = int(PLAY / step)
            fits[: min(ahead, play)] = False
            fits[len(fits) - min(back, play) :] = False
        wrong.update(float(t) for t in turns[fits])
    return sorted(wrong)


def _seats(pegs: list[FloatArray], sockets: list[FloatArray], turns: FloatArray) -> BoolArray:
    """(T,) whether some shift puts each peg in its socket, for each turn."""
    lines, limits = [], []
    c, s = np.cos(np.radians(turns)), np.sin(np.radians(turns))
    for peg, socket in zip(pegs, sockets, strict=True):
        normal = _normals(socket)
        x = c[:, None] * peg[:, 0] - s[:, None] * peg[:, 1]
        y = s[:, None] * peg[:, 0] + c[:, None] * peg[:, 1]
        reach = (x[:, None] * normal[:, 0, None] + y[:, None] * normal[:, 1, None]).max(axis=2)
        lines.append(normal)
        limits.append((socket * normal).sum(axis=1) - reach)
    n, room = np.concatenate(lines), np.concatenate(limits, axis=1)
    i, j = np.triu_indices(len(n), 1)
    det = n[i, 0] * n[j, 1] - n[i, 1] * n[j, 0]
    keep = np.abs(det) > 1e-9
    i, j, det = i[keep], j[keep], det[keep]
    bi, bj = room[:, i], room[:, j]
    x = (bi * n[j, 1] - bj * n[i, 1]) / det
    y = (n[i, 0] * bj - n[j, 0] * bi) / det
    inside = np.ones(x.shape, dtype=bool)
    for k in range(len(n)):
        inside &= x * n[k, 0] + y * n[k, 1] <= room[:, k, None] + 1e-9
    return np.asarray(inside.any(axis=1))


def _normals(outline: FloatArray) -> FloatArray:
    """(N, 2) unit outward normal of the edge that leaves each corner."""
    along = np.roll(outline, -1, axis=0) - outline
    length = np.linalg.norm(along, axis=1, keepdims=True)
    return np.asarray(np.stack([along[:, 1], -along[:, 0]], axis=1) / length)
