"""Interfaces: where two pieces meet at a seam, found after all seams are parted."""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from seamwright.errors import SeamwrightError
from seamwright.mesh import IntArray, Mesh
from seamwright.outline import IdArray, Region, regions_of
from seamwright.pieces import Piece
from seamwright.seam import Seam

SAME_AREA = 1e-6
"""Share of a patch's area within which two areas are taken for the same."""


@dataclass(frozen=True, eq=False)
class Patch:
    """One connected seam face of one piece.

    piece : id.
    faces : (N,) indices into the piece's faces.
    region : in the seam's frame.
    """

    piece: int
    faces: IntArray
    region: Region


@dataclass(frozen=True, eq=False)
class Interface:
    """One connected area where side A of one piece meets side B of another.

    Attributes
    ----------
    seam : that made it; its normal points from side B into side A.
    a, b : the seam faces that meet here. Where another seam stops at this one, a face
        on one side meets several on the other.
    region : where they meet, in the seam's frame.
    """

    seam: Seam
    a: Patch
    b: Patch
    region: Region

    @property
    def piece_a(self) -> int:
        """Id of the piece above."""
        return self.a.piece

    @property
    def piece_b(self) -> int:
        """Id of the piece below."""
        return self.b.piece

    @property
    def name(self) -> str:
        return f"seam '{self.seam.name}' between pieces {self.piece_b} and {self.piece_a}"


def interfaces(pieces: tuple[Piece, ...], seams: tuple[Seam, ...]) -> tuple[Interface, ...]:
    """Every interface, by seam, then by pieces, then largest first.

    Raises
    ------
    SeamwrightError
        If the two sides of a seam do not cover the same area.
    """
    found: list[Interface] = []
    for seam in seams:
        found.extend(_along(seam, pieces))
    return tuple(found)


def _along(seam: Seam, pieces: tuple[Piece, ...]) -> list[Interface]:
    """The interfaces of one seam."""
    above, below = [], []
    for piece in pieces:
        mine = np.flatnonzero(piece.mesh.tag == seam.id).astype(np.int32)
        if len(mine):
            up = piece.mesh.face_vectors_of(mine) @ seam.frame.normal > 0
            above += _patches(piece, mine[~up], seam)
            below += _patches(piece, mine[up], seam)
    found = [
        Interface(seam, a, b, region)
        for a in above
        for b in below
        if a.piece != b.piece
        for region in _meeting(a.region, b.region)
    ]
    total = sum(i.region.area for i in found)
    for side in (above, below):
        covered = sum(p.region.area for p in side)
        if abs(total - covered) > 1e3 * SAME_AREA * covered:
            raise SeamwrightError(
                f"The two sides of seam '{seam.name}' do not match ({total:.3f} mm² of "
                f"{covered:.3f} mm²); this is a fault of Seamwright: please report the job."
            )
    return sorted(found, key=lambda i: (i.piece_b, i.piece_a, -i.region.area))


def _meeting(a: Region, b: Region) -> list[Region]:
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


def _patches(piece: Piece, rows: IntArray, seam: Seam) -> list[Patch]:
    """The connected seam faces among chosen faces of one side."""
    if not len(rows):
        return []
    group = _edge_connected(piece.mesh.faces[rows].astype(np.int64))
    patches = []
    for k in range(int(group.max()) + 1):
        faces = rows[group == k]
        regions, _ = boundary(piece.mesh, faces, seam)
        # A needle of no area has no region, and nothing can meet it.
        patches += [Patch(piece.id, faces, region) for region in regions[:1]]
    return patches


def _edge_connected(triangle: IdArray) -> IdArray:
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


def boundary(mesh: Mesh, rows: IntArray, seam: Seam) -> tuple[tuple[Region, ...], IdArray]:
    """The regions that chosen seam faces of a piece cover, and their rim's directed edges.

    Returns
    -------
    Regions in the seam's frame, counter-clockwise whichever side the faces are on, and
    (S, 2) vertex ids: region segment k runs from the first to the second.
    """
    faces = mesh.faces[rows].astype(np.int64)
    if len(faces) and mesh.face_vectors_of(rows).sum(axis=0) @ seam.frame.normal < 0:
        faces = faces[:, ::-1]
    start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    count = len(mesh.vertices)
    inner = np.isin(start * count + end, end * count + start)
    rim = np.stack([start[~inner], end[~inner]], axis=1)
    regions, _ = regions_of(rim, lambda nodes: seam.frame.to_plane(mesh.vertices[nodes]))
    return regions, rim
