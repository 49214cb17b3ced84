"""Middle lines: the line midway between a region's edges, and places along it for pegs."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from seamwright.mesh import BoolArray, FloatArray
from seamwright.outline import IdArray, Region, point_segment_distance
from seamwright.rim import PIECES, Diagram, Rim, diagram, rim_of

Chain = tuple[FloatArray, FloatArray]
"""(K, 2) points in order, mm, and (K,) how far the edge is from each, mm. A closed chain
repeats its first point as its last."""

TWIG = 1.1
"""A branch whose last circle stands out of the circle where it begins by less than this many
radii of that one is a corner's twig: a corner of 57° or more."""

LONG = 3.5
"""Radii of its largest circle from which a region counts as long."""

STRAIGHT = -0.3
"""Greatest cosine between two branches that go on as one line through a fork."""

CLOSE = 0.5
"""Forks nearer to each other than so many radii are one."""

WIDTHS_APART, MOST_APART = 20.0, 100.0
"""Distance of pegs along a long thin face: so many of their widths, at most so many mm
(common practice, no source)."""

MARGIN = 1 / 3
"""Way from a chain's end to the first peg, as a share of the way between two."""

SHIFT = 1 / 4
"""How far a peg may be moved along to where there is more room, as a share of that way."""


def middle_line(region: Region, least: float) -> tuple[Chain, ...]:
    """The line midway between a region's edges, where it is at least `least` mm from them.

    The medial axis, from the Voronoi diagram of points along the outline: what runs between
    points that are close to each other along it is dropped, after Ogniewicz and Kübler,
    "Hierarchic Voronoi skeletons", 1995; then the twigs that corners make. At a fork the
    straightest goes on as one chain.

    Parameters
    ----------
    least : mm; the points of a chain are about half of it apart.

    Returns
    -------
    Chains, the longest first. A part of the region that is not long has a single point, the
    centre of about its largest circle. None if a circle of that radius does not fit.
    """
    step = max(0.5 * least, region.perimeter / PIECES)
    rim = rim_of(region).divided(step)
    found = diagram(rim, least)
    radius = np.zeros(len(found.nodes))
    wide = np.flatnonzero(found.inside)
    if not len(wide):
        return ()
    radius[wide] = rim.distance(found.nodes[wide])
    wide = wide[radius[wide] >= least]
    good = np.zeros(len(radius), dtype=bool)
    good[wide] = True
    # A link may be narrower than both its ends: right between two corners.
    ends = found.nodes[found.links]
    narrow = point_segment_distance(rim.start[found.sides[:, 0]], ends[:, 0], ends[:, 1])
    held = good[found.links].all(axis=1) & (narrow >= least)
    paths = _paths(found, held & _across(rim, found, step), radius)
    chains = [_smoothed(found.nodes[p], rim, least, step) for p in paths]
    # A part without a line is about as wide as long.
    part = _labels(found.links[held], len(radius))
    widest = wide[np.lexsort((-radius[wide], part[wide]))]
    first = np.r_[True, np.diff(part[widest]) != 0]
    lined = np.isin(part[widest], part[[p[0] for p in paths]])
    chains += [(found.nodes[[k]], radius[[k]]) for k in widest[first & ~lined]]
    return tuple(sorted(chains, key=lambda c: (-length_of(c[0]), -float(c[1].max()))))


def length_of(points: FloatArray) -> float:
    """Length of a chain of (K, 2) points, mm."""
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def along(points: FloatArray, radii: FloatArray, count: int) -> FloatArray:
    """(count, 2) places spread evenly along a chain, each where there is most room near by.

    points : (K, 2) of the chain, mm; closed if the last is the first again.
    radii : (K,) the room at each, mm: the chain's own radii, or less where something else
        is in the way.
    """
    if len(points) == 1:
        return np.repeat(points, count, axis=0)
    way = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    whole = float(way[-1])
    closed = bool((points[0] == points[-1]).all())
    if closed:
        apart = whole / count
        starts = way[way < apart]
        every = starts[:, None] + apart * np.arange(count)
        stations = every[int(np.argmax(np.interp(every, way, radii).min(axis=1)))]
    else:
        apart = whole / (count - 1 + 2 * MARGIN)
        stations = apart * (MARGIN + np.arange(count))
    chosen = []
    for station in stations:
        off = way - station
        if closed:
            off -= whole * np.round(off / whole)
        off /= SHIFT * min(apart, whole)
        near = np.flatnonzero(np.abs(off) <= 1)
        if len(near):
            # Where it is as wide all along, it stays.
            room = radii[near] * (1 - 0.1 * off[near] ** 2)
            chosen.append(points[near[int(np.argmax(room))]])
        else:
            chosen.append(np.array([np.interp(station, way, x) for x in points.T]))
    return np.array(chosen)


