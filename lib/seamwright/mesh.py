"""The one mesh value everything flows through: arrays, and facts derived from them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from seamwright.blocks import FaceBlocks
from seamwright.errors import BadInput

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int32]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.integer[Any]]

SKIN = 0
"""Tag of a face the sculptor made; seams count from 1."""


@dataclass(frozen=True, eq=False)
class Mesh:
    """A triangle mesh in millimetres. Never changed once made.

    Parameters
    ----------
    vertices : (V, 3) float64
        Positions in mm.
    faces : (F, 3) int32
        Vertex indices, counter-clockwise seen from outside.
    tag : (F,) int32
        0 for sculpted skin, k > 0 for a face left by seam k.
    """

    vertices: FloatArray
    faces: IntArray
    tag: IntArray

    @staticmethod
    def of(vertices: npt.ArrayLike, faces: npt.ArrayLike, tag: npt.ArrayLike | None = None) -> Mesh:
        """Make a mesh from anything array-like, checking shapes, ranges and finiteness.

        Raises
        ------
        BadInput
            If an array has the wrong shape, an index points at no vertex, or a
            coordinate is not a finite number.
        """
        v = np.ascontiguousarray(vertices, dtype=np.float64)
        given = np.asarray(faces)
        if v.ndim != 2 or v.shape[1] != 3:
            raise BadInput(f"Vertices have shape {v.shape}; give an array of shape (V, 3).")
        if given.size == 0:
            given = np.zeros((0, 3), dtype=np.int32)
        if given.ndim != 2 or given.shape[1] != 3:
            raise BadInput(f"Faces have shape {given.shape}; give triangles of shape (F, 3).")
        if given.size:
            # Judged before the indices become 32-bit, which would wrap them.
            low, high = int(given.min()), int(given.max())
            if low < 0 or high >= len(v):
                raise BadInput(
                    f"A face points at vertex {low if low < 0 else high} but there are only "
                    f"{len(v)}; export the mesh again."
                )
        f = np.ascontiguousarray(given, dtype=np.int32)
        finite = np.isfinite(v).all(axis=1)
        if not finite.all():
            first = int(np.argmin(finite))
            raise BadInput(
                f"Vertex {first} has a coordinate that is not a number; "
                f"repair or delete it ({int((~finite).sum())} such vertices)."
            )
        t = (
            np.zeros(len(f), dtype=np.int32)
            if tag is None
            else np.ascontiguousarray(tag, dtype=np.int32)
        )
        if t.shape != (len(f),):
            raise BadInput(f"Tags have shape {t.shape}; give one per face, ({len(f)},).")
        return Mesh(v, f, t)

    @property
    def bounds(self) -> FloatArray:
        """(2, 3) least and greatest coordinate, mm, of all vertices."""
        return np.stack([self.vertices.min(axis=0), self.vertices.max(axis=0)])

    @cached_property
    def size(self) -> FloatArray:
        """(3,) extent along x, y and z, mm."""
        low, high = self.bounds
        return np.asarray(high - low)

    @cached_property
    def diagonal(self) -> float:
        """Length of the bounding box's diagonal, mm."""
        return float(np.linalg.norm(self.size))

    @cached_property
    def face_vectors(self) -> FloatArray:
        """(F, 3) face normals scaled to twice the face's area, mm²."""
        a, b, c = (self.vertices[self.faces[:, i]] for i in range(3))
        return np.asarray(np.cross(b - a, c - a))

    def face_vectors_of(self, chosen: IndexArray) -> FloatArray:
        """(N, 3) like `face_vectors`, of the chosen faces only."""
        a, b, c = (self.vertices[self.faces[chosen, i]] for i in range(3))
        return np.asarray(np.cross(b - a, c - a))

    @cached_property
    def blocks(self) -> FaceBlocks:
        """Faces in compact blocks; once made, sections look only at the blocks they meet."""
        return FaceBlocks.of(self.vertices, self.faces)

    @property
    def has_blocks(self) -> bool:
        """Whether `blocks` has been made: it is worth its time only for several sections."""
        return "blocks" in self.__dict__

    @cached_property
    def areas(self) -> FloatArray:
        """(F,) face areas, mm²."""
        return np.asarray(0.5 * np.linalg.norm(self.face_vectors, axis=1))

    @cached_property
    def volume(self) -> float:
        """Enclosed volume, mm³, by the divergence theorem; negative if inside out.

        Summed about the box's centre, so that a figure far from the origin does
        not lose digits.
        """
        return float(self.signed_volumes().sum())

    def signed_volumes(self) -> FloatArray:
        """(F,) signed tetrahedron volume of each face with the box's centre, mm³."""
        if len(self.faces) == 0:
            return np.zeros(0)
        centre = self.bounds.mean(axis=0)
        a, b, c = (self.vertices[self.faces[:, i]] - centre for i in range(3))
        return np.asarray(np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0)

    def volume_of(self, chosen: IndexArray) -> float:
        """Volume enclosed by the chosen faces alone, mm³; they must form closed shells."""
        return self.subset(chosen).volume

    @cached_property
    def shell_of_face(self) -> IntArray:
        """(F,) which connected shell each face belongs to (faces that share a vertex)."""
        if len(self.faces) == 0:
            return np.zeros(0, dtype=np.int32)
        return np.asarray(vertex_shells(self.faces, len(self.vertices))[self.faces[:, 0]])

    @cached_property
    def edge_counts(self) -> EdgeCounts:
        """How many edges are shared as they should be, and which are not."""
        return EdgeCounts.of(self.faces, len(self.vertices))

    @property
    def is_closed(self) -> bool:
        """Whether every edge is used once in each direction: closed, oriented, manifold."""
        return len(self.faces) > 0 and self.edge_counts.is_closed

    def compacted(self) -> Mesh:
        """The same faces without the vertices that none of them uses."""
        used = np.zeros(len(self.vertices), dtype=bool)
        used[self.faces.ravel()] = True
        if used.all():
            return self
        index = np.cumsum(used, dtype=np.int32) - np.int32(1)
        return Mesh(self.vertices[used], index[self.faces], self.tag)

    def subset(self, chosen: BoolArray | IndexArray) -> Mesh:
        """Only the chosen faces (mask or indices), with only the vertices they use."""
        return Mesh(self.vertices, self.faces[chosen], self.tag[chosen]).compacted()

    def scaled(self, factor: float) -> Mesh:
        """All coordinates times `factor` about the origin."""
        return Mesh(self.vertices * factor, self.faces, self.tag)

    def flipped(self) -> Mesh:
        """The same surface seen from the other side."""
        return Mesh(self.vertices, np.ascontiguousarray(self.faces[:, ::-1]), self.tag)


