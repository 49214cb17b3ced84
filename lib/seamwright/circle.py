"""The smallest circle round points, for many sets of points at once."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from seamwright.hull import Indices
from seamwright.mesh import FloatArray

SLIGHT = 1e-12
"""Share of its radius by which a point may lie outside a circle that holds it: rounding."""

_PAIRS = np.array([(a, b, b) for a, b in combinations(range(4), 2)])
_TRIPLES = np.array(list(combinations(range(4), 3)))


def smallest_circle(points: FloatArray) -> tuple[FloatArray, float]:
    """Centre (2,) and radius of the smallest circle round (N, 2) points; exact to rounding."""
    centre, radius = smallest_circles(points[None])
    return centre[0], float(radius[0])


def smallest_circles(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Centres (B, 2) and radii (B,) of the smallest circles round B sets of points.

    Each circle rests on two or three of its points. The farthest point outside is taken in,
    which makes the circle larger every time, until there is none: E. Welzl, "Smallest
    enclosing disks (balls and ellipsoids)", LNCS 555 (1991) 359, with the farthest point first
    as in B. Gärtner, "Fast and robust smallest enclosing balls", ESA 1999.

    Parameters
    ----------
    points : (B, N, 2) mm, N at least 1.
    """
    rows = np.arange(len(points))
    middle = points.mean(axis=1, keepdims=True)
    first = _farthest(points, middle)
    second = _farthest(points, points[rows, first][:, None])
    held = points[rows[:, None], np.stack([first, second, second, second], axis=1)]
    centre, radius = np.empty((len(points), 2)), np.empty(len(points))
    left = rows
    # It ends by itself; the bound only guards against rounding that goes round in circles.
    for _ in range(100):
        centre[left], radius[left], held = _round_four(held)
        far = _farthest(points[left], centre[left][:, None])
        outermost = points[left, far]
        away = np.linalg.norm(outermost - centre[left], axis=1)
        out = away > radius[left] * (1 + SLIGHT)
        if not out.any():
            break
        held[:, 3] = outermost
        left, held = left[out], held[out]
    return centre, radius


def _farthest(points: FloatArray, middle: FloatArray) -> Indices:
    """(B,) which of each set's points is farthest from its middle (B, 1, 2)."""
    away = points - middle
    return np.asarray(np.einsum("bni,bni->bn", away, away).argmax(axis=1))


def _round_four(four: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Centre, radius and the three points it rests on, of the smallest circles round (B, 4, 2)."""
    pair = four[:, _PAIRS]
    centres = [(pair[:, :, 0] + pair[:, :, 1]) / 2]
    a, b, c = (four[:, _TRIPLES[:, k]] for k in range(3))
    u, v = b - a, c - a
    twice = 2 * (u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])
    uu, vv = (u * u).sum(axis=-1), (v * v).sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = (v[..., 1] * uu - u[..., 1] * vv) / twice
        y = (u[..., 0] * vv - v[..., 0] * uu) / twice
    centres.append(a + np.stack([x, y], axis=-1))
    centre = np.concatenate(centres, axis=1)
    # What holds all four has the farthest of them as its radius, and the least is the one;
    # three in a line have no circle, and another pair holds them.
    away = np.linalg.norm(centre[:, :, None] - four[:, None], axis=3).max(axis=2)
    away[~np.isfinite(away)] = np.inf
    best, rows = away.argmin(axis=1), np.arange(len(four))
    rests = np.concatenate([_PAIRS, _TRIPLES])[best]
    held = four[rows[:, None], np.concatenate([rests, rests[:, :1]], axis=1)]
    return centre[rows, best], away[rows, best], held
