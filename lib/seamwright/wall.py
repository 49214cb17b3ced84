"""Walls: the exact least distance between the body of a peg or socket and the skin."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from seamwright.mesh import BoolArray, FloatArray
from seamwright.outline import IdArray, dot, point_segment_distance

FINE = 12
"""Samples of a body along its longest side, by which far skin is told from near."""


def least_distance(body: FloatArray, skin: FloatArray) -> tuple[float, FloatArray]:
    """Least distance between two sets of triangles, and the place on the skin.

    Exact: vertices against triangles, edges against edges, and edges through
    triangles. Triangles too far off to matter are dropped first by bounds.

    Parameters
    ----------
    body : (B, 3, 3) triangles of a closed body, mm.
    skin : (N, 3, 3) triangles, mm.

    Returns
    -------
    Distance, mm (0 if they touch or cross; inf if there is no skin), and a (3,) point.
    """
    if not len(skin):
        return float("inf"), np.zeros(3)
    near, lowest, limit = _may_be_nearest(body, skin)
    centre, reach = _spheres(skin[near])
    middle, size = _spheres(body)
    best, where = float("inf"), int(near[0])
    start, count = 0, 32
    # The nearest by bounds first: soon nothing else can be as near.
    while start < len(near) and lowest[start] <= limit:
        some = slice(start, start + count)
        way = centre[some, None] - middle
        apart = np.sqrt(dot(way, way)) - reach[some, None] - size
        i, j = np.nonzero(apart <= limit + 1e-9)
        i += start
        away = point_triangle_distance(centre[i], body[j])
        within = min(limit, float(away.min(initial=limit)))
        lower = away - reach[i]
        close = lower <= within + 1e-9
        i, j, lower = i[close], j[close], lower[close]
        # A needle's ball holds all; the balls of a body's triangles are smaller.
        lower = np.maximum(lower, point_triangle_distance(middle[j], skin[near[i]]) - size[j])
        least, first = _least(skin, body, near[i], j, lower, within)
        if least < np.inf and (best == np.inf or (least, first) < (best, where)):
            best, where = least, first
        limit = min(limit, best)
        # Blocks of a few megabytes at most.
        start, count = start + count, min(8 * count, max(16, 40_000 // len(body)))
    return best, np.asarray(skin[where].mean(axis=0))


def _least(
    skin: FloatArray, body: FloatArray, i: IdArray, j: IdArray, lower: FloatArray, limit: float
) -> tuple[float, int]:
    """Least distance of pairs of triangles, i of the skin and j of the body, and which of the
    skin's it is; inf if all are beyond the limit.

    lower : (N,) the least that each pair's distance can be, mm.
    """
    order = np.argsort(lower, kind="stable")
    i, j, lower = i[order], j[order], lower[order]
    best, where = float("inf"), 0
    start, count = 0, 256
    while start < len(order) and lower[start] <= limit + 1e-9:
        some = slice(start, start + count)
        gap = _pair_distances(skin[i[some]], body[j[some]])
        least = float(gap.min())
        # Of several as near the first, as where they share a corner.
        first = int(i[some][gap == least].min())
        if best == np.inf or (least, first) < (best, where):
            best, where = least, first
        limit = min(limit, best)
        start, count = start + count, min(4 * count, 8192)
    return best, where


def _spheres(triangles: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(N, 3) middles and (N,) radii of balls that hold triangles (N, 3, 3), mm."""
    middle = triangles.mean(axis=1)
    out = triangles - middle[:, None]
    return middle, np.asarray(np.sqrt(dot(out, out).max(axis=1)))


def sampled(triangles: FloatArray, spacing: float, most: float = np.inf) -> FloatArray:
    """(K, 3) points on every triangle, no farther than about `spacing` mm from each other.

    Rows run along each triangle's longest edge, so a needle gets a row and not a field.

    most : points besides the corners; where more would be needed they lie farther apart.
    """
    return np.concatenate([triangles.reshape(-1, 3), between_corners(triangles, spacing, most)])


