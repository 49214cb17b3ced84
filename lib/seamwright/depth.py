"""Depth: how far inside a figure's material points are, and which way is deeper."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from seamwright.adjacency import EdgeTable
from seamwright.mesh import FloatArray, Mesh
from seamwright.nearest import Sizes, by_size
from seamwright.outline import IdArray, dot
from seamwright.wall import point_triangle_distance

NEAREST = 12
"""Faces of each size that are looked at for each point: those with the nearest middles."""
ON_RIM = 1e-9
"""A corner whose weight in a face's nearest place is below this has no part in it."""


@dataclass(frozen=True, eq=False)
class Depths:
    """Some faces of a figure, made ready for telling depths under them.

    What side of the skin a point is on is told by the normal at the nearest place of it; at
    an edge or a vertex that is the mean of the faces', weighted by their angles: Bærentzen &
    Aanæs, "Signed distance computation using the angle weighted pseudonormal", IEEE TVCG 11,
    2005. The nearest face is looked for among a few only, so a depth is a good guess.

    skin : the faces. sizes : they, by size. of_faces : (F, 3) unit normals. of_edges :
    (F, 3, 3) normals of each face's edges, from corner k on. of_vertices : (V, 3).
    """

    skin: Mesh
    sizes: list[Sizes]
    of_faces: FloatArray
    of_edges: FloatArray
    of_vertices: FloatArray

    @staticmethod
    def of(figure: Mesh, rows: IdArray) -> Depths:
        """Depths under the chosen faces (K,) of a figure, at least one."""
        used, corner = np.unique(figure.faces[rows].ravel(), return_inverse=True)
        skin = Mesh.of(figure.vertices[used], corner.reshape(-1, 3))
        corners = skin.vertices[skin.faces]
        ahead, back = np.roll(corners, -1, axis=1) - corners, np.roll(corners, 1, axis=1) - corners
        across = np.cross(ahead, back)
        twice = np.sqrt(dot(across, across))
        normal = across[:, 0] / np.maximum(twice[:, :1], 1e-300)
        angle = np.arctan2(twice, dot(ahead, back))
        weighted = (angle[:, :, None] * normal[:, None]).reshape(-1, 3)
        at = [
            np.bincount(skin.faces.ravel(), weighted[:, k], minlength=len(used)) for k in range(3)
        ]
        mate = EdgeTable.of(skin.faces, len(used)).mate
        edge = np.repeat(normal, 3, axis=0)
        edge[mate >= 0] += normal[mate[mate >= 0] // 3]
        return Depths(
            skin, _few_sizes(corners), normal, edge.reshape(-1, 3, 3), np.stack(at, axis=1)
        )

    def at(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How deep points (N, 3) are, mm, below 0 outside; and (N, 3) unit ways deeper in."""
        face = self._nearest(points)
        tri = self.skin.vertices[self.skin.faces[face]]
        weights = nearest_weights(points, tri)
        normal = self.of_faces[face].copy()
        part = weights > ON_RIM
        edge, tip = (np.flatnonzero(part.sum(axis=1) == k) for k in (2, 1))
        normal[edge] = self.of_edges[face[edge], (np.argmin(part[edge], axis=1) + 1) % 3]
        normal[tip] = self.of_vertices[self.skin.faces[face[tip], np.argmax(part[tip], axis=1)]]
        off = points - np.einsum("nk,nkx->nx", weights, tri)
        inside = dot(off, normal) < 0
        gap = np.sqrt(dot(off, off))
        # Right on the skin the way in is against its normal.
        on = gap <= ON_RIM * self.skin.diagonal
        way = np.where(on[:, None], -normal, np.where(inside[:, None], off, -off))
        size = np.maximum(np.sqrt(dot(way, way)), 1e-300)
        return np.where(inside, gap, -gap), way / size[:, None]

    def _nearest(self, points: FloatArray) -> IdArray:
        """(N,) the nearest face to each point, of those looked at."""
        best = np.full(len(points), np.inf)
        found = np.zeros(len(points), dtype=np.int64)
        # Most faces first: then the rest have few points to look at.
        for size in sorted(self.sizes, key=lambda size: -len(size.faces)):
            count = min(NEAREST, len(size.faces))
            away, near = size.middles.query(points, k=[*range(1, count + 1)])
            point, k = np.nonzero(away - size.reach < best[:, None])
            face = size.faces[near[point, k]]
            gap = point_triangle_distance(points[point], self.skin.vertices[self.skin.faces[face]])
            order = np.lexsort((gap, point))
            order = order[np.r_[True, np.diff(point[order]) > 0][: len(order)]]
            order = order[gap[order] < best[point[order]]]
            best[point[order]], found[point[order]] = gap[order], face[order]
        return found


def _few_sizes(corners: FloatArray) -> list[Sizes]:
    """Faces (F, 3, 3) put together by size, the smaller half of them as one.

    Small faces do no harm among larger ones, and every size costs a search.
    """
    sizes = by_size(corners)
    count = np.cumsum([len(size.faces) for size in sizes])
    small = 1 + int(np.searchsorted(count, len(corners) / 2))
    faces = np.concatenate([size.faces for size in sizes[:small]])
    middles = cKDTree(corners[faces].mean(axis=1))
    return [Sizes(faces, middles, sizes[small - 1].reach), *sizes[small:]]


def nearest_weights(points: FloatArray, tri: FloatArray) -> FloatArray:
    """(N, 3) weights of the corners (N, 3, 3) that give each triangle's place nearest a point."""
    best = np.full(len(points), np.inf)
    weights = np.zeros((len(points), 3))
    row = np.arange(len(points))
    for i, j in ((0, 1), (1, 2), (2, 0)):
        along = tri[:, j] - tri[:, i]
        off = points - tri[:, i]
        t = np.clip(dot(off, along) / np.maximum(dot(along, along), 1e-300), 0.0, 1.0)
        off = off - t[:, None] * along
        nearer = np.flatnonzero(dot(off, off) < best)
        best[nearer] = dot(off, off)[nearer]
        weights[nearer] = 0.0
        weights[nearer, i], weights[nearer, j] = 1 - t[nearer], t[nearer]
    normal = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    heights = np.stack(
        [
            dot(np.cross(tri[:, j] - tri[:, i], points - tri[:, i]), normal)
            for i, j in ((1, 2), (2, 0), (0, 1))
        ],
        axis=1,
    )
    over = row[(heights >= 0).all(axis=1) & (heights.sum(axis=1) > 0)]
    weights[over] = heights[over] / heights[over].sum(axis=1)[:, None]
    return weights
