"""Mating: which faces of a line seam's two sides lie on each other.

Both sides of a line seam hold the same triangles. What a later seam cuts on one side only
leaves parts of a triangle there and the whole of it on the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from seamwright.contact import boxes_meeting
from seamwright.mesh import BoolArray, FloatArray
from seamwright.outline import IdArray, dot

SAME_PLANE = 1e-6
"""Faces whose normals are opposite to within this (a sine) may lie on each other."""
SAME_SHARE = 1e-6
"""Overlaps less than this share of the smaller face are none."""


@dataclass(frozen=True, eq=False)
class Mates:
    """Pairs of faces that lie on each other: `a` (K,) and `b` (K,), rows of what was given,
    and `area` (K,), mm², of what they share."""

    a: IdArray
    b: IdArray
    area: FloatArray


def sides(triangles: FloatArray, normal: FloatArray) -> BoolArray:
    """(T,) which of a line seam's faces (T, 3, 3) are of side B, looking along the normal.

    Faces that share an edge and go on from each other are of one side; the vector area of a
    side is that of the line, so its sign tells which side it is.

    normal : (3,) of the plane nearest the line, into side A.
    """
    ids = positions(triangles)
    vector = 0.5 * np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    size = np.linalg.norm(vector, axis=1)
    unit = vector / np.maximum(size, 1e-300)[:, None]
    count = int(ids.max(initial=0)) + 1
    start, end = ids.ravel(), ids[:, [1, 2, 0]].ravel()
    row = np.repeat(np.arange(len(ids)), 3)
    # For each edge that runs one way, every one that runs the other.
    key, other = start * count + end, end * count + start
    order = np.argsort(key, kind="stable")
    left = np.searchsorted(key[order], other, side="left")
    right = np.searchsorted(key[order], other, side="right")
    here = np.repeat(row, right - left)
    first = np.repeat(left - np.r_[0, np.cumsum(right - left)[:-1]], right - left)
    there = row[order[first + np.arange(len(here))]]
    # The mirrored copy of a face has the same edges but looks the other way.
    on = dot(unit[here], unit[there]) > -1 + SAME_PLANE
    mirrored = (np.sort(ids[here], axis=1) == np.sort(ids[there], axis=1)).all(axis=1)
    on &= ~mirrored
    graph = coo_matrix(
        (np.ones(int(on.sum()), dtype=np.int8), (here[on], there[on])), shape=(len(ids), len(ids))
    )
    label = connected_components(graph, directed=False)[1]
    along = np.bincount(label, weights=vector @ normal)
    return np.asarray(along[label] > 0)


def matched(triangles: FloatArray, normal: FloatArray) -> tuple[BoolArray, Mates]:
    """The sides of all of a line seam's faces (T, 3, 3), see `sides`, and what of them lies on
    each other, by rows of what was given."""
    on_b = sides(triangles, normal)
    in_a, in_b = np.flatnonzero(~on_b), np.flatnonzero(on_b)
    met = mates(triangles[in_a], triangles[in_b])
    return on_b, Mates(in_a[met.a], in_b[met.b], met.area)


def positions(triangles: FloatArray) -> IdArray:
    """(T, 3) a number for each place at which corners of the (T, 3, 3) triangles are."""
    points = triangles.reshape(-1, 3)
    order = np.lexsort(points.T)
    new = np.r_[True, (points[order[1:]] != points[order[:-1]]).any(axis=1)]
    number = np.empty(len(points), dtype=np.int64)
    number[order] = np.cumsum(new) - 1
    return number.reshape(-1, 3)


def mates(a: FloatArray, b: FloatArray) -> Mates:
    """What of the faces a (N, 3, 3), of side A, lies on b (M, 3, 3), of side B."""
    none = np.zeros(0, dtype=np.int64)
    if not len(a) or not len(b):
        return Mates(none, none, np.zeros(0))
    ids = np.sort(positions(np.concatenate([a, b])), axis=1)
    _, key = np.unique(ids, axis=0, return_inverse=True)
    key = key.ravel()
    both, in_a, in_b = np.intersect1d(key[: len(a)], key[len(a) :], return_indices=True)
    area_a, area_b = areas(a), areas(b)
    rest_a = np.flatnonzero(~np.isin(key[: len(a)], both) & (area_a > 0))
    rest_b = np.flatnonzero(~np.isin(key[len(a) :], both) & (area_b > 0))
    part_a, part_b, part_area = _overlaps(a[rest_a], b[rest_b])
    return Mates(
        np.r_[in_a, rest_a[part_a]],
        np.r_[in_b, rest_b[part_b]],
        np.r_[area_a[in_a], part_area],
    )


def areas(triangles: FloatArray) -> FloatArray:
    """(T,) areas of triangles (T, 3, 3), mm²."""
    u, v = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    return np.asarray(0.5 * np.linalg.norm(np.cross(u, v), axis=1))


def _overlaps(a: FloatArray, b: FloatArray) -> tuple[IdArray, IdArray, FloatArray]:
    """Pairs of faces in one plane that look at each other, and the area they share, mm²."""
    none = np.zeros(0, dtype=np.int64)
    if not len(a) or not len(b):
        return none, none, np.zeros(0)
    within = 1e-9 * float(np.linalg.norm(np.ptp(a.reshape(-1, 3), axis=0)))
    i, j = boxes_meeting(a, b, within)
    up = np.cross(a[i, 1] - a[i, 0], a[i, 2] - a[i, 0])
    up /= np.linalg.norm(up, axis=1)[:, None]
    down = np.cross(b[j, 1] - b[j, 0], b[j, 2] - b[j, 0])
    down /= np.linalg.norm(down, axis=1)[:, None]
    lift = np.abs(np.einsum("pij,pj->pi", b[j] - a[i][:, :1], up)).max(axis=1)
    size = np.linalg.norm(np.ptp(b[j], axis=1), axis=1)
    flat = (dot(up, down) < -1 + SAME_PLANE) & (lift <= SAME_PLANE * size + within)
    found: list[tuple[int, int, float]] = []
    for p in np.flatnonzero(flat).tolist():
        u = a[i[p], 1] - a[i[p], 0]
        u /= np.linalg.norm(u)
        axes = np.stack([u, np.cross(up[p], u)])
        one = manifold3d.CrossSection([(a[i[p]] - a[i[p], 0]) @ axes.T])
        # Seen from side A, side B's face runs the other way round.
        other = manifold3d.CrossSection([((b[j[p]] - a[i[p], 0]) @ axes.T)[::-1].copy()])
        shared = (one ^ other).area()
        if shared > SAME_SHARE * min(one.area(), other.area()):
            found.append((int(i[p]), int(j[p]), shared))
    if not found:
        return none, none, np.zeros(0)
    return (
        np.array([f[0] for f in found]),
        np.array([f[1] for f in found]),
        np.array([f[2] for f in found]),
    )