def between_corners(triangles: FloatArray, spacing: float, most: float = np.inf) -> FloatArray:
    """(K, 3) the points of `sampled` that are no corners; none on triangles that are small."""
    sides = np.roll(triangles, -1, axis=1) - triangles
    squared = dot(sides, sides)
    large = squared.max(axis=1, initial=0.0) > spacing**2
    if not large.any():
        return np.zeros((0, 3))
    squared, t = squared[large], triangles[large]
    turn = (np.argmax(squared, axis=1)[:, None] + np.arange(3)) % 3
    t = np.take_along_axis(t, turn[:, :, None], axis=1)
    base, tip = t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]
    length = np.sqrt(squared.max(axis=1))
    normal = _cross(base, tip)
    height = np.sqrt(dot(normal, normal)) / np.maximum(length, 1e-12)
    shape = np.stack([length, height], axis=1)
    steps = np.maximum(np.ceil(shape / spacing), 1)
    while float(((steps[:, 0] + 1) * steps[:, 1]).sum()) > most and (steps > 1).any():
        # A sculpt of many metres has faces on which millimetres do not matter.
        spacing *= 2
        steps = np.maximum(np.ceil(shape / spacing), 1)
    kinds, rows = _kinds(steps.astype(np.int64))
    points = []
    for (n, m), some in zip(kinds.tolist(), rows, strict=True):
        x, y = np.arange(n + 1) / n, np.arange(m) / m
        # A row at height y keeps the share 1 - y of the base, so rows shrink to the tip;
        # the first without its ends, and without the tip.
        share_tip = np.repeat(y, n + 1)[1:]
        share_base = np.outer(1 - y, x).ravel()[1:]
        inner = np.arange(len(share_tip)) != n - 1
        grid = (
            t[some, 0][:, None]
            + share_base[inner][None, :, None] * base[some][:, None]
            + share_tip[inner][None, :, None] * tip[some][:, None]
        )
        points.append(grid.reshape(-1, 3))
    return np.concatenate(points)


def _kinds(steps: IdArray) -> tuple[IdArray, list[IdArray]]:
    """Each pair of numbers that (N, 2) holds, ascending, and the rows that hold it, in order."""
    # One number for two sorts many times faster.
    number = steps[:, 0] * (int(steps[:, 1].max()) + 1) + steps[:, 1]
    order = np.argsort(number, kind="stable")
    first = np.flatnonzero(np.diff(number[order], prepend=-1))
    return steps[order[first]], np.split(order, first[1:])


def _may_be_nearest(body: FloatArray, skin: FloatArray) -> tuple[IdArray, FloatArray, float]:
    """Skin triangles that can hold the nearest point, by distances to samples of the body.

    Returns
    -------
    Their rows, (K,) the least that the distance of each can be, ascending, mm, and the most
    that the least of all can be.
    """
    corners = body.reshape(-1, 3)
    low, high = corners.min(axis=0), corners.max(axis=0)
    centre, reach = _spheres(skin)
    # Most of the skin is told to be far by the body's box alone.
    out = np.maximum(np.maximum(low - centre, centre - high), 0.0)
    away = np.sqrt(dot(out, out))
    spacing = max(float((high - low).max()) / FINE, 1e-6)
    tree = cKDTree(sampled(body, spacing))
    few = np.argpartition(away, min(32, len(away) - 1))[:32]
    limit = float(tree.query(centre[few])[0].min())
    rows = np.flatnonzero(away - reach <= limit)
    distance = tree.query(centre[rows])[0]
    limit = min(limit, float(distance.min()))
    # No point of the body is farther from a sample than half a space along its row and one
    # across.
    lowest = np.maximum(away[rows], distance - np.sqrt(1.25) * spacing) - reach[rows]
    order = np.argsort(lowest, kind="stable")
    order = order[lowest[order] <= limit]
    return rows[order], lowest[order], limit


