"""Overlap: where outlines in one plane run into each other, and what they bound together.

A plane has material where outlines go round it more often counter-clockwise than
clockwise. Where no outlines meet, which is nearly always, that costs one sweep over them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import manifold3d
import numpy as np

from seamwright.adjacency import linked
from seamwright.inspection import spans
from seamwright.mesh import BoolArray, FloatArray
from seamwright.outline import (
    IdArray,
    Region,
    dot,
    just_right,
    loop_area,
    loop_length,
    nested,
    nests,
    point_segment_distance,
    turns_about,
)


@dataclass(frozen=True, eq=False)
class Meetings:
    """Pairs of segments that cross or touch, other than in a node they share.

    pairs : (P, 2) segment ids. crosses : (P,) whether one goes right through the other.
    """

    pairs: IdArray
    crosses: BoolArray


@dataclass(frozen=True, eq=False)
class Loops:
    """The closed loops of a section.

    points : (N, 2) mm, of each. ids : (N,) segments of each, in order.
    areas : (L,) mm², signed.
    """

    points: list[FloatArray]
    ids: list[IdArray]
    areas: FloatArray

    @staticmethod
    def of(points: list[FloatArray], ids: list[IdArray]) -> Loops:
        return Loops(points, ids, np.array([loop_area(p) for p in points]))


def meetings(start: FloatArray, end: FloatArray, nodes: IdArray, within: float) -> Meetings:
    """Which segments come closer to each other than `within`, mm, by a sweep along an axis.

    start, end : (S, 2) mm. nodes : (S, 2) ids of both ends.
    """
    low = np.minimum(start, end)
    high = np.maximum(start, end) + within
    best: tuple[int, int, IdArray, IdArray] | None = None
    for axis in (0, 1):
        order = np.argsort(low[:, axis], kind="stable")
        last = np.searchsorted(low[order, axis], high[order, axis], side="right")
        reach = last - np.arange(1, len(order) + 1)
        if best is None or reach.sum() < best[0]:
            best = (int(reach.sum()), axis, order, reach)
    found, through = [np.zeros((0, 2), dtype=np.int64)], [np.zeros(0, dtype=bool)]
    if best is None or not best[0]:
        return Meetings(found[0], through[0])
    _, axis, order, reach = best
    other = 1 - axis
    side_low, side_high = low[order, other], high[order, other]
    a, b = nodes[order, 0], nodes[order, 1]
    for first, second in spans(np.arange(1, len(order) + 1), reach):
        near = (side_low[second] <= side_high[first]) & (side_low[first] <= side_high[second])
        i, j = first[near], second[near]
        apart = (a[i] != a[j]) & (a[i] != b[j]) & (b[i] != a[j]) & (b[i] != b[j])
        i, j = order[i[apart]], order[j[apart]]
        if len(i):
            meet, crosses = _meet(start[i], end[i], start[j], end[j], within)
            found.append(np.stack([i[meet], j[meet]], axis=1))
            through.append(crosses[meet])
    return Meetings(np.concatenate(found), np.concatenate(through))


def _meet(
    p: FloatArray, p2: FloatArray, q: FloatArray, q2: FloatArray, within: float
) -> tuple[BoolArray, BoolArray]:
    """(P,) which pairs of segments (P, 2) do not clear each other, and which of them cross."""
    cleared = np.zeros(len(p), dtype=bool)
    crosses = np.ones(len(p), dtype=bool)
    for a, b, c, d in ((p, p2, q, q2), (q, q2, p, p2)):
        way = b - a
        off = within * np.linalg.norm(way, axis=1)
        first, second = (way[:, 0] * (x - a)[:, 1] - way[:, 1] * (x - a)[:, 0] for x in (c, d))
        cleared |= ((first > off) & (second > off)) | ((first < -off) & (second < -off))
        crosses &= ((first > off) & (second < -off)) | ((first < -off) & (second > off))
    return ~cleared, crosses


def material(
    loops: Loops, met: Meetings, starts: FloatArray, ends: FloatArray, within: float
) -> tuple[tuple[Region, ...], list[int]]:
    """The regions that closed loops bound together, largest area first.

    Parameters
    ----------
    met : meetings of the loops' segments among each other.
    starts, ends : (S, 2) of all segments, mm; those in no loop are of open chains.
    within : mm, below which loops count as touching.

    Returns
    -------
    Regions, and which loops run clockwise where no closed loop has material to bound.
    """
    turns = turns_about(loops.points, loops.areas, within)
    plain: list[int] = []
    buried: list[int] = []
    inside_out: list[int] = []
    unions: list[_Union] = []
    sort = {"plain": plain, "buried": buried, "inside out": inside_out}
    for members, among in _clusters(loops, met, len(starts)):
        base = int(turns[members[0]].sum() - turns[members[0], members].sum())
        if not len(among):
            sort[_kind(loops, members[0], base, within)].append(members[0])
        elif _only_touch(loops, members, base, within):
            plain += members
        else:
            points = [loops.points[k] for k in members]
            unions.append(_Union(members, _united(points, base), _place(met, among, starts, ends)))
    _sort_by_open_chains(loops, plain, (buried, inside_out), turns, (starts, ends))
    if buried or unions:
        return _with_unions(loops, (plain, buried, unions), (starts, ends), within, inside_out)
    points = [loops.points[k] for k in plain]
    nest = nests(points, loops.areas[plain], turns[np.ix_(plain, plain)])
    return nested(points, [loops.ids[k] for k in plain], nest), inside_out


@dataclass(frozen=True, eq=False)
class _Union:
    """Loops that run into each other, the loops about their union, and where they meet."""

    members: list[int]
    outlines: list[FloatArray]
    clash: FloatArray


def _clusters(loops: Loops, met: Meetings, count: int) -> list[tuple[list[int], IdArray]]:
    """Loops that meet, together; with each cluster, the meetings among them.

    count : of all segments, of which some may be in no closed loop.
    """
    total = len(loops.points)
    none = np.zeros(0, dtype=np.int64)
    loop_of = np.full(count, -1, dtype=np.int64)
    for k, ids in enumerate(loops.ids):
        loop_of[ids] = k
    a, b = loop_of[met.pairs].T
    closed = np.flatnonzero((a >= 0) & (b >= 0))
    if not len(closed):
        return [([k], none) for k in range(total)]
    label = linked(a[closed], b[closed], total)
    return [
        (np.flatnonzero(label == k).tolist(), closed[label[a[closed]] == k])
        for k in range(int(label.max()) + 1)
    ]


def _kind(loops: Loops, k: int, base: int, within: float) -> str:
    """What a loop that meets no other is, where the others go round it `base` times."""
    area = loops.areas[k]
    # The sign of a loop of no area is an accident.
    if base == (0 if area > 0 else 1) or abs(area) <= within * loop_length(loops.points[k]):
        return "plain"
    return "buried" if base > 0 and (area > 0 or base > 1) else "inside out"


def _sort_by_open_chains(
    loops: Loops,
    plain: list[int],
    others: tuple[list[int], list[int]],
    turns: IdArray,
    ends: tuple[FloatArray, FloatArray],
) -> None:
    """Make plain those loops that are so once open chains count too, such as what floats in
    a cavity of which only one outline is broken.

    How often open chains go round a place is the angle they are seen under, rounded: A.
    Jacobson, L. Kavan & O. Sorkine-Hornung, "Robust inside-outside segmentation using
    generalized winding numbers", ACM Trans. Graph. 32(4), 2013.
    """
    if sum(map(len, loops.ids)) == len(ends[0]):
        return
    closed = np.concatenate([np.zeros(0, dtype=np.int64), *loops.ids])
    rest = np.setdiff1d(np.arange(len(ends[0])), closed)
    if not len(rest):
        return
    for which in others:
        for k in which.copy():
            a, b = (e[rest] - loops.points[k][0] for e in ends)
            turn = np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], dot(a, b)).sum()
            base = int(turns[k].sum()) + round(float(turn) / (2 * np.pi))
            around = [m for m in plain if loops.areas[m] > 0 and turns[k, m] > 0]
            # A hole of the open outline itself has no region to be in.
            if base == (0 if loops.areas[k] > 0 else 1) and (loops.areas[k] > 0 or around):
                which.remove(k)
                plain.append(k)


def _only_touch(loops: Loops, members: list[int], base: int, within: float) -> bool:
    """Whether loops that meet bound no place twice and none from the wrong side."""
    if base not in (0, 1):
        return False
    points = _local([loops.points[k] for k in members])
    total = float(loops.areas[members].sum())
    more = manifold3d.CrossSection(points, manifold3d.FillRule.Positive).area()
    less = manifold3d.CrossSection(points, manifold3d.FillRule.Negative).area()
    slack = 2 * within * sum(map(loop_length, points))
    outside, doubled = (less, total - more) if base == 0 else (more, total + less)
    return bool(outside <= slack and abs(doubled) <= slack)


def _local(points: list[FloatArray]) -> list[FloatArray]:
    """The loops about the middle of the first, where the kernel's fixed point is finest."""
    return [np.ascontiguousarray(p - points[0].mean(axis=0)) for p in points]


