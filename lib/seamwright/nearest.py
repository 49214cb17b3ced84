"""The face of a mesh nearest each of many points: exact, and quick where they lie close."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from seamwright.mesh import FloatArray, IntArray, Mesh
from seamwright.outline import IdArray, dot
from seamwright.wall import point_triangle_distance

BLOCK = 4096
"""Points looked up at once: keeps the lists of candidates to a few megabytes."""


@dataclass(frozen=True, eq=False)
class Sizes:
    """Faces of about one size: their ids, the tree of their middles, and how far they reach."""

    faces: IntArray
    middles: cKDTree
    reach: float


def nearest_faces(mesh: Mesh, points: FloatArray) -> tuple[IntArray, FloatArray]:
    """The face nearest each point, the first of equals, and how far off it is.

    Parameters
    ----------
    mesh : with at least one face.
    points : (N, 3) mm.

    Returns
    -------
    faces : (N,) indices.
    distances : (N,) mm, to the triangles and not to their middles.
    """
    corners = mesh.vertices[mesh.faces]
    sizes = by_size(corners)
    found = np.zeros(len(points), dtype=np.int32)
    distance = np.full(len(points), np.inf)
    for start in range(0, len(points), BLOCK):
        some = points[start : start + BLOCK]
        # No nearest face is farther than the one with the nearest middle.
        bound = np.full(len(some), np.inf)
        for size in sizes:
            first = size.faces[size.middles.query(some)[1]]
            bound = np.minimum(bound, point_triangle_distance(some, corners[first]))
        for size in sizes:
            for point, face in _candidates(size, some, bound):
                gap = point_triangle_distance(some[point], corners[face])
                order = np.lexsort((face, gap, point))
                best = order[np.r_[True, np.diff(point[order]) > 0]]
                rows, near, which = start + point[best], gap[best], face[best]
                better = (near < distance[rows]) | (
                    (near == distance[rows]) & (which < found[rows])
                )
                distance[rows[better]], found[rows[better]] = near[better], which[better]
    return found, distance


def by_size(corners: FloatArray) -> list[Sizes]:
    """Faces (F, 3, 3) put together by size, each group up to twice as large as its least.

    So that one huge face does not make every small one a candidate.
    """
    middle = corners.mean(axis=1)
    arm = corners - middle[:, None]
    reach = np.sqrt(dot(arm, arm)).max(axis=1)
    scale = np.floor(np.log2(np.maximum(reach, 1e-9 * max(float(reach.max()), 1e-300))))
    groups = []
    for step in np.unique(scale):
        faces = np.flatnonzero(scale == step).astype(np.int32)
        groups.append(Sizes(faces, cKDTree(middle[faces]), float(reach[faces].max())))
    return groups


def _candidates(
    size: Sizes, points: FloatArray, bound: FloatArray
) -> Iterator[tuple[IdArray, IntArray]]:
    """Pairs of a point and a face that may be nearer to it than `bound`, mm."""
    # A hair more, for rounding.
    lists = size.middles.query_ball_point(points, (bound + size.reach) * (1 + 1e-12))
    counts = np.fromiter(map(len, lists), dtype=np.int64, count=len(lists))
    if counts.sum():
        rows = np.concatenate([np.asarray(row, dtype=np.int64) for row in lists if row])
        yield np.repeat(np.arange(len(points)), counts), size.faces[rows]
