"""Patches: the connected faces that a seam leaves on a mesh, and the area they cover."""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from seamwright.frame import Frame
from seamwright.mesh import IntArray, Mesh
from seamwright.outline import IdArray, Region, regions_of

SAME_AREA = 1e-6
"""Share of a patch's area within which two areas are taken for the same."""


@dataclass(frozen=True, eq=False)
class Patch:
    """One connected seam face.

    faces : (N,) indices into the mesh's faces.
    on_b : whether it is of side B, which looks along the seam's normal.
    region : in the seam's frame.
    """

    faces: IntArray
    on_b: bool
    region: Region


def patches(mesh: Mesh, tag: int, frame: Frame, among: IntArray | None = None) -> list[Patch]:
    """The connected faces with a seam's tag, each with its side and region.

    The side is a patch's as a whole: a cap's needles may have no normal of their own, and
    a patch of nothing but needles has no region and is left out.

    Parameters
    ----------
    among : face indices to look at; all if None.
    """
    rows = np.flatnonzero(mesh.tag == tag) if among is None else among[mesh.tag[among] == tag]
    rows = rows.astype(np.int32)
    if not len(rows):
        return []
    label = edge_connected(mesh.faces[rows].astype(np.int64))
    along = np.bincount(label, weights=mesh.face_vectors_of(rows) @ frame.normal)
    found = []
    for k in range(len(along)):
        faces = rows[label == k]
        regions, _ = boundary(mesh, faces, frame)
        found += [Patch(faces, bool(along[k] > 0), region) for region in regions[:1]]
    return found


def boundary(mesh: Mesh, rows: IntArray, frame: Frame) -> tuple[tuple[Region, ...], IdArray]:
    """The regions that chosen faces in a plane cover, and their rim's directed edges.

    Returns
    -------
    Regions in the frame, counter-clockwise whichever side the faces are on, and (S, 2)
    vertex ids: region segment k runs from the first to the second.
    """
    faces = mesh.faces[rows].astype(np.int64)
    if len(faces) and mesh.face_vectors_of(rows).sum(axis=0) @ frame.normal < 0:
        faces = faces[:, ::-1]
    start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    count = len(mesh.vertices)
    inner = np.isin(start * count + end, end * count + start)
    rim = np.stack([start[~inner], end[~inner]], axis=1)
    regions, _ = regions_of(rim, lambda nodes: frame.to_plane(mesh.vertices[nodes]))
    return regions, rim


def edge_connected(triangle: IdArray) -> IdArray:
    """(N,) label of triangles that hang together by edges."""
    start = triangle.ravel()
    end = triangle[:, [1, 2, 0]].ravel()
    row = np.repeat(np.arange(len(triangle)), 3)
    low, high = np.minimum(start, end), np.maximum(start, end)
    order = np.lexsort((high, low))
    same = (low[order][1:] == low[order][:-1]) & (high[order][1:] == high[order][:-1])
    r = row[order]
    graph = coo_matrix(
        (np.ones(int(same.sum()), dtype=np.int8), (r[1:][same], r[:-1][same])),
        shape=(len(triangle), len(triangle)),
    )
    return np.asarray(connected_components(graph, directed=False)[1])


def meeting(a: Region, b: Region) -> list[Region]:
    """The regions two patches of one plane share; none where they only touch."""
    apart = (a.outline.min(axis=0) > b.outline.max(axis=0)) | (
        b.outline.min(axis=0) > a.outline.max(axis=0)
    )
    if apart.any():
        return []
    shared = _polygons(a) ^ _polygons(b)
    area = shared.area()
    # Mostly one patch lies wholly on the other: keep its own outline to the last bit.
    for whole in sorted((a, b), key=lambda r: r.area):
        if abs(area - whole.area) <= SAME_AREA * whole.area:
            return [whole]
    if area <= SAME_AREA * min(a.area, b.area):
        return []
    loops = [np.asarray(p, dtype=np.float64) for p in shared.to_polygons()]
    points = np.concatenate(loops)
    ends = np.cumsum([len(p) for p in loops])
    after = np.arange(1, len(points) + 1)
    after[ends - 1] = ends - [len(p) for p in loops]
    regions, _ = regions_of(
        np.stack([np.arange(len(points)), after], axis=1), lambda nodes: points[nodes]
    )
    return [r for r in regions if r.area > SAME_AREA * min(a.area, b.area)]


def _polygons(region: Region) -> manifold3d.CrossSection:
    loops = [np.ascontiguousarray(p) for p in region.loops]
    return manifold3d.CrossSection(loops, manifold3d.FillRule.EvenOdd)
