"""Skin divided at points and along ways over it, while the surface stays where it is."""

from __future__ import annotations

import math
from functools import cache
from itertools import combinations

import numpy as np

from seamwright.blocks import FACES_A_BLOCK
from seamwright.errors import BadInput
from seamwright.geodesic import Skin, Way
from seamwright.mesh import BoolArray, FloatArray, Mesh
from seamwright.outline import IdArray, dot
from seamwright.seam import place
from seamwright.wall import point_triangle_distance

NEAR = 2e-3
"""Share of a face's longest side within which a point goes to its corner, and share of a side
within which it goes to that: so that no needles come about (common practice, no source)."""
EXACT = 1e-9
"""Share of the figure's diagonal within which a point is a vertex."""


# --- at points -------------------------------------------------------------------------


def with_points(mesh: Mesh, points: FloatArray, within: float) -> tuple[Mesh, IdArray, BoolArray]:
    """The mesh with a vertex at the place of its surface nearest each point.

    A place very near a vertex or an edge is moved on to it. Vertices and faces there were
    keep their numbers; a divided face's first part takes its place, the rest stand at the end.

    Parameters
    ----------
    points : (N, 3) mm.
    within : mm, the farthest they may be from the surface.

    Returns
    -------
    The mesh, (N,) the vertex for each point, and (N,) whether it was there, just so.

    Raises
    ------
    BadInput
        If a point is too far from the surface.
    """
    draft = _Draft(mesh)
    found = [draft.put(point, within) for point in points]
    vertices, exact = (np.array(column) for column in zip(*found, strict=True))
    return draft.mesh(), vertices.astype(np.int64), exact


class _Draft:
    """A mesh in which faces are being divided."""

    def __init__(self, mesh: Mesh) -> None:
        self.given = mesh
        self.new_vertices: list[FloatArray] = []
        self.changed: dict[int, tuple[int, int, int]] = {}
        self.new_faces: list[tuple[int, int, int]] = []
        self.new_parents: list[int] = []

    def mesh(self) -> Mesh:
        """What has come of it."""
        mesh = self.given
        if not self.new_vertices:
            return mesh
        faces = mesh.faces.copy()
        faces[list(self.changed)] = list(self.changed.values())
        faces = np.concatenate([faces, np.array(self.new_faces, dtype=np.int32)])
        vertices = np.concatenate([mesh.vertices, np.array(self.new_vertices)])
        tag = np.concatenate([mesh.tag, mesh.tag[self.new_parents]])
        return Mesh(vertices, faces, tag).with_blocks(mesh.blocks.grown(vertices, faces))

    def put(self, point: FloatArray, within: float) -> tuple[int, bool]:
        """The vertex nearest a point on the surface, made if need be, and if it was there."""
        rows = self._about(point, None)
        corners = self._corners(rows)
        gaps = point_triangle_distance(point, self._at(corners))
        k = int(np.argmin(gaps))
        if gaps[k] > within:
            raise BadInput(
                f"The line's point at {place(point)} is more than {within:g} mm from the "
                f"surface ({gaps[k]:.1f} mm); pick it on the figure."
            )
        face = corners[k]
        a, b, c = tri = self._at(face)
        weights = _nearest_weights(point, tri)
        at = weights @ tri
        sides = np.sqrt([dot(c - b, c - b), dot(a - c, a - c), dot(b - a, b - a)])
        off = np.sqrt(dot(tri - at, tri - at))
        if off.min() <= NEAR * sides.max():
            corner = int(np.argmin(off))
            apart = float(np.linalg.norm(tri[corner] - point))
            return int(face[corner]), apart <= EXACT * self.given.diagonal
        # Its heights over the three sides, against their lengths.
        area = float(np.linalg.norm(np.cross(b - a, c - a)))
        flat = weights * area / np.maximum(sides, 1e-300) ** 2
        side = int(np.argmin(flat))
        new = len(self.given.vertices) + len(self.new_vertices)
        if flat[side] > NEAR:
            self.new_vertices.append(at)
            self._divide(
                int(rows[k]),
                [(*face[[i, (i + 1) % 3]].tolist(), new) for i in range(3)],
            )
            return new, False
        low, high = sorted(face[[(side + 1) % 3, (side + 2) % 3]].tolist())
        p, q = self._at(np.array([low, high]))
        t = float(np.clip(dot(at - p, q - p) / dot(q - p, q - p), 0.0, 1.0))
        self.new_vertices.append(p + t * (q - p))
        self._divide_edge(low, high, new)
        return new, False

    def _at(self, ids: IdArray) -> FloatArray:
        """Positions of vertices, old and new."""
        old = len(self.given.vertices)
        if not self.new_vertices or ids.max(initial=0) < old:
            return self.given.vertices[ids]
        out = self.given.vertices[np.minimum(ids, old - 1)]
        out[ids >= old] = np.array(self.new_vertices)[ids[ids >= old] - old]
        return np.asarray(out)

    def _about(self, point: FloatArray, within: float | None) -> IdArray:
        """Faces that may come within so many mm of a point, or that may be nearest to it."""
        blocks = self.given.blocks
        away = np.abs(blocks.centre - point)
        near = np.maximum(away - blocks.half, 0.0)
        if within is None:
            within = float(np.sqrt(dot(away + blocks.half, away + blocks.half).min()))
        met = np.flatnonzero(dot(near, near) <= (within * (1 + 1e-9)) ** 2)
        slots = (met[:, None] * FACES_A_BLOCK + np.arange(FACES_A_BLOCK)).ravel()
        rows = blocks.order[slots[slots < len(blocks.order)]]
        new = len(self.given.faces) + np.arange(len(self.new_faces))
        return np.asarray(np.concatenate([np.sort(rows), new]), dtype=np.int64)

    def _corners(self, rows: IdArray) -> IdArray:
        """(N, 3) vertices of faces as they are now."""
        count = len(self.given.faces)
        old = rows < count
        out = np.empty((len(rows), 3), dtype=np.int64)
        out[old] = self.given.faces[rows[old]]
        if self.changed:
            for k in np.flatnonzero(np.isin(rows, list(self.changed))).tolist():
                out[k] = self.changed[int(rows[k])]
        if not old.all():
            out[~old] = np.array(self.new_faces)[rows[~old] - count]
        return out

    def _divide(self, row: int, parts: list[tuple[int, int, int]]) -> None:
        """Put parts in the place of a face."""
        count = len(self.given.faces)
        if row < count:
            self.changed[row] = parts[0]
            parent = row
        else:
            self.new_faces[row - count] = parts[0]
            parent = self.new_parents[row - count]
        self.new_faces += parts[1:]
        self.new_parents += [parent] * (len(parts) - 1)

    def _divide_edge(self, a: int, b: int, new: int) -> None:
        """Divide every face at the edge from a to b at a new vertex."""
        rows = self._about(self.new_vertices[-1], 1e-9 * self.given.diagonal)
        corners = self._corners(rows)
        for k in np.flatnonzero(((corners == a) | (corners == b)).sum(axis=1) == 2).tolist():
            i = next(i for i in range(3) if corners[k, i] not in (a, b))
            third, p, q = np.roll(corners[k], -i).tolist()
            self._divide(int(rows[k]), [(third, p, new), (third, new, q)])