def count_for(length: float, width: float) -> int:
    """How many pegs of a width, mm, a face gets along a middle line of a length, mm: 2 to 6."""
    return int(np.clip(round(length / min(WIDTHS_APART * width, MOST_APART)), 2, 6))


def _across(rim: Rim, found: Diagram, least: float) -> BoolArray:
    """(E,) which of a diagram's links run between points that are farther from each other
    along the outline than straight across, by more than `least` mm; or on two outlines."""
    p, q = found.sides.T
    first = np.flatnonzero(np.r_[True, rim.loop[1:] != rim.loop[:-1]])
    total = np.add.reduceat(rim.length, first)
    way = np.cumsum(rim.length) - rim.length
    between = np.abs(way[p] - way[q])
    between = np.minimum(between, total[rim.loop[p]] - between)
    straight = np.linalg.norm(rim.start[p] - rim.start[q], axis=1)
    return np.asarray((between - straight > least) | (rim.loop[p] != rim.loop[q]))


def _labels(links: IdArray, count: int) -> IdArray:
    """(count,) the same number for nodes that links (E, 2) join."""
    graph = coo_array((np.ones(len(links), dtype=bool), links.T), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


# --- the graph of a middle line -------------------------------------------------------------


def _paths(found: Diagram, keep: BoolArray, radius: FloatArray) -> list[list[int]]:
    """Paths of nodes along some links of a diagram, without twigs and what is not long.

    A closed path repeats its first node as its last.
    """

    def is_long(path: list[int]) -> bool:
        whole = length_of(found.nodes[path]) + float(radius[path[0]] + radius[path[-1]])
        return path[0] == path[-1] or whole >= LONG * float(radius[path].max())

    branches = _pruned(_branches(found.links[keep]), found.nodes, radius)
    return [p for p in _joined(branches, found.nodes, radius) if is_long(p)]


def _branches(links: IdArray) -> list[list[int]]:
    """Paths from each end or fork to the next, and closed ones without any."""
    neighbours: dict[int, list[int]] = {}
    for a, b in np.unique(np.sort(links, axis=1), axis=0).tolist():
        if a != b:
            neighbours.setdefault(a, []).append(b)
            neighbours.setdefault(b, []).append(a)
    used: set[tuple[int, int]] = set()
    paths = []
    ends = [n for n, some in neighbours.items() if len(some) != 2]
    # What no end or fork leads to goes round.
    for start in [*ends, *neighbours]:
        for second in neighbours[start]:
            if (start, second) in used:
                continue
            path = [start, second]
            while len(neighbours[path[-1]]) == 2 and path[-1] != start:
                a, b = neighbours[path[-1]]
                path.append(b if a == path[-2] else a)
            for here, there in pairwise(path):
                used.update([(here, there), (there, here)])
            paths.append(path)
    return paths


def _pruned(paths: list[list[int]], nodes: FloatArray, radius: FloatArray) -> list[list[int]]:
    """The branches without twigs, the shortest taken off first; those left over are joined."""
    branches = dict(enumerate(paths))
    length = {k: length_of(nodes[p]) for k, p in branches.items()}
    at: dict[int, list[int]] = {}
    for k, p in branches.items():
        for end in (p[0], p[-1]):
            at.setdefault(end, []).append(k)

    def stands_out(k: int) -> float:
        """Radii by which a branch's free end stands out of the circle at its fork."""
        tip, fork = branches[k][0], branches[k][-1]
        if len(at[tip]) > len(at[fork]):
            tip, fork = fork, tip
        if len(at[tip]) != 1 or len(at[fork]) < 3:
            return np.inf
        return float((length[k] + radius[tip] - radius[fork]) / radius[fork])

    def drop(k: int) -> None:
        del out[k]
        gone = branches.pop(k)
        for end in (gone[0], gone[-1]):
            at[end].remove(k)

    out = {k: stands_out(k) for k in branches}
    while out:
        least = min(out, key=lambda k: (out[k], k))
        if out[least] >= TWIG:
            break
        fork = max(branches[least][0], branches[least][-1], key=lambda n: len(at[n]))
        drop(least)
        # Where an end divides into two corners' twigs, neither is the end.
        for other in [k for k in at[fork] if out[k] < TWIG] if len(at[fork]) == 2 else []:
            if len(at[fork]) == 2:
                drop(other)
        if len(at[fork]) == 2 and at[fork][0] != at[fork][1]:
            a, b = at.pop(fork)
            branches[a] = _linked(branches[a], branches.pop(b), fork)
            length[a] += length[b]
            del out[b]
            far = branches[a][-1]
            at[far] = [a if k == b else k for k in at[far]]
            out[a] = stands_out(a)
        for k in at.get(fork, []):
            out[k] = stands_out(k)
    return list(branches.values())


def _linked(a: list[int], b: list[int], node: int) -> list[int]:
    """Two paths with an end at a node as one through it."""
    ahead = a if a[-1] == node else a[::-1]
    return ahead + (b if b[0] == node else b[::-1])[1:]


def _joined(branches: list[list[int]], nodes: FloatArray, radius: FloatArray) -> list[list[int]]:
    """Branches that go on straightest through a fork made one path."""
    fork_of, branches = _forks(branches, nodes, radius)
    partner: dict[tuple[int, int], tuple[int, int]] = {}
    bends = []
    ends: dict[int, list[tuple[int, int, FloatArray]]] = {}
    for k, path in enumerate(branches):
        for end, way in ((0, path), (1, path[::-1])):
            heading = _heading(nodes[way], float(radius[way[0]]))
            ends.setdefault(fork_of.get(way[0], way[0]), []).append((k, end, heading))
    for some in ends.values():
        for i, (k, end, heading) in enumerate(some):
            bends += [(float(heading @ h), (k, end), (j, e)) for j, e, h in some[:i]]
    for cosine, a, b in sorted(bends):
        if (cosine < STRAIGHT or a[0] == b[0]) and a not in partner and b not in partner:
            partner[a], partner[b] = b, a
    made, used = [], set()
    starts = [(k, end) for k in range(len(branches)) for end in (0, 1)]
    for start in sorted(starts, key=lambda s: (s in partner, s)):
        path = []
        at: tuple[int, int] | None = start
        while at is not None and at[0] not in used:
            used.add(at[0])
            ahead = branches[at[0]][:: 1 - 2 * at[1]]
            path += ahead[1:] if path and path[-1] == ahead[0] else ahead
            at = partner.get((at[0], 1 - at[1]))
        if path and at == start and path[0] != path[-1]:
            path.append(path[0])
        if path:
            made.append(path)
    return made


def _forks(
    branches: list[list[int]], nodes: FloatArray, radius: FloatArray
) -> tuple[dict[int, int], list[list[int]]]:
    """Forks so close together that they are one, as where four branches meet: a name for
    each node of such a fork, and the branches without those between."""
    fork_of: dict[int, int] = {}
    ends = Counter(n for p in branches for n in (p[0], p[-1]))
    kept = []
    for path in branches:
        a, b = path[0], path[-1]
        forks = a != b and ends[a] > 2 and ends[b] > 2
        if forks and length_of(nodes[path]) < CLOSE * radius[a]:
            old, new = fork_of.get(a, a), fork_of.get(b, b)
            fork_of = {n: new if name == old else name for n, name in fork_of.items()}
            fork_of.update({a: new, b: new})
        else:
            kept.append(path)
    return fork_of, kept


def _heading(points: FloatArray, radius: float) -> FloatArray:
    """(2,) unit direction in which a path (K, 2) leaves the circle about its first point."""
    away = points - points[0]
    far = np.linalg.norm(away, axis=1)
    k = int(np.argmax(far >= radius)) if far.max() >= radius else int(np.argmax(far))
    return np.asarray(away[k] / max(float(far[k]), 1e-300))


def _smoothed(points: FloatArray, rim: Rim, least: float, step: float) -> Chain:
    """A chain of points about `step` mm apart, without the diagram's zigzag.

    The diagram's own nodes lie now nearer one edge, now nearer the other, by a share of the
    distance of the rim's points.
    """
    closed = bool((points[0] == points[-1]).all())
    way = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    # Between two corners of the outline the diagram runs straight, without nodes.
    even = np.linspace(0.0, way[-1], int(np.ceil(way[-1] / step)) + 1)
    points = np.stack([np.interp(even, way, x) for x in points.T], axis=1)
    if closed:
        points[-1] = points[0]
    smooth = points
    for _ in range(4):
        if closed:
            ring = smooth[:-1]
            ring = (np.roll(ring, 1, axis=0) + 2 * ring + np.roll(ring, -1, axis=0)) / 4
            smooth = np.concatenate([ring, ring[:1]])
        elif len(smooth) > 2:
            inner = (smooth[:-2] + 2 * smooth[1:-1] + smooth[2:]) / 4
            smooth = np.concatenate([smooth[:1], inner, smooth[-1:]])
    room = rim.distance(smooth)
    # Where it is barely wide enough, the point stays where it is.
    back = room < least
    smooth[back] = points[back]
    room[back] = rim.distance(points[back])
    return smooth[room >= least], room[room >= least]