@dataclass(frozen=True)
class EdgeCounts:
    """Edges that are not shared by exactly two oppositely running faces.

    open : (K, 2) int32, edges of one face only (the rim of a hole).
    manifold_flaws : (K, 2) int32, edges of three or more faces.
    flipped : (K, 2) int32, edges of two faces that run the same way.
    """

    open: IntArray
    manifold_flaws: IntArray
    flipped: IntArray

    @property
    def is_closed(self) -> bool:
        return len(self.open) == len(self.manifold_flaws) == len(self.flipped) == 0

    @staticmethod
    def of(faces: IntArray, vertex_count: int) -> EdgeCounts:
        """Count every edge of `faces` (F, 3)."""
        start = faces.ravel().astype(np.int64)
        end = faces[:, [1, 2, 0]].ravel().astype(np.int64)
        n = np.int64(max(vertex_count, 1))
        forward = start < end
        key = np.where(forward, start * n + end, end * n + start)
        order = np.argsort(key, kind="stable")
        key, forward = key[order], forward[order]
        first = np.flatnonzero(np.r_[True, key[1:] != key[:-1]]) if len(key) else np.zeros(0, int)
        count = np.diff(np.r_[first, len(key)])
        ahead = np.add.reduceat(forward.astype(np.int64), first) if len(first) else first
        edges = np.stack([key[first] // n, key[first] % n], axis=1).astype(np.int32)
        return EdgeCounts(edges[count == 1], edges[count > 2], edges[(count == 2) & (ahead != 1)])


def vertex_shells(faces: IntArray, vertex_count: int) -> IntArray:
    """(V,) label of the connected shell of each vertex; unused vertices get their own.

    Two edges a face are enough to connect it, which keeps the graph small.
    """
    rows = np.concatenate([faces[:, 0], faces[:, 1]])
    columns = np.concatenate([faces[:, 1], faces[:, 2]])
    graph = csr_matrix(
        (np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(vertex_count, vertex_count)
    )
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int32)


def relabelled(label: IntArray) -> IntArray:
    """The same labels counting from 0 without gaps."""
    used = np.bincount(label) > 0
    return np.asarray((np.cumsum(used, dtype=np.int32) - 1)[label], dtype=np.int32)


def joined(meshes: list[Mesh]) -> Mesh:
    """One mesh holding the faces of all, vertices not merged."""
    if not meshes:
        return Mesh.of(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32))
    offsets = np.cumsum([0] + [len(m.vertices) for m in meshes[:-1]])
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.faces + np.int32(o) for m, o in zip(meshes, offsets, strict=True)]),
        np.concatenate([m.tag for m in meshes]),
    )
