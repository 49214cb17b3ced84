"""The one mesh value everything flows through: arrays, and facts derived from them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeVar

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
Scalar = TypeVar("Scalar", bound=np.generic)

SKIN = 0
"""Tag of a face the sculptor made; seams count from 1."""

FACES_AT_ONCE = 1 << 16
"""Faces reckoned at a time where that keeps memory down."""


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
        if not np.isfinite(v).all():
            finite = np.isfinite(v).all(axis=1)
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
        return box_of(self.vertices)

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

    def with_blocks(self, blocks: FaceBlocks) -> Mesh:
        """The same mesh with blocks made already, as `blocks` would be."""
        mesh = Mesh(self.vertices, self.faces, self.tag)
        mesh.__dict__["blocks"] = blocks
        return mesh

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
        volumes = np.zeros(len(self.faces))
        if len(volumes) == 0:
            return volumes
        centre = self.bounds.mean(axis=0)
        # Part by part: what is in between then stays in the processor's cache.
        for start in range(0, len(volumes), FACES_AT_ONCE):
            part = slice(start, start + FACES_AT_ONCE)
            a, b, c = (self.vertices[self.faces[part, i]] - centre for i in range(3))
            volumes[part] = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0
        return volumes

    def volume_of(self, chosen: IndexArray) -> float:
        """Volume enclosed by the chosen faces alone, mm³; they must form closed shells."""
        return self.subset(chosen).volume

    @cached_property
    def shell_of_face(self) -> IntArray:
        """(F,) which connected shell each face belongs to (faces that share a vertex)."""
        return gathered(self.shell_of_vertex, self.faces[:, 0])

    @cached_property
    def shell_of_vertex(self) -> IntArray:
        """(V,) likewise of each vertex; one that no face uses has a shell of its own."""
        return vertex_shells(self.faces, len(self.vertices))

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
        kept = np.flatnonzero(used)
        return Mesh(gathered(self.vertices, kept), gathered(index, self.faces), self.tag)

    def subset(self, chosen: BoolArray | IndexArray) -> Mesh:
        """Only the chosen faces (mask or indices), with only the vertices they use."""
        rows = np.flatnonzero(chosen) if np.asarray(chosen).dtype == bool else chosen
        return Mesh(self.vertices, self.faces[rows], self.tag[rows]).compacted()

    def divided(self, label: IntArray, count: int) -> list[Mesh]:
        """A mesh for each of 0..count - 1: its faces and their vertices, in order.

        label : (F,) the same for all faces of a shell.
        """
        shell = self.shell_of_face
        of_shell = np.full(int(self.shell_of_vertex.max(initial=-1)) + 1, -1, dtype=np.int32)
        # Shells mostly come in long runs: one face of each run will do.
        first = np.flatnonzero(np.concatenate([[True], shell[1:] != shell[:-1]])[: len(shell)])
        of_shell[shell[first]] = label[first]
        of_vertex = gathered(of_shell, self.shell_of_vertex)
        index = np.empty(len(of_vertex), dtype=np.int32)
        meshes = []
        for mine, rows in zip(places(of_vertex, count), places(label, count), strict=True):
            index[mine] = np.arange(len(mine), dtype=np.int32)
            faces = gathered(index, gathered(self.faces, rows))
            meshes.append(Mesh(gathered(self.vertices, mine), faces, gathered(self.tag, rows)))
        return meshes

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
        n = np.int64(max(vertex_count, 1))
        start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
        # One number for each edge and, last, its way: sorted in place, that costs least memory.
        key = np.minimum(start, end).astype(np.int64)
        key *= n
        key += np.maximum(start, end)
        key *= 2
        key += start < end
        key.sort()
        ahead = (key & 1).astype(bool)
        key >>= 1
        new = np.ones(len(key), dtype=bool)
        np.not_equal(key[1:], key[:-1], out=new[1:])
        first = np.flatnonzero(new)
        count = np.diff(first, append=len(key))
        pair = first[count == 2]

        def edges(rows: IndexArray) -> IntArray:
            return np.asarray(np.stack([key[rows] // n, key[rows] % n], axis=1), dtype=np.int32)

        return EdgeCounts(
            edges(first[count == 1]),
            edges(first[count > 2]),
            edges(pair[ahead[pair] == ahead[pair + 1]]),
        )


def vertex_shells(faces: IntArray, vertex_count: int) -> IntArray:
    """(V,) label of the connected shell of each vertex; unused vertices get their own.

    One edge a face connects most of a shell; a second is looked at only where it joins
    what the first left apart, which keeps the graphs small.
    """
    a, b, c = faces.T
    label = _connected(a, b, vertex_count)
    at_b, at_c = gathered(label, b), gathered(label, c)
    apart = np.flatnonzero(at_b != at_c)
    if not len(apart):
        return label
    joined_by = _connected(at_b[apart], at_c[apart], int(label.max()) + 1)
    return gathered(joined_by, label)


def _connected(a: IntArray, b: IntArray, count: int) -> IntArray:
    """(count,) label of the connected part each of 0..count - 1 is in; a[i] is linked to b[i]."""
    # The search wants its entries as doubles and would copy others.
    graph = csr_matrix((np.ones(len(a)), (a, b)), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int32)


def gathered(values: npt.NDArray[Scalar], index: IndexArray) -> npt.NDArray[Scalar]:
    """values[index] along the first axis; all of `index` must be in range.

    Part by part: numpy makes a 64-bit copy of a 32-bit index, which so stays small and in
    the processor's cache.
    """
    out = np.empty(index.shape + values.shape[1:], dtype=values.dtype)
    for start in range(0, len(index), FACES_AT_ONCE):
        part = slice(start, start + FACES_AT_ONCE)
        np.take(values, index[part], axis=0, out=out[part], mode="clip")
    return out


def places(label: IntArray, count: int) -> list[npt.NDArray[np.intp]]:
    """For each of 0..count - 1 the places, ascending, that bear it; -1 is passed over."""
    if count <= 8:
        return [np.flatnonzero(label == k) for k in range(count)]
    # numpy sorts by radix what has up to 16 bits.
    kind = np.min_scalar_type(count + 1) if count < np.iinfo(np.uint16).max else label.dtype
    order = np.argsort((label + np.int32(1)).astype(kind), kind="stable")
    ends = np.cumsum(np.bincount(label + np.int32(1), minlength=count + 1))
    return np.split(order, ends[:-1])[1:]


def box_of(points: FloatArray) -> FloatArray:
    """(2, 3) least and greatest coordinate of (N, 3) points, N > 0.

    Column by column, which is many times faster than along the long axis.
    """
    columns = points.T
    return np.array([[c.min() for c in columns], [c.max() for c in columns]])


def relabelled(label: IntArray) -> IntArray:
    """The same labels counting from 0 without gaps."""
    used = np.bincount(label) > 0
    if used.all():
        return label
    return gathered(np.cumsum(used, dtype=np.int32) - np.int32(1), label)


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
