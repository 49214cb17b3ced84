"""Fillings for holes: flat ones in their plane, curved ones that bend least."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import manifold3d
import numpy as np

from seamwright.adjacency import EdgeTable, fan_of_corner, next_corner
from seamwright.frame import Frame
from seamwright.mesh import BoolArray, FloatArray, IntArray, Mesh

Rim = list[int]
Edge = tuple[int, int]

FLAT_RIM = 0.02
"""A rim that strays less than this share of its extent from a plane is filled flat."""
LONG_RIM = 200
"""Filling a curved rim takes time with the cube of its edges; longer rims are first
cut down to this many (the cube is Liepa's, 2003; the number is common practice)."""


def rims_of(table: EdgeTable) -> tuple[list[Rim], int]:
    """Closed walks along open edges that pass no vertex twice, and how many edges are in none.

    A walk runs against the faces, as their filling will. Where holes touch at a vertex
    it goes on along another fan of faces, across the hole, and where it comes back to
    a vertex it has passed, it has gone round a hole.
    """
    rim = table.open
    fan_out = fan_in = rim
    if len(np.unique(table.end[rim])) < len(rim):
        fan = fan_of_corner(table.start, table.mate)
        fan_out, fan_in = fan[next_corner(rim)], fan[rim]
    onward: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    edges = [x.tolist() for x in (table.end[rim], table.start[rim], fan_out, fan_in)]
    for a, *ahead in zip(*edges, strict=True):
        onward[a].append((ahead[0], ahead[1], ahead[2]))
    rims: list[Rim] = []
    astray = 0
    for first in edges[0]:
        path, place, fan_here = [first], {first: 0}, -1
        while ways := onward[path[-1]]:
            across = (i for i, way in enumerate(ways) if way[1] != fan_here)
            v, _, fan_here = ways.pop(next(across, 0))
            if v not in place:
                place[v] = len(path)
                path.append(v)
                continue
            rims.append(path[place[v] :])
            for passed in path[place[v] + 1 :]:
                del place[passed]
            del path[place[v] + 1 :]
        astray += len(path) - 1
    return rims, astray


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What is about the holes while they are being filled.

    vertices : (V, 3) mm. taken : edges between rim vertices, lesser vertex first.
    beside : unit normal of the face beyond each open edge, as the filling runs along it.
    hubs : vertices added so far.
    """

    vertices: FloatArray
    taken: set[Edge]
    beside: dict[Edge, FloatArray]
    hubs: list[FloatArray]

    @staticmethod
    def of(mesh: Mesh, table: EdgeTable) -> Surroundings:
        a, b = table.end[table.open], table.start[table.open]
        on_rim = np.zeros(len(mesh.vertices), dtype=bool)
        on_rim[a] = on_rim[b] = True
        ends = np.sort(np.stack([table.start, table.end])[:, on_rim[table.start]], axis=0)
        taken = set(zip(*ends[:, on_rim[ends].all(axis=0)].tolist(), strict=True))
        normals = _unit(mesh.face_vectors_of(table.open // 3))
        edges = zip(a.tolist(), b.tolist(), strict=True)
        return Surroundings(mesh.vertices, taken, dict(zip(edges, normals, strict=True)), [])

    def is_free(self, faces: IntArray) -> bool:
        """Whether no edge within a filling is there already."""
        return self.taken.isdisjoint(_edges_within(faces))


def filling_of(about: Surroundings, nest: list[Rim]) -> IntArray:
    """(T, 3) faces that close a nest of rims.

    A flat nest is triangulated in its plane, others get the filling that bends least.
    Where neither goes without doubling an edge that is there already, the rim is
    joined to a new vertex in its middle.
    """
    rim = nest[0]
    if len(nest) == 1 and len(rim) == 3:
        return np.array([rim], dtype=np.int32)
    plane = _plane(about.vertices[rim])
    filling = None if plane is None else _flat_filling(about.vertices, nest, plane)
    if filling is None or not about.is_free(filling):
        if len(nest) > 1:
            return np.concatenate([filling_of(about, [one]) for one in nest])
        filling = _curved_filling(about, rim)
    if filling is None or not about.is_free(filling):
        hub = np.full(len(rim), len(about.vertices) + len(about.hubs))
        about.hubs.append(about.vertices[rim].mean(axis=0))
        filling = np.stack([hub, rim, np.roll(rim, -1)], axis=1).astype(np.int32)
    about.taken.update(_edges_within(filling))
    return filling


@dataclass(frozen=True, eq=False)
class _Plane:
    """A flat rim's centre (3,) mm, unit normal (3,), area mm² and allowed stray mm."""

    centre: FloatArray
    normal: FloatArray
    area: float
    stray: float


def _plane(rim: FloatArray) -> _Plane | None:
    """The plane of a rim (N, 3) by Newell's method, or None if it is not flat."""
    centre = rim.mean(axis=0)
    arm = rim - centre
    normal = 0.5 * np.cross(arm, np.roll(arm, -1, axis=0)).sum(axis=0)
    area, extent = float(np.linalg.norm(normal)), float(np.linalg.norm(np.ptp(rim, axis=0)))
    if area <= 1e-9 * extent**2:
        return None
    normal /= area
    stray = FLAT_RIM * extent
    return _Plane(centre, normal, area, stray) if np.abs(arm @ normal).max() <= stray else None


def nested(vertices: FloatArray, rims: list[Rim]) -> list[list[Rim]]:
    """Rims to fill together: a flat rim and the flat rims in it that run the other way.

    That is how the open foot of a hollow figure looks: skin outside, hollow inside.
    """
    # Rims of three edges are many in a torn mesh, and never the foot of a figure.
    planes = [_plane(vertices[rim]) if len(rim) > 3 else None for rim in rims]
    flat = [(plane, rim) for plane, rim in zip(planes, rims, strict=True) if plane is not None]
    flat.sort(key=lambda pair: -pair[0].area)
    nests = [[rim] for plane, rim in zip(planes, rims, strict=True) if plane is None]
    normals = np.array([plane.normal for plane, _ in flat]).reshape(-1, 3)
    centres = np.array([plane.centre for plane, _ in flat]).reshape(-1, 3)
    heads: dict[int, list[Rim]] = {}
    for j, (plane, rim) in enumerate(flat):
        level = np.abs(((centres - plane.centre) * normals).sum(axis=1)) <= plane.stray
        facing = np.flatnonzero(level & (normals @ plane.normal < -0.999))
        # The last one that is larger is the closest around it.
        around = [
            i
            for i in facing.tolist()
            if i < j and i in heads and _encloses(flat[i][0], vertices[flat[i][1]], vertices[rim])
        ]
        if around:
            heads[around[-1]].append(rim)
        else:
            heads[j] = [rim]
    return nests + list(heads.values())


def _encloses(plane: _Plane, outline: FloatArray, rim: FloatArray) -> bool:
    """Whether every vertex of `rim` lies inside the flat `outline`, by counting crossings."""
    frame = Frame.on_plane(plane.centre, plane.normal)
    a, q = frame.to_plane(outline), frame.to_plane(rim)[:, None]
    b = np.roll(a, -1, axis=0)
    spans = (a[:, 1] > q[..., 1]) != (b[:, 1] > q[..., 1])
    rise = np.where(b[:, 1] == a[:, 1], 1.0, b[:, 1] - a[:, 1])
    x = a[:, 0] + (q[..., 1] - a[:, 1]) * (b[:, 0] - a[:, 0]) / rise
    return bool(((spans & (x > q[..., 0])).sum(axis=1) % 2 == 1).all())


def _edges_within(faces: IntArray) -> list[Edge]:
    """Edges that two or more of `faces` (T, 3) share."""
    sides = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    edges, count = np.unique(sides, axis=0, return_counts=True)
    return [(a, b) for a, b in edges[count > 1].tolist()]


def _flat_filling(vertices: FloatArray, nest: list[Rim], plane: _Plane) -> IntArray | None:
    """(T, 3) faces over flat rims, the outer first; None where the rims cross themselves."""
    frame = Frame.on_plane(plane.centre, plane.normal)
    outlines = [frame.to_plane(vertices[rim]) for rim in nest]
    faces = np.asarray(manifold3d.triangulate(outlines)).reshape(-1, 3)
    points, ids = np.concatenate(outlines), np.concatenate(nest)
    a, b, c = (points[faces[:, i]] for i in range(3))
    areas = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    whole = sum(
        0.5 * float((q[:, 0] * np.roll(q[:, 1], -1) - q[:, 1] * np.roll(q[:, 0], -1)).sum())
        for q in outlines
    )
    if len(faces) != len(ids) + 2 * len(nest) - 4 or areas.min() < -1e-9 * whole:
        return None
    return ids[faces].astype(np.int32) if abs(areas.sum() - whole) <= 1e-6 * whole else None


def _curved_filling(about: Surroundings, rim: Rim) -> IntArray | None:
    """(T, 3) faces that bend least over a rim in space; None where no filling is free.

    By dynamic programming over the rim's chords: Barequet & Sharir, "Filling gaps in
    the boundary of a polyhedron", Computer Aided Geometric Design 12 (1995), with the
    weights of Liepa, "Filling holes in meshes", Symposium on Geometry Processing 2003:
    the sharpest fold first, then the area. Area alone folds fillings back onto the
    faces about the hole. Long rims first lose their shortest ears, as a front advances.
    """
    ring, ears, vertices = list(rim), [], about.vertices
    beside = {edge: about.beside[edge] for edge in zip(rim, rim[1:] + rim[:1], strict=True)}

    def barred(a: int, b: int) -> bool:
        return (min(a, b), max(a, b)) in about.taken or (b, a) in beside or (a, b) in beside

    while len(ring) > LONG_RIM:
        p = vertices[ring]
        chord = np.linalg.norm(np.roll(p, 1, axis=0) - np.roll(p, -1, axis=0), axis=1)
        for i in np.argsort(chord, kind="stable").tolist():
            a, b = ring[i - 1], ring[(i + 1) % len(ring)]
            if not barred(a, b):
                break
        else:
            return None
        ears.append([a, ring[i], b])
        beside[a, b] = _unit(np.cross(p[i] - vertices[a], vertices[b] - vertices[a]))
        del ring[i]
    edges = zip(ring, ring[1:] + ring[:1], strict=True)
    core = _least_bent(
        vertices[ring],
        np.array([[barred(a, b) for b in ring] for a in ring]),
        np.array([beside[edge] for edge in edges]),
    )
    return None if core is None else np.array(ears + np.array(ring)[core].tolist(), dtype=np.int32)


def _unit(vectors: FloatArray) -> FloatArray:
    """Vectors (..., 3) at length 1; those of no length stay so."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(vectors / np.where(length > 0, length, 1.0))


def _least_bent(p: FloatArray, barred: BoolArray, beside: FloatArray) -> IntArray | None:
    """(N - 2, 3) triangulation of a closed line (N, 3) without the barred chords (N, N).

    beside : (N, 3) unit normal of the face on the other side of each edge of the line.
    """
    n = len(p)
    fold, area = np.zeros((n, n)), np.zeros((n, n))
    normal = np.zeros((n, n, 3))
    normal[np.arange(n - 1), np.arange(1, n)] = beside[:-1]
    apex = np.zeros((n, n), dtype=np.int32)
    for gap in range(2, n):
        i = np.arange(n - gap)
        j, k = i + gap, i[:, None] + np.arange(1, gap)
        near, far = (i[:, None], k), (k, j[:, None])
        across = np.cross(p[k] - p[i][:, None], (p[j] - p[i])[:, None])
        own = _unit(across)
        # One less the cosine between normals: 0 is flat on, 2 is folded back.
        bends = [1 - np.einsum("ikx,ikx->ik", own, normal[side]) for side in (near, far)]
        if gap == n - 1:
            bends.append(1 - own @ beside[-1])
        folds = np.max([*bends, fold[near], fold[far]], axis=0)
        areas = area[near] + area[far] + 0.5 * np.linalg.norm(across, axis=2)
        sharp = folds > folds.min(axis=1, keepdims=True) + 1e-9
        best = np.argmin(np.where(sharp, np.inf, areas), axis=1)
        row = np.arange(len(i))
        apex[i, j], normal[i, j] = k[row, best], own[row, best]
        fold[i, j], area[i, j] = folds[row, best], areas[row, best]
        if gap < n - 1:
            fold[i, j] = np.where(barred[i, j], np.inf, fold[i, j])
    if not np.isfinite(fold[0, n - 1]):
        return None
    return faces_under(apex)


def faces_under(apex: IntArray) -> IntArray:
    """(N - 2, 3) triangles of a triangulation given as the apex over each chord, (N, N)."""
    faces, chords = [], [(0, len(apex) - 1)]
    while chords:
        a, b = chords.pop()
        if b - a > 1:
            m = int(apex[a, b])
            faces.append((a, m, b))
            chords += [(a, m), (m, b)]
    return np.array(faces, dtype=np.int32)