def _united(points: list[FloatArray], base: int) -> list[FloatArray]:
    """Loops about the material of loops that are gone round `base` times by others."""
    local = _local(points)
    every = np.concatenate(local)
    x, y = np.abs(every).max(axis=0) + 1.0
    around = np.array([[-x, -y], [x, -y], [x, y], [-x, y]])
    frames = [around if base > 0 else around[::-1]] * abs(base)
    whole = manifold3d.CrossSection([*local, *frames], manifold3d.FillRule.Positive)
    found = [np.asarray(p, dtype=np.float64) for p in whole.to_polygons()]
    if base > 0:
        found = [p for p in found if np.abs(p[:, 0]).max() < x - 0.5]
    return [p + points[0].mean(axis=0) for p in found]


def _place(met: Meetings, among: IdArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """(2,) where loops run into each other: where two segments cross, if any do."""
    row = among[int(np.argmax(met.crosses[among]))]
    i, j = met.pairs[row]
    way, other = end[i] - start[i], end[j] - start[j]
    turn = way[0] * other[1] - way[1] * other[0]
    if not met.crosses[row]:
        return np.asarray(0.5 * (start[i] + end[i]))
    gap = start[j] - start[i]
    return np.asarray(start[i] + (gap[0] * other[1] - gap[1] * other[0]) / turn * way)


def _with_unions(
    loops: Loops,
    sorts: tuple[list[int], list[int], list[_Union]],
    ends: tuple[FloatArray, FloatArray],
    within: float,
    inside_out: list[int],
) -> tuple[tuple[Region, ...], list[int]]:
    """Regions of plain loops and unions, each union with the loops it swallows."""
    plain, buried, unions = sorts
    points = [loops.points[k] for k in plain]
    ids = [loops.ids[k] for k in plain]
    own = [[k] for k in plain]
    clash: list[FloatArray | None] = [None] * len(plain)
    for union in unions:
        source = np.concatenate([loops.ids[k] for k in union.members])
        points += union.outlines
        ids += [_segments_along(p, source, *ends) for p in union.outlines]
        own += [[]] * len(union.outlines)
        clash += [union.clash] * len(union.outlines)
    areas = np.array([loop_area(p) for p in points])
    nest = nests(points, areas, turns_about(points, areas, within))
    regions = nested(points, ids, nest)
    held = {id(points[n[0]]): [k for i in n for k in own[i]] for n in nest}
    where = {id(p): c for p, c in zip(points, clash, strict=True) if c is not None}
    raw = [held[id(r.outline)] for r in regions]
    places = [next((where[id(p)] for p in r.loops if id(p) in where), None) for r in regions]
    lost = list(inside_out)
    for k in [*buried, *(k for union in unions for k in union.members)]:
        home = _home(loops.points[k], regions, within)
        if home is None:
            lost.append(k)
            continue
        raw[home].append(k)
        if places[home] is None:
            places[home] = loops.points[k][0]
    for n, (region, place) in enumerate(zip(regions, places, strict=True)):
        if place is not None:
            members, astray = _members(loops, sorted(raw[n]))
            regions = (
                *regions[:n],
                replace(region, clash=place, members=members),
                *regions[n + 1 :],
            )
            lost += astray
    return regions, lost


def _home(loop: FloatArray, regions: tuple[Region, ...], within: float) -> int | None:
    """Which region a loop's material, on its left, is in."""
    beside = just_right(loop, -2 * within)
    votes = [int(r.contains(beside).sum()) for r in regions]
    return int(np.argmax(votes)) if any(votes) else None


def _members(loops: Loops, which: list[int]) -> tuple[tuple[Region, ...], list[int]]:
    """The plain regions of some loops, and those of them that run clockwise round nothing."""
    points = [loops.points[k] for k in which]
    areas = loops.areas[which]
    nest = nests(points, areas, turns_about(points, areas))
    held = {i for n in nest for i in n}
    astray = [k for i, k in enumerate(which) if i not in held]
    return nested(points, [loops.ids[k] for k in which], nest), astray


def _segments_along(
    loop: FloatArray, source: IdArray, start: FloatArray, end: FloatArray
) -> IdArray:
    """(N,) which of the source segments each edge of a union's loop lies on."""
    middles = 0.5 * (loop + np.roll(loop, -1, axis=0))
    found = np.empty(len(loop), dtype=np.int64)
    for part in range(0, len(loop), 256):
        away = point_segment_distance(
            middles[part : part + 256, None], start[None, source], end[None, source]
        )
        found[part : part + 256] = source[np.argmin(away, axis=1)]
    return found
