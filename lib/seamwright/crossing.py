"""Where a plane meets a mesh, as topology: sides, cut edges and the segments between them.

Everything downstream (sections, parting) works on ids from here, never on
coordinates, so two outlines that touch or nearly touch are never confused.

A vertex within `snap` of the plane is on it. Faces that lie in the plane go to
the solid they bound: facing up, to the solid below; facing down, to the one
above. So the cap of either side is exactly where there is material on both
sides of the plane, and vertices, edges and faces in the plane need no special case.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from seamwright.frame import Frame
from seamwright.mesh import BoolArray, FloatArray, IntArray, Mesh
from seamwright.outline import IdArray

SNAP = 1e-7
"""Share of the figure's diagonal within which a vertex counts as on the plane.

0.1 µm on a 1 m figure: below what single-precision files can tell apart, so a
cut leaves no edges that would collapse on writing. Both sides of a seam share
the same points, so no volume is lost by it."""

BELOW, ON, ABOVE = 1, 2, 4


@dataclass(frozen=True, eq=False)
class Crossing:
    """The faces a plane touches and the directed segments it draws on them.

    Nodes are numbered: ids below V are the mesh's own vertices lying on the
    plane; V + k is cut edge k.

    Attributes
    ----------
    mesh, frame : what was crossed.
    near : (N,) indices of faces with a vertex on the plane or on both its sides.
    near_below : (N,) whether a near, uncut face belongs to the solid below.
    cut : (C,) indices of faces with vertices strictly on both sides.
    cut_edges : (E, 2) vertex below and vertex above of each cut edge.
    cut_corners : (C, 3) each cut face's vertices, turned so that the vertex
        alone on its side (or on the plane) comes first.
    cut_nodes : (C, 2) nodes on first-second and first-third edge; for a face with a
        vertex on the plane, the node opposite it, twice.
    cut_kind : (C,) 0: first below, others above; 1: first above, others below;
        2: first on, second below, third above; 3: first on, second above, third below.
    segments : (S, 2) node ids, each running with material on its left seen
        against the normal (from above).
    segment_cut : (S,) index into `cut` of the face that made it, -1 for an edge in the plane.
    snap : mm within which a vertex counted as on the plane.
    """

    mesh: Mesh
    frame: Frame
    near: IntArray
    near_below: BoolArray
    cut: IntArray
    cut_edges: IntArray
    cut_corners: IntArray
    cut_nodes: IdArray
    cut_kind: IntArray
    segments: IdArray
    segment_cut: IdArray
    snap: float

    @cached_property
    def cut_points(self) -> FloatArray:
        """(E, 3) where the plane crosses each cut edge, mm.

        Always reckoned from below to above, so both copies of an earlier seam's
        face get the same point to the last bit.
        """
        low, high = self.cut_edges[:, 0], self.cut_edges[:, 1]
        a, b = self.mesh.vertices[low], self.mesh.vertices[high]
        below, above = self.frame.heights(a), self.frame.heights(b)
        t = below / (below - above)
        return np.asarray(a + t[:, None] * (b - a))

    def positions(self, nodes: IdArray) -> FloatArray:
        """(N, 3) positions of nodes, mm."""
        count = len(self.mesh.vertices)
        own = nodes < count
        out = np.empty((len(nodes), 3))
        out[own] = self.mesh.vertices[nodes[own]]
        out[~own] = self.cut_points[nodes[~own] - count]
        return out


def cross(mesh: Mesh, frame: Frame, snap: float | None = None) -> Crossing:
    """Find where the frame's plane meets the mesh.

    Parameters
    ----------
    snap : mm within which a vertex counts as on the plane; SNAP × diagonal if None.
    """
    tolerance = SNAP * mesh.diagonal if snap is None else snap
    near = _candidates(mesh, frame, tolerance)
    faces = mesh.faces[near]
    flags = _flags(frame.heights(mesh.vertices[faces.ravel()]), tolerance).reshape(-1, 3)
    face_flags = flags[:, 0] | flags[:, 1] | flags[:, 2]
    meets = (face_flags != BELOW) & (face_flags != ABOVE)
    near, faces, flags, face_flags = near[meets], faces[meets], flags[meets], face_flags[meets]
    crossed = (face_flags & (BELOW | ABOVE)) == (BELOW | ABOVE)
    near_below = _uncut_below(mesh, frame, near, face_flags)

    corners, kind = _turned(faces[crossed], flags[crossed])
    nodes, edges = _cut_nodes(corners, kind, len(mesh.vertices))
    segments, source = _segments(corners, kind, nodes)
    plane_segments = _in_plane_segments(faces[near_below], flags[near_below])
    segments = np.concatenate([segments, plane_segments])
    source = np.concatenate([source, np.full(len(plane_segments), -1, dtype=np.int64)])
    return Crossing(
        mesh, frame, near, near_below, near[crossed], edges, corners, nodes, kind,
        segments, source, tolerance,
    )  # fmt: skip


def _candidates(mesh: Mesh, frame: Frame, tolerance: float) -> IntArray:
    """Faces, ascending, among which are all that meet the plane."""
    if mesh.has_blocks:
        return mesh.blocks.meeting(frame.origin, frame.normal, 2 * tolerance)
    # One byte a vertex keeps the gather over all faces in cache.
    flags = _flags(frame.heights(mesh.vertices), tolerance)
    faces = mesh.faces
    face_flags = flags[faces[:, 0]] | flags[faces[:, 1]] | flags[faces[:, 2]]
    return np.flatnonzero((face_flags != BELOW) & (face_flags != ABOVE)).astype(np.int32)


def _flags(heights: FloatArray, tolerance: float) -> npt.NDArray[np.uint8]:
    """(N,) BELOW, ON or ABOVE for each height."""
    flags = np.full(len(heights), ON, dtype=np.uint8)
    flags[heights < -tolerance] = BELOW
    flags[heights > tolerance] = ABOVE
    return flags


def _uncut_below(
    mesh: Mesh, frame: Frame, near: IntArray, face_flags: npt.NDArray[np.uint8]
) -> BoolArray:
    """(N,) whether each near face is uncut and bounds the solid below the plane."""
    below = face_flags == (BELOW | ON)
    flat = np.flatnonzero(face_flags == ON)
    if len(flat):
        below[flat] = mesh.face_vectors_of(near[flat]) @ frame.normal > 0
    return np.asarray(below)


def _turned(faces: IntArray, f: npt.NDArray[np.uint8]) -> tuple[IntArray, IntArray]:
    """Cut faces with the odd vertex first, and which of the four kinds each is.

    f : (C, 3) flags of the corners.
    """
    on_vertex = (f == ON).any(axis=1)
    below_count = (f == BELOW).sum(axis=1)
    odd = np.where(
        on_vertex,
        np.argmax(f == ON, axis=1),
        np.where(below_count == 1, np.argmax(f == BELOW, axis=1), np.argmax(f == ABOVE, axis=1)),
    )
    turn = (odd[:, None] + np.arange(3)) % 3
    corners = np.take_along_axis(faces, turn, axis=1)
    second_below = np.take_along_axis(f, turn[:, 1:2], axis=1)[:, 0] == BELOW
    kind = np.where(on_vertex, np.where(second_below, 2, 3), np.where(below_count == 1, 0, 1))
    return corners, kind.astype(np.int32)


def _cut_nodes(corners: IntArray, kind: IntArray, vertex_count: int) -> tuple[IdArray, IntArray]:
    """Two nodes for each cut face, and the cut edges (below, above) they stand for."""
    p, q, r = (corners[:, i].astype(np.int64) for i in range(3))
    through = kind >= 2
    first = np.where(through[:, None], np.stack([q, r], 1), np.stack([p, q], 1))
    second = np.where(through[:, None], np.stack([q, r], 1), np.stack([p, r], 1))
    # Order each pair (below, above): the odd vertex is below in kind 0, and so on.
    swap = (kind == 1) | (kind == 3)
    first[swap] = first[swap][:, ::-1]
    second[swap] = second[swap][:, ::-1]
    pairs = np.concatenate([first, second])
    key, inverse = np.unique(pairs[:, 0] * vertex_count + pairs[:, 1], return_inverse=True)
    edges = np.stack([key // vertex_count, key % vertex_count], axis=1).astype(np.int32)
    nodes = inverse.reshape(2, -1).T + vertex_count
    return nodes.astype(np.int64), edges


def _segments(corners: IntArray, kind: IntArray, nodes: IdArray) -> tuple[IdArray, IdArray]:
    """The directed segment each cut face draws, material on its left seen from above."""
    a, b = nodes[:, 0], nodes[:, 1]
    on = corners[:, 0].astype(np.int64)
    start = np.choose(kind, [b, a, on, a])
    end = np.choose(kind, [a, b, a, on])
    return np.stack([start, end], axis=1), np.arange(len(corners), dtype=np.int64)


def _in_plane_segments(faces: IntArray, flags: npt.NDArray[np.uint8]) -> IdArray:
    """Edges in the plane that bound the lower solid's surface; doubled-back ones cancel."""
    start = faces.ravel().astype(np.int64)
    end = faces[:, [1, 2, 0]].ravel().astype(np.int64)
    lying = ((flags == ON) & (flags[:, [1, 2, 0]] == ON)).ravel()
    # The cap runs against the face it closes.
    start, end = end[lying], start[lying]
    if not len(start):
        return np.zeros((0, 2), dtype=np.int64)
    low, high = np.minimum(start, end), np.maximum(start, end)
    pairs, inverse = np.unique(np.stack([low, high], axis=1), axis=0, return_inverse=True)
    net = np.zeros(len(pairs), dtype=np.int64)
    np.add.at(net, inverse.ravel(), np.where(start < end, 1, -1))
    kept = np.repeat(np.flatnonzero(net), np.abs(net[net != 0]))
    ahead = net[kept] > 0
    return np.where(ahead[:, None], pairs[kept], pairs[kept][:, ::-1])
