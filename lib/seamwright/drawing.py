"""Drawing: a line through points picked on the figure, straight over smooth skin and along
creases, the faces that it crosses divided.

figure, line = drawn(figure, points)
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from seamwright.errors import BadInput
from seamwright.geodesic import (
    Skin,
    Step,
    Way,
    straightened,
    tidied,
    way_cost,
    way_length,
)
from seamwright.line import Line, made, walk_length, within_reach
from seamwright.mesh import BoolArray, FloatArray, Mesh
from seamwright.outline import IdArray
from seamwright.seam import CREASE, place
from seamwright.sketch import Sketch, closes_on_nothing, rows_about, sketched, skin_about
from seamwright.subdivision import divided

WITHIN = 5.0
"""A point may lie this far from the surface, mm (common practice, no source)."""
DETOUR = 0.05
"""A loop the line makes in passing, shorter than this share of it, is cut off (common practice,
no source)."""
TIDYINGS = 8
"""How often a line is pulled straight again after loops were cut off."""
ALIKE = 1e-9
"""Share by which a way may cost more and still count as no dearer: rounding."""
PASSING = 5e-3
"""Share of an edge from its end within which the line, where it crosses the edge, is moved on to
that vertex: so that no needles come about (common practice, no source)."""
SAME_PLACE = 1e-6
"""Share of an edge within which two crossings of it are one."""


def drawn(
    mesh: Mesh, points: npt.ArrayLike, *, crease: float = CREASE, within: float = WITHIN
) -> tuple[Mesh, Line]:
    """The line through points picked along the skin, and the figure divided along it.

    Each point is joined to the next, and the last to the first, by the cheapest way along
    mesh edges, where a mm costs 1 over flat skin, less in a crease, down to `crease`, and up
    to 2 on a ridge. Then the way is pulled straight over the faces, except where it would
    cost more so because it leaves a crease. Where the line would run out to a point and back
    the same way, out of a crease to a point beside it, or make a small loop, that is cut off.
    It runs in the order of the points. Points that are vertices, one a mesh edge from the
    next, are joined by that edge: a line of marked edges comes out as it went in.

    Parameters
    ----------
    points : (K, 3) mm, three or more all the way round.
    crease : what a mm in a deep crease costs; 1 and above for the plain shortest way.
    within : farthest a point may be from the surface, mm.

    Returns
    -------
    The mesh, its surface the same: vertices keep their numbers, as do faces that the line does
    not cross; and the line, along its edges.

    Raises
    ------
    BadInput
        If there are fewer than three points, one is away from the surface, two have no way
        over the surface between them, or the line meets itself or closes on nothing; or as
        `made`.
    """
    picked = np.array(points, dtype=np.float64)
    if picked.ndim != 2 or picked.shape[1] != 3 or len(picked) < 3 or not len(mesh.faces):
        raise BadInput(
            "A line needs three points or more of three numbers each, "
            "picked all the way round on the surface; pick more."
        )
    if not np.isfinite(picked).all():
        raise BadInput("A point of the line has a coordinate that is not a number; pick it again.")
    sketch = sketched(mesh, picked, crease, within)
    rows, skin, number = skin_about(sketch.mesh, _reached(sketch), crease)
    way = _closed(skin, sketch, number, picked[0])
    figure, loop = divided(sketch.mesh, rows, skin, _off_vertices(skin, way))
    return figure, made(figure, loop)


def _reached(sketch: Sketch) -> BoolArray:
    """(F,) the faces that the line may run over once its legs are pulled straight."""
    mesh = sketch.mesh
    about = np.zeros(len(mesh.vertices), dtype=bool)
    for leg, given in zip(sketch.legs, sketch.fixed, strict=True):
        about[leg] = True
        if not given:
            reach = within_reach(mesh, leg[0], leg[-1], walk_length(mesh.vertices[leg]))
            about[mesh.faces[reach]] = True
    # And a row of faces more, so that no way runs along the rim of what is looked at.
    return rows_about(mesh, about)


# --- pulling straight ------------------------------------------------------------------


def _along(vertices: list[int]) -> Way:
    return [(v, 0.0) for v in vertices]


def _settled(skin: Skin, leg: list[int]) -> list[Way]:
    """A leg pulled straight as far as that costs nothing, in ways from stop to stop."""
    ways: list[Way] = []
    waiting = [(0, len(leg) - 1)]
    while waiting:
        i, j = waiting.pop()
        walk = _along(leg[i : j + 1])
        way = straightened(skin, walk) if j - i > 1 else walk
        if j - i == 1 or _no_dearer(skin, way, walk):
            ways.append(way)
        else:
            k = i + _farthest(skin, walk, way)
            waiting += [(k, j), (i, k)]
    return _merged(skin, ways)


def _no_dearer(skin: Skin, way: Way, other: Way) -> bool:
    return way_cost(skin, way) <= way_cost(skin, other) * (1 + ALIKE)


def _farthest(skin: Skin, walk: Way, way: Way) -> int:
    """The place in a walk, not an end, of the step farthest from a way."""
    p = np.array([skin.place(step) for step in way])
    a, b = p[:-1], p[1:]
    along = b - a
    squared = np.maximum((along**2).sum(axis=1), 1e-300)
    gaps = []
    for step in walk[1:-1]:
        off = np.array(skin.place(step)) - a
        t = np.clip((off * along).sum(axis=1) / squared, 0.0, 1.0)
        gaps.append(float((((off - t[:, None] * along) ** 2).sum(axis=1)).min()))
    return 1 + int(np.argmax(gaps))


def _merged(skin: Skin, ways: list[Way]) -> list[Way]:
    """Ways that follow each other, made one where the whole, pulled straight, costs no more."""
    while True:
        out = ways[:1]
        for way in ways[1:]:
            whole = straightened(skin, out[-1] + way[1:])
            if _no_dearer(skin, whole, out[-1] + way[1:]):
                out[-1] = whole
            else:
                out.append(way)
        if len(out) == len(ways):
            return out
        ways = out


# --- the closed line -------------------------------------------------------------------


def _closed(skin: Skin, sketch: Sketch, number: IdArray, first: FloatArray) -> Way:
    """The closed way of all legs, pulled straight, without spikes and small loops.

    number : (V,) the skin's number for each vertex of the sketch's mesh.
    """
    way: Way = []
    stays: set[int] = set()
    for leg, given in zip(sketch.legs, sketch.fixed, strict=True):
        local = number[leg].tolist()
        for part in [_along(local)] if given else _settled(skin, local):
            stays.add(part[0][0])
            way += part[:-1]
    for _ in range(TIDYINGS):
        cut = _untangled(skin, way, first)
        if cut == way:
            break
        way = _tightened(skin, cut, stays)
    return _untangled(skin, way, first)


def _tightened(skin: Skin, way: Way, stays: set[int]) -> Way:
    """A closed way pulled straight between the vertices at which it stays."""
    at = [k for k, step in enumerate(way) if step[0] in stays]
    if not at:
        return way
    out: Way = []
    for i, j in zip(at, [*at[1:], at[0] + len(way)], strict=True):
        part = (way + way)[i : j + 1]
        new = straightened(skin, part)
        out += (new if _no_dearer(skin, new, part) else part)[:-1]
    return out


def _untangled(skin: Skin, way: Way, first: FloatArray) -> Way:
    """The closed way without spikes and small loops; BadInput if it still meets itself."""
    while True:
        way = _without_spikes(skin, way)
        if len(way) < 3:
            raise closes_on_nothing(first)
        meeting = _meeting(skin, way)
        if meeting is None:
            return way
        inner, outer = meeting
        lengths = [way_length(skin, [*loop, loop[0]]) for loop in (inner, outer)]
        if min(lengths) > DETOUR * sum(lengths):
            at = np.array(skin.place(inner[0]))
            raise BadInput(
                f"The line meets itself at {place(at)}; "
                "move the points near there, or pick more of them."
            )
        way = outer if lengths[0] < lengths[1] else inner


def _without_spikes(skin: Skin, way: Way) -> Way:
    """The closed way without any stretch run out and straight back."""
    while True:
        kept = _clipped(skin, way)
        # What runs out over the end and back over the beginning: begin in the middle instead.
        half = len(kept) // 2
        kept = _clipped(skin, kept[half:] + kept[:half])
        while len(kept) > 1 and len(_clipped(skin, [kept[-1], kept[0]])) < 2:
            kept = (
                kept[1:-1]
                if kept[0][0] < 0 and kept[-1][0] < 0
                else (kept[:-1] if kept[-1][0] < 0 else kept[1:])
            )
        if len(kept) == len(way):
            return way
        way = kept


def _clipped(skin: Skin, way: Way) -> Way:
    """A way without steps that turn back at once or run out to a vertex and back alike."""
    kept: Way = []
    for step in tidied(skin, way):
        if len(kept) > 1 and kept[-1][0] >= 0 and _same_place(skin, kept[-2], step):
            kept.pop()
            if step[0] < 0:
                kept.pop()
        else:
            kept.append(step)
    return kept if len(kept) == len(way) else tidied(skin, kept)


def _same_place(skin: Skin, went: Step, came: Step) -> bool:
    """Whether a way that went by one step comes back by the other."""
    if went[0] >= 0 or came[0] >= 0:
        return went[0] == came[0]
    return skin.mate[~went[0]] == ~came[0] and abs(went[1] + came[1] - 1) < SAME_PLACE


def _meeting(skin: Skin, way: Way) -> tuple[Way, Way] | None:
    """The two loops of a closed way that meets itself, at the first place where it does."""
    seen: dict[int, int] = {}
    for j, (k, _) in enumerate(way):
        if k >= 0 and seen.setdefault(k, j) != j:
            return way[seen[k] : j], way[j:] + way[: seen[k]]
    for i, j in _crossings(skin, way):
        # Both run through one face: change over from one to the other in it.
        return way[i + 1 : j + 1], way[j + 1 :] + way[: i + 1]
    return None


def _crossings(skin: Skin, way: Way) -> Iterator[tuple[int, int]]:
    """Pairs i < j of stretches of a closed way, from step i or j on, that cross in a face."""
    within: dict[int, list[tuple[int, float, float]]] = {}
    edges: dict[int, int] = {}
    for k, (here, after) in enumerate(zip(way, [*way[1:], way[0]], strict=True)):
        if here[0] < 0 or after[0] < 0:
            face = (skin.mate[~here[0]] if here[0] < 0 else ~after[0]) // 3
            a, b = sorted((_round_face(skin, face, here), _round_face(skin, face, after)))
            within.setdefault(face, []).append((k, a, b))
        else:
            h = skin.between(here[0], after[0])
            edges.update({h: k, skin.mate[h]: k} if h >= 0 else {})
    for j, (step, _) in enumerate(way):
        if step < 0 and ~step in edges:
            yield min(edges[~step], j), max(edges[~step], j)
    for stretches in within.values():
        for n, (j, c, d) in enumerate(stretches):
            for i, a, b in stretches[:n]:
                shared = {a, b} & {c, d}
                if len(shared) == 1 and min(shared) % 1 == 0:
                    # They go out from one corner, which is on the way once.
                    continue
                if not (b < c or d < a or (a < c and d < b) or (c < a and b < d)):
                    yield i, j


def _round_face(skin: Skin, face: int, step: Step) -> float:
    """How far round a face a step on its rim is: corner i is at i."""
    k, t = step
    if k >= 0:
        return float(next(i for i in range(3) if skin.start[3 * face + i] == k))
    return ~k % 3 + t if ~k // 3 == face else skin.mate[~k] % 3 + 1 - t


def _off_vertices(skin: Skin, way: Way) -> Way:
    """The closed way moved on to vertices that it passes very near, as far as it stays simple."""
    taken = {k for k, _ in way if k >= 0}
    moved: Way = []
    for k, t in way:
        step = (k, t)
        if k < 0 and not PASSING < t < 1 - PASSING:
            v = skin.start[~k] if t < 0.5 else skin.end(~k)
            if v not in taken or (moved and moved[-1][0] == v):
                step = (v, 0.0)
                taken.add(v)
        moved.append(step)
    moved = _without_spikes(skin, moved)
    return moved if len(moved) > 2 and _meeting(skin, moved) is None else way
