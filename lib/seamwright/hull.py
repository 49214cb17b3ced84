"""The convex hull of a piece: all that matters for whether it fits."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, QhullError
from scipy.spatial.distance import pdist

from seamwright.mesh import FloatArray

Floats = npt.NDArray[np.floating[Any]]
Indices = npt.NDArray[np.intp]

HULL_LIMIT = 20_000
"""Points beyond which the whole hull is not built: smooth round scans keep them all."""

CORE_LIMIT = 640
"""Most hull vertices that a search uses as they are; it takes as many extremes of more."""

THIN_LIMIT = 160
"""Most hull vertices that the first look at many thousand rotations uses."""


def half_sphere(count: int) -> FloatArray:
    """(count, 3) axes spread over half the sphere: a golden-angle spiral."""
    z = (np.arange(count) + 0.5) / count
    angle = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    r = np.sqrt(1.0 - z * z)
    return np.stack([r * np.cos(angle), r * np.sin(angle), z], axis=1)


def extreme(points: Floats, axes: Floats) -> Indices:
    """Indices of the points that are first or last along any of `axes`."""
    rows = np.arange(len(axes))
    best = np.full((2, len(axes)), -np.inf)
    index = np.zeros((2, len(axes)), dtype=np.intp)
    for start in range(0, len(points), 8192):
        along = axes @ points[start : start + 8192].T
        for side, at in enumerate((along.argmax(axis=1), along.argmin(axis=1))):
            value = along[rows, at] * (1 - 2 * side)
            better = value > best[side]
            best[side, better] = value[better]
            index[side, better] = at[better] + start
    return np.asarray(np.unique(index))


def not_inside(points: FloatArray, axes: FloatArray) -> FloatArray:
    """The points that may be hull vertices: the extremes along some axes, and all outside these.

    S. G. Akl & G. T. Toussaint, "A fast convex hull algorithm", Inf. Proc. Letters 7
    (1978) 219. A point in a face of the extremes' hull is no vertex either, so that a flat
    side goes too; rounding alone can put it 1e-12 of the size outside.
    """
    first = extreme(points, axes)
    try:
        planes = ConvexHull(points[first]).equations
    except QhullError:
        return corners(points) if points.shape[1] == 3 else points
    slight = 1e-12 * max(float(points.max()), -float(points.min()))
    step = max(256, 2**17 // len(planes))
    kept = np.empty(len(points), dtype=bool)
    for start in range(0, len(points), step):
        height = planes[:, :-1] @ points[start : start + step].T
        height += planes[:, -1:]
        kept[start : start + step] = height.max(axis=0) > slight
    kept[first] = True
    return np.asarray(points[kept])


def outer(points: FloatArray) -> FloatArray:
    """(H, 3) points with the same hull as `points`: its vertices, unless there are too many."""
    for axes, most in ((6, np.inf), (24, np.inf), (96, 100_000)):
        if 1000 < len(points) < most:
            points = not_inside(points, half_sphere(axes))
    return points if len(points) > HULL_LIMIT else corners(points)


def corners(points: FloatArray) -> FloatArray:
    """(H, 3) hull vertices of points that may lie in a plane, on a line or in one place."""
    try:
        return np.asarray(points[ConvexHull(points).vertices])
    except QhullError:
        # Too few points, or all in a plane to within rounding: see which below.
        first = points[np.linalg.norm(points, axis=1).argmax()]
    away = points - first
    long = away[np.linalg.norm(away, axis=1).argmax()]
    length = float(np.linalg.norm(long))
    if length == 0.0:
        return points[:1]
    u = long / length
    aside = away - np.outer(away @ u, u)
    wide = aside[np.linalg.norm(aside, axis=1).argmax()]
    if np.linalg.norm(wide) <= 1e-12 * length:
        return np.stack([first, first + long])
    v = wide / np.linalg.norm(wide)
    if np.abs(away @ np.cross(u, v)).max() > 1e-9 * length:
        return np.unique(points, axis=0)
    return np.asarray(points[outline_of(np.stack([away @ u, away @ v], axis=1))])


def core_of(points: FloatArray) -> FloatArray:
    """(C, 3) hull vertices that stand in for all: every one of them if they are few."""
    if len(points) <= CORE_LIMIT:
        return points
    # Of two points as far out to single precision either will do, and it takes half the time.
    axes = half_sphere(CORE_LIMIT // 2).astype(np.float32)
    return corners(points[extreme(points.astype(np.float32), axes)])


def thinned(core: FloatArray) -> FloatArray:
    """(C, 3) fewer hull vertices yet, which tell many rotations roughly apart."""
    if len(core) <= THIN_LIMIT:
        return core
    return np.asarray(core[extreme(core, half_sphere(THIN_LIMIT // 2))])


def outline_of(points: FloatArray) -> Indices:
    """Indices of the hull vertices of (N, 2) points, counter-clockwise."""
    try:
        return np.asarray(ConvexHull(points).vertices, dtype=np.intp)
    except QhullError:
        # On a line to within rounding, about 1e-13 of its length: its two ends.
        a = np.linalg.norm(points - points.mean(axis=0), axis=1).argmax()
        b = np.linalg.norm(points - points[a], axis=1).argmax()
        return np.asarray(np.unique([a, b]))


def edges_of(hull: ConvexHull) -> tuple[Indices, Indices, FloatArray]:
    """(E, 2) facets on either side, (E, 2) vertices and (E, 3) vector of each edge of a hull."""
    facet, corner = np.nonzero(hull.neighbors > np.arange(len(hull.simplices))[:, None])
    ends = np.stack([hull.simplices[facet, (corner + k) % 3] for k in (1, 2)], axis=1)
    along = hull.points[ends[:, 1]] - hull.points[ends[:, 0]]
    return np.stack([facet, hull.neighbors[facet, corner]], axis=1), ends, along


def longest_span(core: FloatArray) -> FloatArray:
    """(3,) the longest span between two of two or more points."""
    a, b = np.triu_indices(len(core), 1)
    at = pdist(core).argmax()
    return np.asarray(core[a[at]] - core[b[at]])


def contact_axes(core: FloatArray) -> FloatArray:
    """(M, 3) unit normals of the hull's faces and directions of its edges."""
    try:
        hull = ConvexHull(core)
        axes = np.concatenate([hull.equations[:, :3], edges_of(hull)[2]])
    except QhullError:
        along = np.roll(core, -1, axis=0) - core
        axes = np.concatenate([along, np.cross(along[:1], along[-1:])])
    length = np.linalg.norm(axes, axis=1)
    return np.asarray(axes[length > 0] / length[length > 0, None])


def sizes(points: FloatArray, turn: FloatArray) -> FloatArray:
    """(3,) extents of (N, 3) points in one rotation, mm."""
    return np.asarray(np.ptp(turn @ points.T, axis=1))
