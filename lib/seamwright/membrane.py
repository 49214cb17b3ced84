"""Membranes: the surface that spans a closed line, flat or of least area as a soap film is."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property

import manifold3d
import numpy as np
import numpy.typing as npt
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import splu

from seamwright.adjacency import EdgeTable
from seamwright.contact import first_crossing
from seamwright.errors import BadInput
from seamwright.filling import faces_under
from seamwright.line import best_plane
from seamwright.mesh import BoolArray, FloatArray, IndexArray, IntArray
from seamwright.outline import IdArray, dot, loop_area
from seamwright.seam import place

NEARLY_FLAT = 0.01
"""A line that strays from its plane by less than this share of its extent is spanned flat:
1 mm on a limb 100 mm thick (common practice, no source)."""
MOST_POINTS = 5000
"""Inner points of a membrane; a finer spacing is widened to keep to it (common practice,
no source: about a second of solving)."""
ROUNDS = 60
"""Rounds of halving long edges; each makes about half of them shorter, so that 25 are much."""
COARSE = 120
"""Points of a line that the first spanning of a tangled line looks at: its time goes with
their cube."""
LEAST_SINE = 1e-6
"""Corners sharper than this have their cotangent capped, so that no weight is infinite."""
SETTLED = 1e-5
"""Share of its area that a membrane may still lose in a round when it is taken as settled:
some 1/100 mm on a limb 100 mm thick (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Membrane:
    """A surface that spans a closed line.

    Attributes
    ----------
    vertices : (M, 3) mm; the first `rim` are the line's points, in order, to the last bit.
    faces : (T, 3) int32; the rim runs along the line, so the right-hand rule of the line
        gives the faces' normals.
    rim : how many points the line has.
    """

    vertices: FloatArray
    faces: IntArray
    rim: int

    @property
    def triangles(self) -> FloatArray:
        """(T, 3, 3) corners, mm."""
        return np.asarray(self.vertices[self.faces])

    @cached_property
    def area(self) -> float:
        """mm²."""
        return area_of(self.vertices, self.faces)


def area_of(vertices: FloatArray, faces: IntArray) -> float:
    """Area of a triangulated surface, mm²."""
    return float(0.5 * np.linalg.norm(_normals(vertices, faces), axis=1).sum())


def _normals(vertices: FloatArray, faces: IntArray) -> FloatArray:
    """(T, 3) normals, as long as twice each face's area."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.asarray(np.cross(b - a, c - a))


# --- spanning --------------------------------------------------------------------------


def membrane(
    line_points: npt.ArrayLike,
    *,
    nearly_flat: float = NEARLY_FLAT,
    spacing: float | None = None,
    barred: npt.ArrayLike | None = None,
) -> Membrane:
    """The surface that spans a closed line.

    A nearly flat line is filled in its plane without inner points. Any other gets a
    discrete surface of least area with inner points about as dense as the line's own, none
    of whose inner edges joins two points of the line.

    Parameters
    ----------
    line_points : (N, 3) mm, in order, the first not repeated.
    nearly_flat : share of the line's extent by which it may stray from its plane.
    spacing : mm between inner points; None for the line's own middle spacing.
    barred : (K, 2) pairs of places in the line which no edge of the membrane may join,
        because a skin edge does already.

    Raises
    ------
    BadInput
        If there are fewer than three points, two in a row are the same, or the line has no
        extent across.
    """
    points = np.array(line_points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1:] != (3,) or len(points) < 3:
        raise BadInput(f"A line of shape {points.shape} spans nothing; give (N, 3), N ≥ 3.")
    sides = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    if not np.isfinite(points).all() or not (sides > 0).all():
        k = int(np.argmin(np.where(np.isfinite(sides), sides, -1.0)))
        raise BadInput(
            f"The line stands still or is no number at {place(points[k])}; "
            "merge its doubled points."
        )
    frame = best_plane(points)
    extent = float(np.linalg.norm(np.ptp(points, axis=0)))
    filled = _in_plane(frame.to_plane(points))
    flat = float(np.abs(frame.heights(points)).max()) <= nearly_flat * extent
    pairs = np.asarray([] if barred is None else barred, dtype=np.int64).reshape(-1, 2)
    if flat and filled is not None:
        # A line drawn across flat faces has straight runs, whose ears would lie in the skin.
        filled = _turned(points, filled, 0)
        return Membrane(*halved(points, filled, pairs), len(points))
    first = _least_area(points) if filled is None else filled
    if area_of(points, first) <= 1e-9 * extent**2:
        raise BadInput(
            f"The line at {place(points[0])} has no width to span; pick points round the limb."
        )
    vertices, faces = _refined(points, first, spacing or float(np.median(sides)))
    fixed = np.arange(len(vertices)) < len(points)
    # A soap film slides along itself as it settles: between rounds its edges are turned.
    for tolerance in (1e-3, 1e-4, SETTLED):
        vertices = relaxed(vertices, faces, fixed, tolerance=tolerance)
        if tolerance > SETTLED:
            faces = _turned(vertices, faces, len(points))
    return Membrane(vertices, faces, len(points))


def _in_plane(flat: FloatArray) -> IntArray | None:
    """(N - 2, 3) faces over a loop (N, 2) in a plane; None where the loop crosses itself."""
    faces = np.asarray(manifold3d.triangulate([np.ascontiguousarray(flat)]), dtype=np.int32)
    faces = faces.reshape(-1, 3)
    if len(faces) != len(flat) - 2:
        return None
    a, b, c = (flat[faces[:, k]] for k in range(3))
    areas = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    whole = loop_area(flat)
    # Faces that cover the loop's area once, none turned over, are a simple loop's.
    good = whole > 0 and areas.min() > -1e-9 * whole and abs(areas.sum() - whole) <= 1e-6 * whole
    return faces if good else None


def _least_area(points: FloatArray) -> IntArray:
    """(N - 2, 3) faces over a closed line (N, 3) in space, of about least area.

    By dynamic programming over chords: Barequet & Sharir, "Filling gaps in the boundary of
    a polyhedron", Computer Aided Geometric Design 12, 1995. Of a long line only some
    points take part, and the stretches between them are fanned.
    """
    count = len(points)
    kept = np.unique(np.linspace(0, count, min(count, COARSE), endpoint=False).astype(np.int32))
    p, n = points[kept], len(kept)
    area, apex = np.zeros((n, n)), np.zeros((n, n), dtype=np.int32)
    for gap in range(2, n):
        i = np.arange(n - gap)
        j, k = i + gap, i[:, None] + np.arange(1, gap)
        across = np.cross(p[k] - p[i][:, None], (p[j] - p[i])[:, None])
        total = area[i[:, None], k] + area[k, j[:, None]] + 0.5 * np.linalg.norm(across, axis=2)
        best = np.argmin(total, axis=1)
        apex[i, j], area[i, j] = k[i, best], total[i, best]
    faces = [tuple(t) for t in kept[faces_under(apex)].tolist()]
    for a, b in zip(kept.tolist(), [*kept.tolist()[1:], count], strict=True):
        faces += [(a, j, (j + 1) % count) for j in range(a + 1, b)]
    return np.array(faces, dtype=np.int32)


# --- refining --------------------------------------------------------------------------


def _refined(points: FloatArray, faces: IntArray, spacing: float) -> tuple[FloatArray, IntArray]:
    """A first spanning with inner points about `spacing` mm apart, its edges turned.

    Long inner edges are halved and edges turned by turns, as in the refinement of Liepa,
    "Filling holes in meshes", Symposium on Geometry Processing, 2003. Edges that join two
    points of the line are always halved. How long an inner edge may be goes over from the
    line's own edges to the middle, as there.
    """
    vertices, rim = points, len(points)
    # A point of a triangular grid has √3/2 spacing² to itself.
    finest = np.sqrt(area_of(points, faces) / (np.sqrt(0.75) * MOST_POINTS))
    sides = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    # Beside long edges of the line, which cannot be halved, inner edges may be as long:
    # halving those again and again would only crowd points against them.
    scale = np.maximum(max(spacing, float(finest)), np.maximum(sides, np.roll(sides, 1)))
    for done in itertools.count():
        table = EdgeTable.of(faces, len(vertices))
        a, b = table.start, table.end
        length = np.linalg.norm(vertices[a] - vertices[b], axis=1)
        long = length > 4 / 3 * 0.5 * (scale[a] + scale[b])
        if done >= ROUNDS:
            long[:] = False
        wanted = (table.mate >= 0) & (long | ((a < rim) & (b < rim)))
        if not wanted.any():
            break
        chosen = _mutual(table, np.where(wanted, length, -1.0))
        scale = np.concatenate([scale, 0.5 * (scale[a[chosen]] + scale[b[chosen]])])
        vertices, faces = _split(vertices, faces, table, chosen)
        faces = _turned(vertices, faces, rim, rounds=4)
    return vertices, _turned(vertices, faces, rim)


def halved(points: FloatArray, faces: IntArray, barred: IdArray) -> tuple[FloatArray, IntArray]:
    """The same surface with a point in the middle of every barred inner edge."""
    vertices, count = points, len(points)
    no_go = np.unique(np.minimum(*barred.T) * count + np.maximum(*barred.T))
    while True:
        table = EdgeTable.of(faces, len(vertices))
        low = np.minimum(table.start, table.end).astype(np.int64)
        high = np.maximum(table.start, table.end).astype(np.int64)
        wanted = (table.mate >= 0) & (high < count) & np.isin(low * count + high, no_go)
        if not wanted.any():
            return vertices, faces
        chosen = _mutual(table, np.where(wanted, 1.0, -1.0))
        vertices, faces = _split(vertices, faces, table, chosen)


def _mutual(table: EdgeTable, score: FloatArray) -> IntArray:
    """Half-edges, one an edge, of wanted edges that are the best of both their faces.

    score : (3F,) the same for both half-edges of an edge, below 0 for those not wanted.
    No two of the edges share a face, so all can be changed at once; the best of all is
    always among them.
    """
    order = np.lexsort((np.minimum(np.arange(len(score)), table.mate), score))
    rank = np.empty(len(score), dtype=np.int64)
    rank[order] = np.arange(len(score))
    # Both half-edges of an edge get the higher of their two ranks.
    inner = np.flatnonzero(table.mate >= 0)
    rank[inner] = np.maximum(rank[inner], rank[table.mate[inner]])
    best = 3 * np.arange(len(score) // 3) + np.argmax(
        np.where(score < 0, -1, rank).reshape(-1, 3), axis=1
    )
    best = best[score[best] >= 0]
    is_best = np.zeros(len(score), dtype=bool)
    is_best[best] = True
    return np.asarray(best[is_best[table.mate[best]] & (best < table.mate[best])], dtype=np.int32)


def _around(faces: IntArray, table: EdgeTable, h: IntArray) -> tuple[IntArray, ...]:
    """Ends a, b of half-edges and the third vertices of the faces on their two sides."""
    g = table.mate[h]
    third = faces.ravel()
    return (
        table.start[h],
        table.end[h],
        third[3 * (h // 3) + (h + 2) % 3],
        third[3 * (g // 3) + (g + 2) % 3],
    )


def _split(
    vertices: FloatArray, faces: IntArray, table: EdgeTable, h: IntArray
) -> tuple[FloatArray, IntArray]:
    """A point in the middle of each edge, none of which share a face."""
    a, b, c, d = _around(faces, table, h)
    m = len(vertices) + np.arange(len(h), dtype=np.int32)
    faces = faces.copy()
    faces[h // 3] = np.stack([a, m, c], axis=1)
    faces[table.mate[h] // 3] = np.stack([b, m, d], axis=1)
    more = [np.stack([m, b, c], axis=1), np.stack([m, a, d], axis=1)]
    middle = 0.5 * (vertices[a] + vertices[b])
    return np.concatenate([vertices, middle]), np.concatenate([faces, *more])


def _turned(vertices: FloatArray, faces: IntArray, rim: int, rounds: int = 50) -> IntArray:
    """Faces with each edge turned whose two facing angles exceed a straight one.

    That makes the triangulation Delaunay, so that no cotangent weight is negative: Bobenko
    & Springborn, "A discrete Laplace-Beltrami operator for simplicial surfaces", 2007. No
    edge is turned to join two points of the line, nor to fold the surface.
    """
    for _ in range(rounds):
        table = EdgeTable.of(faces, len(vertices))
        h = np.flatnonzero(table.mate > np.arange(len(table.mate))).astype(np.int32)
        a, b, c, d = _around(faces, table, h)
        cot = [_cotangents(vertices[x], vertices[a], vertices[b]) for x in (c, d)]
        wanted = (cot[0] + cot[1] < -1e-9) & ~((c < rim) & (d < rim))
        low, high = (x.astype(np.int64) for x in (np.minimum(c, d), np.maximum(c, d)))
        known = np.minimum(a, b).astype(np.int64) * len(vertices) + np.maximum(a, b)
        wanted &= ~np.isin(low * len(vertices) + high, known)
        some = np.flatnonzero(wanted)
        a, b, c, d = a[some], b[some], c[some], d[some]
        old = _fold(vertices, np.stack([a, b, c], 1), np.stack([b, a, d], 1))
        new = _fold(vertices, np.stack([a, d, c], 1), np.stack([d, b, c], 1))
        some = some[new >= np.minimum(old, 0.5) - 1e-9]
        score = np.full(len(table.start), -1.0)
        score[h[some]] = -(cot[0] + cot[1])[some]
        score[table.mate[h[some]]] = score[h[some]]
        chosen = _mutual(table, score)
        if not len(chosen):
            break
        a, b, c, d = _around(faces, table, chosen)
        pair = np.minimum(c, d).astype(np.int64) * len(vertices) + np.maximum(c, d)
        once = np.unique(pair, return_index=True)[1]
        a, b, c, d, chosen = (x[once] for x in (a, b, c, d, chosen))
        faces = faces.copy()
        faces[chosen // 3] = np.stack([a, d, c], axis=1)
        faces[table.mate[chosen] // 3] = np.stack([d, b, c], axis=1)
    return faces


def _fold(vertices: FloatArray, one: IntArray, other: IntArray) -> FloatArray:
    """(N,) cosine between the normals of pairs of faces; 1 is flat on."""
    n, m = _normals(vertices, one), _normals(vertices, other)
    size = np.linalg.norm(n, axis=1) * np.linalg.norm(m, axis=1)
    return np.asarray(dot(n, m) / np.maximum(size, 1e-300))


def _cotangents(at: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """(N,) cotangent of the angle at `at` in each triangle, capped where it is a needle."""
    u, v = b - at, c - at
    sine = np.linalg.norm(np.cross(u, v), axis=1)
    least = LEAST_SINE * np.sqrt(dot(u, u) * dot(v, v))
    return np.asarray(dot(u, v) / np.maximum(np.maximum(sine, least), 1e-300))


# --- relaxing --------------------------------------------------------------------------


def relaxed(
    vertices: FloatArray,
    faces: IntArray,
    fixed: BoolArray,
    *,
    tolerance: float = 1e-6,
    most: int = 100,
) -> FloatArray:
    """Vertices (V, 3) moved until the surface's area is least, those `fixed` (V,) kept.

    Pinkall & Polthier, "Computing discrete minimal surfaces and their conjugates",
    Experimental Mathematics 2, 1993: each round takes the free vertices to where the
    energy of the map from the present surface is least, which can only make the area
    smaller. Vertices that no face uses stay. The surface may have any boundaries.

    tolerance : stops when a round takes off less than this share of the area.
    most : rounds.
    """
    free = np.flatnonzero(~fixed & (np.bincount(faces.ravel(), minlength=len(vertices)) > 0))
    if not len(free):
        return vertices
    area = area_of(vertices, faces)
    for _ in range(most):
        goal = _harmonic(vertices, faces, free)
        # Capped needles or rounding may overshoot: go only as far as the area falls.
        for share in (1.0, 0.5, 0.25, 0.1):
            tried = vertices.copy()
            tried[free] += share * (goal - vertices[free])
            tried_area = area_of(tried, faces)
            if tried_area < area:
                break
        else:
            break
        gain, vertices, area = area - tried_area, tried, tried_area
        if gain <= tolerance * area:
            break
    return vertices


def _harmonic(vertices: FloatArray, faces: IntArray, free: IndexArray) -> FloatArray:
    """Where the free vertices have least energy, with the cotangent weights of the surface."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    weights = [_cotangents(a, b, c), _cotangents(b, c, a), _cotangents(c, a, b)]
    start = np.concatenate([faces[:, 1], faces[:, 2], faces[:, 0]])
    end = np.concatenate([faces[:, 2], faces[:, 0], faces[:, 1]])
    weight = 0.5 * np.concatenate(weights)
    count = len(vertices)
    place_of = np.full(count, -1, dtype=np.int64)
    place_of[free] = np.arange(len(free))
    u, v, w = np.r_[start, end], np.r_[end, start], np.tile(weight, 2)
    here = place_of[u] >= 0
    u, v, w = place_of[u[here]], v[here], w[here]
    inner = place_of[v] >= 0
    diagonal = np.bincount(u, w, minlength=len(free))
    # A vertex all of whose faces have shrunk to a point is held by nothing: it stays.
    loose = np.bincount(u, np.abs(w), minlength=len(free)) == 0
    diagonal[loose] = 1.0
    every = np.arange(len(free))
    matrix = csc_matrix(
        (
            np.r_[diagonal, -w[inner]],
            (np.r_[every, u[inner]], np.r_[every, place_of[v[inner]]]),
        ),
        shape=(len(free), len(free)),
    )
    pull = np.stack(
        [
            np.bincount(u[~inner], w[~inner] * vertices[v[~inner], k], minlength=len(free))
            for k in range(3)
        ],
        axis=1,
    )
    pull[loose] = vertices[free[loose]]
    solver = splu(matrix, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
    return np.asarray(solver.solve(pull))


# --- crossing --------------------------------------------------------------------------


def require_simple(surface: Membrane) -> None:
    """Raise BadInput, with the place, if the membrane crosses or touches itself."""
    found = first_crossing(surface.vertices, surface.faces, surface.vertices, surface.faces)
    if found is None:
        found = _folded(surface)
    if found is not None:
        raise BadInput(
            f"The surface that spans the line crosses itself at {place(found)}; "
            "make the line simpler there."
        )


def _folded(surface: Membrane) -> FloatArray | None:
    """A place where two faces lie flat on each other about their edge, or None."""
    table = EdgeTable.of(surface.faces, len(surface.vertices))
    h = np.flatnonzero(table.mate > np.arange(len(table.mate)))
    fold = _fold(surface.vertices, surface.faces[h // 3], surface.faces[table.mate[h] // 3])
    if not len(fold) or fold.min() > -1 + 1e-9:
        return None
    k = h[int(np.argmin(fold))]
    return np.asarray(surface.vertices[surface.faces[k // 3]].mean(axis=0))