def _nearest_weights(point: FloatArray, tri: FloatArray) -> FloatArray:
    """(3,) weights of a triangle's corners that give its place nearest a point."""
    a, b, c = tri
    normal = np.cross(b - a, c - a)
    squared = float(dot(normal, normal))
    if squared > 0:
        inside = np.array(
            [dot(np.cross(v - u, point - u), normal) for u, v in ((b, c), (c, a), (a, b))]
        )
        if (inside >= 0).all():
            return np.asarray(inside / inside.sum())
    best, weights = math.inf, np.array([1.0, 0.0, 0.0])
    for i, j in ((0, 1), (1, 2), (2, 0)):
        along = tri[j] - tri[i]
        t = float(
            np.clip(dot(point - tri[i], along) / max(float(dot(along, along)), 1e-300), 0.0, 1.0)
        )
        gap = float(np.linalg.norm(tri[i] + t * along - point))
        if gap < best:
            best, weights = gap, np.zeros(3)
            weights[i], weights[j] = 1 - t, t
    return weights


# --- along ways ------------------------------------------------------------------------


def divided(mesh: Mesh, rows: IdArray, skin: Skin, way: Way) -> tuple[Mesh, IdArray]:
    """The mesh with the faces that a closed way crosses divided along it.

    Parameters
    ----------
    rows : (K,) the mesh's faces that the skin is of.
    way : closed, the first step not repeated; it must not meet itself.

    Returns
    -------
    The mesh, and (N,) the vertices of the way, in order. Of each divided face the first part
    takes its place, the rest stand at the end, with its tag.
    """
    # The skin's vertices by the mesh's numbers.
    ids = np.zeros(len(skin.points), dtype=np.int64)
    ids[np.asarray(skin.start)] = mesh.faces[rows].ravel()
    loop: list[int] = []
    new: list[FloatArray] = []
    on_edge: dict[int, list[tuple[float, int]]] = {}
    for k, along in way:
        if k >= 0:
            loop.append(int(ids[k]))
            continue
        h, t = ~k, along
        number = len(mesh.vertices) + len(new)
        on_edge.setdefault(h, []).append((t, number))
        on_edge.setdefault(skin.mate[h], []).append((1 - t, number))
        p, q = ids[skin.start[h]], ids[skin.end(h)]
        if p > q:
            p, q, t = q, p, 1 - t
        loop.append(number)
        new.append(mesh.vertices[p] + t * (mesh.vertices[q] - mesh.vertices[p]))
    if not new:
        return mesh, np.array(loop, dtype=np.int64)
    vertices = np.concatenate([mesh.vertices, np.array(new)])
    cuts: dict[int, list[tuple[int, int]]] = {}
    after = [*loop[1:], loop[0]]
    for (k, _), (j, _), a, b in zip(way, [*way[1:], way[0]], loop, after, strict=True):
        if k < 0 or j < 0:
            cuts.setdefault((skin.mate[~k] if k < 0 else ~j) // 3, []).append((a, b))
    faces = mesh.faces.copy()
    more: list[tuple[int, int, int]] = []
    parents: list[int] = []
    for face, chords in cuts.items():
        outline: list[int] = []
        for h in range(3 * face, 3 * face + 3):
            outline.append(int(ids[skin.start[h]]))
            outline += [number for _, number in sorted(on_edge.get(h, []))]
        parts = [t for ring in _cut_up(outline, chords) for t in _triangles(vertices, ring)]
        row = int(rows[face])
        faces[row] = parts[0]
        more += parts[1:]
        parents += [row] * (len(parts) - 1)
    faces = np.concatenate([faces, np.array(more, dtype=np.int32).reshape(-1, 3)])
    tag = np.concatenate([mesh.tag, mesh.tag[parents]])
    out = Mesh(vertices, faces, tag).with_blocks(mesh.blocks.grown(vertices, faces))
    return out, np.array(loop, dtype=np.int64)


def _cut_up(outline: list[int], chords: list[tuple[int, int]]) -> list[list[int]]:
    """A convex ring of vertices cut along chords that do not cross."""
    rings = [outline]
    for a, b in chords:
        k = next(k for k, ring in enumerate(rings) if a in ring and b in ring)
        ring = rings[k]
        i, j = sorted((ring.index(a), ring.index(b)))
        if j - i > 1 and (i, j) != (0, len(ring) - 1):
            rings[k] = ring[i : j + 1]
            rings.append(ring[j:] + ring[: i + 1])
    return rings


def _triangles(vertices: FloatArray, ring: list[int]) -> list[tuple[int, int, int]]:
    """A convex ring, some of its corners straight, in triangles whose worst is best.

    Klincsek, "Minimal triangulations of polygonal domains", Ann. Discrete Math. 9, 1980.
    """
    if len(ring) == 3:
        return [(ring[0], ring[1], ring[2])]
    points = vertices[ring].tolist()
    shape = {ijk: _shape(*(points[x] for x in ijk)) for ijk in combinations(range(len(ring)), 3)}

    @cache
    def best(i: int, j: int) -> tuple[float, int]:
        """The worst shape between corners i and j at its best, and the apex that gives it."""
        if j - i < 2:
            return math.inf, -1
        return max((min(shape[i, k, j], best(i, k)[0], best(k, j)[0]), k) for k in range(i + 1, j))

    out: list[tuple[int, int, int]] = []
    open_sides = [(0, len(ring) - 1)]
    while open_sides:
        i, j = open_sides.pop()
        if j - i >= 2:
            k = best(i, j)[1]
            out.append((ring[i], ring[k], ring[j]))
            open_sides += [(i, k), (k, j)]
    return out


def _shape(a: list[float], b: list[float], c: list[float]) -> float:
    """A triangle's height against its longest side."""
    x, y, z = math.dist(b, c), math.dist(c, a), math.dist(a, b)
    u, v = (
        [q - p for p, q in zip(a, b, strict=True)],
        [q - p for p, q in zip(a, c, strict=True)],
    )
    cross = (
        u[1] * v[2] - u[2] * v[1],
        u[2] * v[0] - u[0] * v[2],
        u[0] * v[1] - u[1] * v[0],
    )
    return math.hypot(*cross) / max(x, y, z, 1e-150) ** 2
