"""Sketches: points picked along the skin, placed on it and joined along mesh edges, drawn into
creases on the way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seamwright.adjacency import EdgeTable
from seamwright.errors import BadInput
from seamwright.geodesic import Skin
from seamwright.line import bends, cheapest_way, local_faces, shares, walk_length
from seamwright.mesh import BoolArray, FloatArray, Mesh
from seamwright.outline import IdArray
from seamwright.seam import place
from seamwright.subdivision import with_points

BESIDE = 0.25
"""A point to and from which the line only leaves a crease goes into it, if that is no more than
this share of either leg away: so points picked a little beside a crease do no harm. From one
farther off the line keeps out of creases (common practice, no source)."""
IN_CREASE = 0.6
"""What a mm costs at most in what counts as a crease when that is decided."""
NOISE, MOST_NOISE = 1.0, 15.0
"""A bend counts as a crease by how much it is over so many times the median bend of the skin
about the line, but no more than so many degrees (common practice, no source)."""
ROWS_ABOUT = 4
"""Rows of faces beside a leg from which its creases are told."""

Legs = dict[tuple[bytes, bytes, float], list[int]]
"""Vertices of ways found already, without their ends: by the places of those, and by what a mm
in a crease costs."""


@dataclass(frozen=True, eq=False)
class Sketch:
    """A closed walk along mesh edges through points placed on the skin.

    mesh : with a vertex for every point.
    numbers : which point each leg begins at. legs : vertices from it to the next.
    fixed : whether a leg is one edge, as given.
    """

    mesh: Mesh
    numbers: list[int]
    legs: list[list[int]]
    fixed: list[bool]


def sketched(mesh: Mesh, picked: FloatArray, crease: float, within: float) -> Sketch:
    """The points (N, 3) placed on the mesh and joined; see `drawing.drawn`.

    Raises
    ------
    BadInput
        If a point is away from the surface, two have no way over it between them, or all are
        one.
    """
    known: Legs = {}
    sketch = _joined_up(mesh, picked, crease, within, set(), known)
    moved, apart = _beside_creases(sketch, crease, len(mesh.vertices), known)
    if not moved and not apart:
        return sketch
    picked = picked.copy()
    for number, point in moved.items():
        picked[number] = point
    return _joined_up(mesh, picked, crease, within, apart, known)


def _joined_up(
    mesh: Mesh, picked: FloatArray, crease: float, within: float, apart: set[int], known: Legs
) -> Sketch:
    """The points placed and joined; those set apart, by the shortest ways."""
    given = len(mesh.vertices)
    mesh, vertex, exact = with_points(mesh, picked, within)
    # A point on the same vertex as the one before it says nothing.
    kept = np.flatnonzero(vertex != np.roll(vertex, 1))
    if not len(kept):
        raise closes_on_nothing(picked[0])
    numbers = kept.tolist()
    ends = np.stack([vertex[kept], np.roll(vertex[kept], -1)], axis=1)
    fixed = ((exact[kept] & np.roll(exact[kept], -1)) & _have_edges(mesh, ends)).tolist()
    legs: list[list[int]] = []
    for k, (a, b) in enumerate(ends.tolist()):
        between = {numbers[k], numbers[(k + 1) % len(numbers)]}
        cost = 1.0 if between & apart else crease
        key = _key(mesh, a, b, cost)
        leg = [a, *known.get(key, []), b]
        if not fixed[k] and (key not in known or not _is_walk(mesh, leg)):
            leg = cheapest_way(mesh, a, b, cost)
            _remember(known, mesh, given, leg, cost)
        legs.append(leg)
    return Sketch(mesh, numbers, legs, fixed)


def _key(mesh: Mesh, a: int, b: int, cost: float) -> tuple[bytes, bytes, float]:
    return mesh.vertices[a].tobytes(), mesh.vertices[b].tobytes(), cost


def _remember(known: Legs, mesh: Mesh, given: int, leg: list[int], cost: float) -> None:
    """Keep a way for the next sketch, in which only vertices below `given` have these numbers."""
    if max(leg[1:-1], default=-1) < given:
        known[_key(mesh, leg[0], leg[-1], cost)] = leg[1:-1]


def _is_walk(mesh: Mesh, leg: list[int]) -> bool:
    return bool(_have_edges(mesh, np.stack([leg[:-1], leg[1:]], axis=1)).all())


def _have_edges(mesh: Mesh, ends: IdArray) -> BoolArray:
    """(N,) whether a mesh edge joins each pair (N, 2) of vertices."""
    on = np.zeros(len(mesh.vertices), dtype=bool)
    on[ends] = True
    a, b, c = (on[corner] for corner in mesh.faces.T)
    tri = mesh.faces[(a & b) | (b & c) | (c & a)].astype(np.int64)
    pairs = np.sort(np.concatenate([tri[:, [0, 1]], tri[:, [1, 2]], tri[:, [2, 0]]]), axis=1)
    mine = np.sort(ends, axis=1)
    count = len(mesh.vertices)
    return np.isin(mine[:, 0] * count + mine[:, 1], pairs[:, 0] * count + pairs[:, 1])


def closes_on_nothing(at: FloatArray) -> BadInput:
    """What to say of a line that encloses nothing."""
    return BadInput(
        f"The line through {place(at)} closes on nothing: it runs out and back "
        "the same way; pick points all the way round."
    )


# --- the skin about it -----------------------------------------------------------------


def skin_about(mesh: Mesh, rows: BoolArray, crease: float) -> tuple[IdArray, Skin, IdArray]:
    """The skin of the chosen faces (F,).

    Returns
    -------
    (K,) the faces, their skin, and (V,) its number for each vertex of the mesh.
    """
    chosen = np.flatnonzero(rows)
    used, faces = local_faces(mesh, chosen)
    table = EdgeTable.of(faces, len(used))
    share = np.ones(len(table.mate))
    h = np.flatnonzero(table.mate >= 0)
    if len(h) and crease < 1:
        # Ridges are not dear here: beside one a mm costs no more than anywhere.
        bend = bends(mesh, chosen, table, h)
        noise = min(NOISE * float(np.median(np.abs(bend))), MOST_NOISE)
        share[h] = shares(np.minimum(bend + noise, 0.0), crease)
    number = np.zeros(len(mesh.vertices), dtype=np.int64)
    number[used] = np.arange(len(used))
    return chosen, Skin.of(mesh.vertices[used], table, share), number


def rows_about(mesh: Mesh, vertices: BoolArray, count: int = 1) -> BoolArray:
    """(F,) which faces are within so many rows of the chosen vertices (V,)."""
    a, b, c = mesh.faces.T
    rows = vertices[a] | vertices[b] | vertices[c]
    for _ in range(count - 1):
        more = np.zeros(len(vertices), dtype=bool)
        more[mesh.faces[rows]] = True
        rows = more[a] | more[b] | more[c]
    return np.asarray(rows)


# --- points beside creases -------------------------------------------------------------


def _beside_creases(
    sketch: Sketch, crease: float, given: int, known: Legs
) -> tuple[dict[int, FloatArray], set[int]]:
    """Points to and from which the walk only leaves a crease.

    given : how many vertices there were before the points were placed.

    Returns
    -------
    Those very near it, and where they go in it; and those that are farther off. The ways
    between those that go are put into `known`.
    """
    mesh, legs = sketch.mesh, sketch.legs
    moved: dict[int, FloatArray] = {}
    apart: set[int] = set()
    if crease >= 1 or all(sketch.fixed):
        return moved, apart
    about = np.zeros(len(mesh.vertices), dtype=bool)
    for leg in legs:
        about[leg] = True
    _, skin, number = skin_about(mesh, rows_about(mesh, about, ROWS_ABOUT), crease)
    # Where in each leg the crease begins that it first runs in, and ends that it last does.
    first, last = [0] * len(legs), [len(leg) - 1 for leg in legs]
    for k, point in enumerate(sketch.numbers):
        if sketch.fixed[k - 1] or sketch.fixed[k]:
            continue
        runs = legs[k - 1][::-1], legs[k]
        come, go = (_to_crease(skin, number[run].tolist()) for run in runs)
        if not come or not go:
            continue
        away = [
            walk_length(mesh.vertices[run[: at + 1]]) / walk_length(mesh.vertices[run])
            for run, at in zip(runs, (come, go), strict=True)
        ]
        if max(away) <= BESIDE:
            last[k - 1] -= come
            first[k] = go
            moved[point] = mesh.vertices[runs[0][come]]
        else:
            apart.add(point)
    for k, leg in enumerate(legs):
        middle = leg[first[k] : last[k] + 1]
        if len(middle) > 1 and (first[k] or last[k] < len(leg) - 1):
            start = legs[k - 1][last[k - 1]] if first[k] else leg[0]
            if start != middle[0]:
                middle = cheapest_way(mesh, start, middle[0], crease) + middle[1:]
            _remember(known, mesh, given, middle, crease)
    return moved, apart


def _to_crease(skin: Skin, leg: list[int]) -> int:
    """At which place in a leg it comes to run in a crease; 0 if at once or never."""
    edges = [h for h in map(skin.between, leg, leg[1:]) if h >= 0]
    if len(edges) < len(leg) - 1:
        # It runs over a border or the like, where no line may.
        return 0
    run = [(skin.share[h], skin.length[h]) for h in edges]
    first = next((i for i, (share, _) in enumerate(run) if share <= IN_CREASE), 0)
    away = sum(size for _, size in run[:first])
    # The crease must be worth it: on the whole one for twice as far as it is away.
    size = cost = 0.0
    for share, length in run[first:]:
        size += length
        cost += share * length
        if size >= 2 * away:
            return first if cost <= IN_CREASE * size else 0
    return 0
