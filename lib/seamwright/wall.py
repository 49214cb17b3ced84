"""Walls: the exact least distance between the body of a peg or socket and the skin."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from seamwright.mesh import BoolArray, FloatArray
from seamwright.outline import dot, point_segment_distance


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
    near = skin[_may_be_nearest(body, skin)]
    best, where = float("inf"), near[0, 0]
    # Keep each block of pairs to a few megabytes.
    block = max(1, 40_000 // len(body))
    for start in range(0, len(near), block):
        some = near[start : start + block]
        gap = _pair_distances(some[:, None], body[None]).min(axis=1)
        k = int(np.argmin(gap))
        if gap[k] < best:
            best, where = float(gap[k]), some[k].mean(axis=0)
    return best, np.asarray(where)


def sampled(triangles: FloatArray, spacing: float) -> FloatArray:
    """(K, 3) points on every triangle, no farther than about `spacing` mm from each other.

    Rows run along each triangle's longest edge, so a needle gets a row and not a field.
    """
    if not len(triangles):
        return np.zeros((0, 3))
    sides = np.linalg.norm(np.roll(triangles, -1, axis=1) - triangles, axis=2)
    turn = (np.argmax(sides, axis=1)[:, None] + np.arange(3)) % 3
    t = np.take_along_axis(triangles, turn[:, :, None], axis=1)
    base, tip = t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]
    length = np.linalg.norm(base, axis=1)
    height = np.linalg.norm(np.cross(base, tip), axis=1) / np.maximum(length, 1e-12)
    along = np.ceil(length / spacing).astype(int)
    across = np.ceil(height / spacing).astype(int)
    points = [t.reshape(-1, 3)]
    large = (along > 1) | (across > 1)
    for n, m in np.unique(np.stack([along[large], across[large]], axis=1), axis=0):
        some = large & (along == n) & (across == m)
        x = np.arange(n + 1) / n
        y = np.arange(m + 1) / max(m, 1)
        # A row at height y keeps the share 1 - y of the base, so rows shrink to the tip.
        share_tip = np.repeat(y, n + 1)
        share_base = (np.outer(1 - y, x)).ravel()
        grid = (
            t[some, 0][:, None]
            + share_base[None, :, None] * base[some][:, None]
            + share_tip[None, :, None] * tip[some][:, None]
        )
        points.append(grid.reshape(-1, 3))
    return np.concatenate(points)


def _may_be_nearest(body: FloatArray, skin: FloatArray) -> BoolArray:
    """(N,) which skin triangles can hold the nearest point, by distances to samples of the body."""
    spacing = max(float(np.ptp(body.reshape(-1, 3), axis=0).max()) / 12, 1e-6)
    tree = cKDTree(sampled(body, spacing))
    reach = np.linalg.norm(np.roll(skin, -1, axis=1) - skin, axis=2).max(axis=1)
    centre = skin.mean(axis=1)
    distance, _ = tree.query(centre)
    # A centroid is within 2/3 of the longest edge of every point of its triangle.
    lowest = distance - spacing - reach * (2 / 3)
    return np.asarray(lowest <= distance.min())


def _pair_distances(a: FloatArray, b: FloatArray) -> FloatArray:
    """Distance of triangle pairs; (..., 3, 3) arrays broadcast together."""
    shape = np.broadcast_shapes(a.shape, b.shape)
    a, b = np.broadcast_to(a, shape), np.broadcast_to(b, shape)
    best = np.full(shape[:-2], np.inf)
    for i in range(3):
        best = np.minimum(best, point_triangle_distance(a[..., i, :], b))
        best = np.minimum(best, point_triangle_distance(b[..., i, :], a))
        p, p2 = a[..., i, :], a[..., (i + 1) % 3, :]
        best[pierced(p, p2, b)] = 0.0
        best[pierced(b[..., i, :], b[..., (i + 1) % 3, :], a)] = 0.0
        for j in range(3):
            gap = segment_distance(p, p2, b[..., j, :], b[..., (j + 1) % 3, :])
            best = np.minimum(best, gap)
    return np.asarray(best)


def point_triangle_distance(p: FloatArray, t: FloatArray) -> FloatArray:
    """Distance of points (..., 3) to triangles (..., 3, 3): over the face, else to an edge."""
    a, b, c = t[..., 0, :], t[..., 1, :], t[..., 2, :]
    normal = np.cross(b - a, c - a)
    squared = dot(normal, normal)
    height = dot(p - a, normal)
    over = squared > 0
    best = np.full(squared.shape, np.inf)
    for u, v in ((a, b), (b, c), (c, a)):
        over = over & (dot(np.cross(v - u, p - u), normal) >= 0)
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
    h, q = np.cross(d, e2), np.cross(s, e1)
    det = dot(e1, h)
    size = np.sqrt(dot(e1, e1) * dot(e2, e2) * dot(d, d))
    level = np.abs(det) <= 1e-10 * size
    inverse = 1.0 / np.where(level, 1.0, det)
    u, v, at = dot(s, h) * inverse, dot(d, q) * inverse, dot(e2, q) * inverse
    inside = (u >= 0) & (v >= 0) & (u + v <= 1) & (at >= 0) & (at <= 1)
    return np.asarray(inside & ~level)
