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
from itertools import product

import numpy as np
import numpy.typing as npt

from seamwright.frame import Frame
from seamwright.mesh import FACES_AT_ONCE, BoolArray, FloatArray, IntArray, Mesh
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
    if mesh.has_blocks:
        near = mesh.blocks.meeting(frame.origin, frame.normal, 2 * tolerance)
    else:
        near = _meeting(mesh, frame, tolerance)
    faces = np.take(mesh.faces, near, axis=0)
    points = np.take(mesh.vertices, faces.ravel(), axis=0)
    flags = _flags(frame.heights(points), tolerance).reshape(-1, 3)
    face_flags = flags[:, 0] | flags[:, 1] | flags[:, 2]
    meets = np.flatnonzero((face_flags != BELOW) & (face_flags != ABOVE))
    # The blocks give their faces in an order of their own.
    meets = meets[np.argsort(near[meets], kind="stable")]
    near, faces = np.take(near, meets), np.take(faces, meets, axis=0)
    flags, face_flags = np.take(flags, meets, axis=0), np.take(face_flags, meets)
    crossed = np.flatnonzero((face_flags & (BELOW | ABOVE)) == (BELOW | ABOVE))
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


def _meeting(mesh: Mesh, frame: Frame, tolerance: float) -> IntArray:
    """Faces, ascending, that meet the plane, found without blocks."""
    # One byte a vertex, and so many at a time, keeps all this in the processor's cache.
    flags = np.empty(len(mesh.vertices), dtype=np.uint8)
    for start in range(0, len(flags), FACES_AT_ONCE):
        part = slice(start, start + FACES_AT_ONCE)
        flags[part] = _flags(frame.heights(mesh.vertices[part]), tolerance)
    found = [np.zeros(0, dtype=np.intp)]
    for start in range(0, len(mesh.faces), FACES_AT_ONCE):
        f = np.take(flags, mesh.faces[start : start + FACES_AT_ONCE])
        face_flags = f[:, 0] | f[:, 1] | f[:, 2]
        found.append(start + np.flatnonzero((face_flags != BELOW) & (face_flags != ABOVE)))
    return np.concatenate(found).astype(np.int32)


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
    a, b, c = f.T.astype(np.uint16)
    sort = a + 8 * b + 64 * c
    odd = np.take(_ODD, sort)
    first = np.arange(0, faces.size, 3)
    after, last = np.take(_NEXT, odd), np.take(_NEXT, np.take(_NEXT, odd))
    flat = faces.ravel()
    corners = np.stack([np.take(flat, first + k) for k in (odd, after, last)], axis=1)
    return corners, np.take(_KIND, sort)


def _kinds() -> tuple[IdArray, IntArray]:
    """For corner flags a, b, c at a + 8 b + 64 c: which corner is the odd one, and the kind."""
    odd, kind = np.zeros(512, dtype=np.int64), np.zeros(512, dtype=np.int32)
    for flags in product((BELOW, ON, ABOVE), repeat=3):
        at = flags[0] + 8 * flags[1] + 64 * flags[2]
        if ON in flags:
            odd[at] = flags.index(ON)
            kind[at] = 2 if flags[(odd[at] + 1) % 3] == BELOW else 3
        else:
            alone = BELOW if flags.count(BELOW) == 1 else ABOVE
            odd[at] = flags.index(alone) if alone in flags else 0
            kind[at] = 0 if alone == BELOW else 1
    return odd, kind


_ODD, _KIND = _kinds()
_NEXT = np.array([1, 2, 0])


def _cut_nodes(corners: IntArray, kind: IntArray, vertex_count: int) -> tuple[IdArray, IntArray]:
    """Two nodes for each cut face, and the cut edges (below, above) they stand for."""
    row = np.arange(0, corners.size, 3)
    flat = corners.ravel()
    below, above = (
        np.take(flat, np.concatenate([row + np.take(place, kind) for place in both]))
        for both in (_BELOW_AT, _ABOVE_AT)
    )
    key = below * np.int64(vertex_count) + above
    order = np.argsort(key, kind="stable")
    new = np.ones(len(key), dtype=bool)
    new[1:] = np.diff(np.take(key, order)) != 0
    nodes = np.empty(len(key), dtype=np.int64)
    nodes[order] = np.cumsum(new) + (vertex_count - 1)
    first = order[new]
    return nodes.reshape(2, -1).T, np.stack([below[first], above[first]], axis=1)


_BELOW_AT = np.array([[0, 1, 1, 2], [0, 2, 1, 2]])
"""Which corner of a cut face of each kind is the lower end of its two cut edges."""
_ABOVE_AT = np.array([[1, 0, 2, 1], [2, 0, 2, 1]])


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
