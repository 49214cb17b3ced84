"""Interfaces: where two pieces meet at a seam, found after all seams are parted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from seamwright.errors import SeamwrightError
from seamwright.mesh import BoolArray, FloatArray, IntArray, Mesh
from seamwright.outline import IdArray, Region, regions_of
from seamwright.parting import Piece
from seamwright.seam import Seam


@dataclass(frozen=True, eq=False)
class Interface:
    """One connected area where side A of one piece meets side B of another.

    Attributes
    ----------
    seam : that made it; its normal points from side B into side A.
    piece_a, piece_b : ids of the pieces above and below.
    faces_a, faces_b : their seam faces here, as indices into each piece's faces.
    region : in the seam's frame, with no segment ids of use to others.
    """

    seam: Seam
    piece_a: int
    piece_b: int
    faces_a: IntArray
    faces_b: IntArray
    region: Region

    @property
    def name(self) -> str:
        return f"seam '{self.seam.name}' between pieces {self.piece_b} and {self.piece_a}"


def interfaces(pieces: tuple[Piece, ...], seams: tuple[Seam, ...]) -> tuple[Interface, ...]:
    """Every interface, by seam, then by pieces, then largest first.

    Raises
    ------
    SeamwrightError
        If the two sides of a seam do not carry the same triangles.
    """
    found: list[Interface] = []
    for seam in seams:
        found.extend(_along(seam, pieces))
    return tuple(found)


def _along(seam: Seam, pieces: tuple[Piece, ...]) -> list[Interface]:
    """The interfaces of one seam."""
    owner, rows, corners = [], [], []
    for number, piece in enumerate(pieces):
        mine = np.flatnonzero(piece.mesh.tag == seam.id)
        owner.append(np.full(len(mine), number, dtype=np.int64))
        rows.append(mine)
        corners.append(piece.mesh.vertices[piece.mesh.faces[mine]])
    piece_of, row_of, corner = (np.concatenate(x) for x in (owner, rows, corners))
    if not len(row_of):
        return []
    # Both sides hold the same points to the last bit, so equal points are one point.
    point = np.unique(corner.reshape(-1, 3), axis=0, return_inverse=True)[1].reshape(-1, 3)
    spanned = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    is_b = spanned @ seam.frame.normal > 0
    a, b = _matched(np.sort(point, axis=1), is_b, spanned, seam)
    pairs = np.stack([piece_of[a], piece_of[b]], axis=1)
    group = _edge_connected(point[b], pairs)
    found = []
    for k in range(int(group.max()) + 1):
        here = group == k
        first = int(np.argmax(here))
        piece_a, piece_b = pieces[pairs[first, 0]], pieces[pairs[first, 1]]
        faces_b = row_of[b[here]].astype(np.int32)
        region, _ = boundary(piece_b.mesh, faces_b, seam)
        found.append(
            Interface(
                seam, piece_a.id, piece_b.id, row_of[a[here]].astype(np.int32), faces_b, region[0]
            )
        )
    return sorted(found, key=lambda i: (i.piece_b, i.piece_a, -i.region.area))


def _matched(
    triangle: IdArray, is_b: BoolArray, spanned: FloatArray, seam: Seam
) -> tuple[IdArray, IdArray]:
    """Rows of side A and side B that are the same triangle."""
    a, b = np.flatnonzero(~is_b), np.flatnonzero(is_b)
    a = a[np.lexsort(triangle[a].T)]
    b = b[np.lexsort(triangle[b].T)]
    if len(a) != len(b) or (triangle[a] != triangle[b]).any():
        # Needles of no area have no side: leave them out, they carry no interface.
        thick = np.linalg.norm(spanned, axis=1) > 1e-9
        a, b = a[thick[a]], b[thick[b]]
        if len(a) != len(b) or (triangle[a] != triangle[b]).any():
            raise SeamwrightError(
                f"The two sides of seam '{seam.name}' do not match; this is a fault of "
                "Seamwright: please report the job."
            )
    return a, b


def _edge_connected(triangle: IdArray, kind: IdArray) -> IdArray:
    """(N,) label of triangles of one kind that hang together by edges."""
    start = triangle.ravel()
    end = triangle[:, [1, 2, 0]].ravel()
    row = np.repeat(np.arange(len(triangle)), 3)
    low, high = np.minimum(start, end), np.maximum(start, end)
    order = np.lexsort((kind[row, 1], kind[row, 0], high, low))
    key = np.column_stack([low, high, kind[row]])[order]
    same = (key[1:] == key[:-1]).all(axis=1)
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