def _pair_distances(a: FloatArray, b: FloatArray) -> FloatArray:
    """(N,) distance of each pair of triangles, (N, 3, 3) and (N, 3, 3)."""
    # Corners first, (3, N, 3): every corner or edge of one against the other's in one go.
    p, q = np.ascontiguousarray(a.swapaxes(0, 1)), np.ascontiguousarray(b.swapaxes(0, 1))
    p2, q2 = np.roll(p, -1, axis=0), np.roll(q, -1, axis=0)
    best = np.minimum(
        point_triangle_distance(p, b).min(axis=0), point_triangle_distance(q, a).min(axis=0)
    )
    gap = segment_distance(p[:, None], p2[:, None], q, q2).min(axis=(0, 1))
    best = np.minimum(best, gap)
    # Only what is not apart as a whole can cross.
    (middle, out), (other, far) = _spheres(a), _spheres(b)
    way = middle - other
    k = np.flatnonzero(np.sqrt(dot(way, way)) <= out + far + 1e-9)
    if len(k):
        through = pierced(p[:, k], p2[:, k], b[k]) | pierced(q[:, k], q2[:, k], a[k])
        best[k[through.any(axis=0)]] = 0.0
    return np.asarray(best)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Vector products along the last axis, of (..., 3); several times faster than numpy's."""
    (ax, ay, az), (bx, by, bz) = (np.moveaxis(v, -1, 0) for v in (a, b))
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=-1)


def point_triangle_distance(p: FloatArray, t: FloatArray) -> FloatArray:
    """Distance of points (..., 3) to triangles (..., 3, 3): over the face, else to an edge."""
    a, b, c = t[..., 0, :], t[..., 1, :], t[..., 2, :]
    normal = _cross(b - a, c - a)
    squared = dot(normal, normal)
    height = dot(p - a, normal)
    over = squared > 0
    best = np.full(squared.shape, np.inf)
    for u, v in ((a, b), (b, c), (c, a)):
        over = over & (dot(_cross(v - u, p - u), normal) >= 0)
        best = np.minimum(best, point_segment_distance(p, u, v))
    flat = np.abs(height) / np.sqrt(np.where(squared > 0, squared, 1.0))
    return np.asarray(np.where(over, flat, best))


def segment_distance(p: FloatArray, p2: FloatArray, q: FloatArray, q2: FloatArray) -> FloatArray:
    """Least distance of segments p-p2 and q-q2, arrays (..., 3), mm.

    The clamped closest points of Ericson, "Real-Time Collision Detection" (2005), 5.1.9.
    """
    d1, d2, r = p2 - p, q2 - q, p - q
    a, e = dot(d1, d1), dot(d2, d2)
    b, c, f = dot(d1, d2), dot(d1, r), dot(d2, r)
    det = a * e - b * b
    s = np.clip((b * f - c * e) / np.where(det > 0, det, 1.0), 0.0, 1.0)
    s = np.where(det > 1e-14 * a * e, s, 0.0)
    t = (b * s + f) / np.where(e > 0, e, 1.0)
    clamped = np.clip(t, 0.0, 1.0)
    s = np.clip((b * clamped - c) / np.where(a > 0, a, 1.0), 0.0, 1.0)
    gap = (p + s[..., None] * d1) - (q + clamped[..., None] * d2)
    return np.asarray(np.sqrt(dot(gap, gap)))


def pierced(p: FloatArray, p2: FloatArray, t: FloatArray) -> BoolArray:
    """Which segments pass through triangles, not counting those within their plane.

    p, p2 : (..., 3). t : (..., 3, 3). Arrays broadcast together.

    Möller & Trumbore, "Fast, minimum storage ray/triangle intersection", 1997.
    """
    a = t[..., 0, :]
    e1, e2, d, s = t[..., 1, :] - a, t[..., 2, :] - a, p2 - p, p - a
    h, q = _cross(d, e2), _cross(s, e1)
    det = dot(e1, h)
    size = np.sqrt(dot(e1, e1) * dot(e2, e2) * dot(d, d))
    level = np.abs(det) <= 1e-10 * size
    inverse = 1.0 / np.where(level, 1.0, det)
    u, v, at = dot(s, h) * inverse, dot(d, q) * inverse, dot(e2, q) * inverse
    inside = (u >= 0) & (v >= 0) & (u + v <= 1) & (at >= 0) & (at <= 1)
    return np.asarray(inside & ~level)
