"""Geodesics: ways over the skin pulled straight across faces, as a string would be.

A way between two vertices is pulled straight within the strip of faces it runs through
(the funnel of Lee & Preparata, "Euclidean shortest paths in the presence of rectilinear
barriers", Networks 14, 1984), and then flipped round every vertex that has less than half a
turn on one side (Xin & Wang, "Efficiently determining a locally exact shortest path on
polyhedral surfaces", Computer-Aided Design 39, 2007), until nothing makes it shorter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import cast

import numpy as np

from seamwright.adjacency import EdgeTable
from seamwright.mesh import FloatArray, IntArray
from seamwright.outline import dot

Step = tuple[int, float]
"""A place on a way: a vertex and 0; or ~h for a half-edge h that the way crosses, out of the
face of h, and how far along h that is, from 0 to 1."""
Way = list[Step]
Flat = tuple[float, float]

ROUNDS = 200
"""How often a way is flipped at most; each round moves it by a row of faces."""
STRAIGHT = 1e-7
"""Radians short of half a turn by which a way still counts as straight."""
ON_VERTEX = 1e-9
"""Share of an edge within which a way through it runs through its end."""
SAME = 1e-10
"""Share of its length by which a way must get shorter for another round."""


@dataclass(frozen=True, eq=False)
class Fan:
    """The faces about a vertex, anticlockwise seen from outside.

    spokes : half-edges away from the vertex. turn : the angle at which each leaves it.
    total : of all angles, radians. at : place of each spoke. ends : place of the spoke to
    each neighbour.
    """

    spokes: list[int]
    turn: list[float]
    total: float
    at: dict[int, int]
    ends: dict[int, int]


@dataclass(frozen=True, eq=False)
class Skin:
    """Faces about a line, in numbers of their own, laid out for walking over them one by one.

    Half-edge 3 f + i leaves corner i of face f. Views that give plain numbers, because that
    is far faster than arrays where single values are asked for.

    points : of the vertices, mm. start : the vertex each half-edge leaves. mate : the half-edge
    that runs against it, -1 where there is none or not just one.
    length : mm. angle : of its face at its start, radians. foot, rise : where the third corner
    stands, along it and square to it, in lengths of it.
    share : what a mm along it costs, 1 at most.
    home : a half-edge away from each vertex. fans : those made so far.
    """

    points: list[list[float]]
    start: Sequence[int]
    mate: Sequence[int]
    length: Sequence[float]
    angle: Sequence[float]
    foot: Sequence[float]
    rise: Sequence[float]
    share: Sequence[float]
    home: Sequence[int]
    fans: dict[int, Fan | None] = field(default_factory=dict)

    @staticmethod
    def of(points: FloatArray, table: EdgeTable, share: FloatArray) -> Skin:
        """The skin of a table of half-edges; share : (3F,) what a mm along each costs."""
        mate = table.mate.copy()
        mate[table.mate[table.same_way]] = -1
        mate[table.same_way] = -1
        corner = np.arange(len(mate), dtype=np.int32)
        a, b, c = (points[v] for v in (table.start, table.end, table.start[before(corner)]))
        along, arm = b - a, c - a
        squared = np.maximum(dot(along, along), 1e-200)
        twice = np.cross(along, arm)
        area, reach = np.sqrt(dot(twice, twice)), dot(along, arm)
        home = np.zeros(len(points), dtype=np.int64)
        home[table.start] = corner
        ints = (np.ascontiguousarray(x, dtype=np.int64).data for x in (table.start, mate, home))
        start, mates, homes = (cast(Sequence[int], view) for view in ints)
        sizes = (
            np.sqrt(dot(along, along)),
            np.arctan2(area, reach),
            reach / squared,
            area / squared,
            np.ascontiguousarray(share, dtype=np.float64),
        )
        length, angle, foot, rise, cost = (cast(Sequence[float], x.data) for x in sizes)
        return Skin(points.tolist(), start, mates, length, angle, foot, rise, cost, homes)

    def end(self, h: int) -> int:
        return self.start[h + 1 if h % 3 < 2 else h - 2]

    def place(self, step: Step) -> list[float]:
        """Where a step is, mm."""
        k, t = step
        if k >= 0:
            return self.points[k]
        p, q = self.points[self.start[~k]], self.points[self.end(~k)]
        return [x + t * (y - x) for x, y in zip(p, q, strict=True)]

    def fan(self, v: int) -> Fan | None:
        """The faces about a vertex; None where they do not go all the way round."""
        if v not in self.fans:
            self.fans[v] = self._fan(v)
        return self.fans[v]

    def _fan(self, v: int) -> Fan | None:
        spokes: list[int] = []
        turn = [0.0]
        h = self.home[v]
        while not spokes or h != spokes[0]:
            spokes.append(h)
            turn.append(turn[-1] + self.angle[h])
            h = self.mate[last(h)]
            if h < 0 or len(spokes) > len(self.start):
                return None
        at = {h: i for i, h in enumerate(spokes)}
        ends = {self.end(h): i for i, h in enumerate(spokes)}
        return Fan(spokes, turn[:-1], turn[-1], at, ends)

    def between(self, u: int, v: int) -> int:
        """The half-edge from vertex u to v, -1 where none is known."""
        for a, b, turned in ((u, v, False), (v, u, True)):
            fan = self.fan(a)
            if fan is not None and b in fan.ends:
                h = fan.spokes[fan.ends[b]]
                return self.mate[h] if turned else h
        return -1


def before(corner: IntArray) -> IntArray:
    """(N,) the corner before each in its own face."""
    return np.asarray(corner - 1 + 3 * (corner % 3 == 0))


def last(h: int) -> int:
    """The half-edge before h in its face, whose start is the corner that h does not touch."""
    return h - 1 if h % 3 else h + 2


# --- measures --------------------------------------------------------------------------


def way_length(skin: Skin, way: Way) -> float:
    """Length of a way, mm."""
    places = [skin.place(step) for step in way]
    return sum(map(math.dist, places, places[1:]))


def way_cost(skin: Skin, way: Way) -> float:
    """Length of a way, mm, weighted by what a mm costs: along an edge its share.

    Across a face it is the mean of its edges' shares, each by the square of the cosine
    between it and the way: so a way that runs beside a crease has part of its benefit.
    """
    places = [skin.place(step) for step in way]
    total = 0.0
    for (a, _), (b, _), p, q in zip(way, way[1:], places, places[1:], strict=False):
        size = math.dist(p, q)
        if a >= 0 and b >= 0:
            h = skin.between(a, b)
            total += size * (skin.share[h] if h >= 0 else 1.0)
        elif size > 0:
            face = (skin.mate[~a] if a < 0 else ~b) // 3
            total += size * _face_share(skin, face, p, q)
    return total


def _face_share(skin: Skin, face: int, p: list[float], q: list[float]) -> float:
    """What a mm across a face from p to q costs."""
    edges = range(3 * face, 3 * face + 3)
    if all(skin.share[h] == 1.0 for h in edges):
        return 1.0
    above = below = 0.0
    for h in edges:
        a, b = skin.points[skin.start[h]], skin.points[skin.end(h)]
        lean = sum((y - x) * (v - u) for x, y, u, v in zip(p, q, a, b, strict=True))
        weight = (lean / max(skin.length[h], 1e-100)) ** 2
        above += weight * skin.share[h]
        below += weight
    return above / below if below > 0 else 1.0


# --- pulling straight ------------------------------------------------------------------


def straightened(skin: Skin, way: Way) -> Way:
    """The way between the same ends, shortest in its neighbourhood; never longer."""
    best = way_length(skin, way)
    for turn in range(ROUNDS):
        new = _flipped(skin, way, turn == 0)
        length = way_length(skin, new)
        if length > best * (1 - SAME):
            return new if length <= best else way
        way, best = new, length
    return way


def _flipped(skin: Skin, way: Way, everywhere: bool) -> Way:
    """The way pulled straight once where it can be flipped round a vertex, or everywhere."""
    passed: list[tuple[bool, list[int]] | None] = [None] * len(way)
    for k in range(1, len(way) - 1):
        if way[k][0] >= 0:
            passed[k] = _passing(skin, way[k - 1], way[k][0], way[k + 1])
    new: Way = [way[0]]
    first = 0
    for k in range(1, len(way)):
        if k < len(way) - 1 and (way[k][0] < 0 or passed[k] is not None):
            continue
        stretch = way[first : k + 1]
        if everywhere or any(passed[first + 1 : k]):
            strip = _strip(skin, way, passed, first, k)
            if strip is not None:
                stretch = _pulled(skin, way[first][0], strip, way[k][0]) or stretch
        new += stretch[1:]
        first = k
    return tidied(skin, new)


def _passing(skin: Skin, came: Step, v: int, goes: Step) -> tuple[bool, list[int]] | None:
    """How a way can be flipped round a vertex: whether to its left, and the half-edges it then
    crosses; None where it is straight already or cannot.
    """
    fan = skin.fan(v)
    if fan is None:
        return None
    back, out = _bearing(skin, fan, came, True), _bearing(skin, fan, goes, False)
    if back is None or out is None:
        return None
    left = (fan.turn[back[0]] + back[1] - fan.turn[out[0]] - out[1]) % max(fan.total, 1e-300)
    right = fan.total - left
    if min(left, right) > math.pi - STRAIGHT:
        return None
    count = len(fan.spokes)
    # Of two equal sides the same one, whichever way it runs.
    even = abs(left - right) < STRAIGHT
    if skin.place(came) < skin.place(goes) if even else left < right:
        between = _spokes_between(out, back, count)
        return True, [fan.spokes[(out[0] + i) % count] for i in reversed(between)]
    between = _spokes_between(back, out, count)
    return False, [skin.mate[fan.spokes[(back[0] + i) % count]] for i in between]


def _bearing(skin: Skin, fan: Fan, step: Step, came: bool) -> tuple[int, float] | None:
    """Where a step next to a fan's vertex is, seen from it: a spoke, and the angle beyond it."""
    k, t = step
    if k >= 0:
        return (fan.ends[k], 0.0) if k in fan.ends else None
    h = skin.mate[~k] if came else ~k
    spoke = last(h)
    if spoke not in fan.at:
        return None
    # In the plane of the face, from the foot of the vertex on the edge crossed.
    foot, rise = skin.foot[h], skin.rise[h]
    t = 1 - t if came else t
    return fan.at[spoke], math.atan2(t * rise, rise * rise + foot * (foot - t))


def _spokes_between(a: tuple[int, float], b: tuple[int, float], count: int) -> range:
    """Spokes passed in turning anticlockwise from a to b, counted on from that of a."""
    number = (b[0] - a[0]) % count
    if number == 0 and b[1] < a[1]:
        number = count
    return range(1, number + (b[1] > 0))


def _strip(
    skin: Skin,
    way: Way,
    passed: list[tuple[bool, list[int]] | None],
    first: int,
    end: int,
) -> list[int] | None:
    """Half-edges crossed from way[first] to way[end], passing by the vertices between."""
    strip: list[int] = []

    def cross(h: int) -> bool:
        if strip and skin.mate[strip[-1]] == h:
            strip.pop()
            return True
        whole = h >= 0 and skin.mate[h] >= 0
        if not whole or (strip and skin.mate[strip[-1]] // 3 != h // 3):
            return False
        strip.append(h)
        return True

    for k in range(first + 1, end):
        step, by = way[k][0], passed[k]
        crossed = [~step]
        if step >= 0 and by is not None:
            crossed, earlier = by[1], passed[k - 1]
            if k - 1 > first and earlier is not None and earlier[0] != by[0]:
                # From one side of the edge between two vertices to the other.
                sides = (way[k - 1][0], step) if earlier[0] else (step, way[k - 1][0])
                crossed = [skin.between(*sides), *crossed]
        if not all(map(cross, crossed)):
            return None
    a, b = way[first][0], way[end][0]
    low, high = 0, len(strip)
    while low < high and a in (skin.start[strip[low]], skin.end(strip[low])):
        low += 1
    while low < high and b in (skin.start[strip[high - 1]], skin.end(strip[high - 1])):
        high -= 1
    return strip[low:high]


def _pulled(skin: Skin, a: int, strip: list[int], b: int) -> Way | None:
    """The shortest way from vertex a to b through the half-edges of a strip, in order."""
    if not strip:
        return [(a, 0.0), (b, 0.0)] if a == b or skin.between(a, b) >= 0 else None
    if skin.start[last(strip[0])] != a or skin.start[last(skin.mate[strip[-1]])] != b:
        return None
    right, left, begin, end = _unfolded(skin, strip)
    corners = _funnel(skin, strip, right, left, begin, end)
    way: Way = [(a, 0.0)]
    for (i, p), (j, q) in pairwise(corners):
        dx, dy = q[0] - p[0], q[1] - p[1]
        for k in range(max(i + 1, 0), j):
            (rx, ry), (lx, ly) = right[k], left[k]
            across = (lx - rx) * dy - (ly - ry) * dx
            t = ((p[0] - rx) * dy - (p[1] - ry) * dx) / across if across else 0.0
            h = strip[k]
            if t < ON_VERTEX:
                way.append((skin.start[h], 0.0))
            elif t > 1 - ON_VERTEX:
                way.append((skin.end(h), 0.0))
            else:
                way.append((~h, t))
        if j < len(strip):
            h = strip[j]
            way.append((skin.start[h] if q == right[j] else skin.end(h), 0.0))
    way.append((b, 0.0))
    return tidied(skin, way)


def _unfolded(skin: Skin, strip: list[int]) -> tuple[list[Flat], list[Flat], Flat, Flat]:
    """A strip of faces laid in the plane: right and left ends of its half-edges, and its ends."""
    h = strip[0]
    r, s = (0.0, 0.0), (skin.length[h], 0.0)
    begin = (skin.foot[h] * s[0], skin.rise[h] * s[0])
    right, left = [r], [s]
    for k, h in enumerate(strip, start=1):
        # The corner beyond: the face's own half-edge runs from the left end to the right.
        g = skin.mate[h]
        dx, dy = r[0] - s[0], r[1] - s[1]
        foot, rise = skin.foot[g], skin.rise[g]
        tip = (s[0] + foot * dx - rise * dy, s[1] + foot * dy + rise * dx)
        if k == len(strip):
            break
        r, s = (tip, s) if strip[k] == last(g) else (r, tip)
        right.append(r)
        left.append(s)
    return right, left, begin, tip


def _funnel(
    skin: Skin,
    strip: list[int],
    right: list[Flat],
    left: list[Flat],
    begin: Flat,
    end: Flat,
) -> list[tuple[int, Flat]]:
    """Corners of the shortest way through the openings: which opening each is at, and where."""
    right_ids = [skin.start[h] for h in strip] + [-2]
    left_ids = [skin.end(h) for h in strip] + [-2]
    rights, lefts = [*right, end], [*left, end]
    corners: list[tuple[int, Flat]] = [(-1, begin)]
    apex, tip = begin, -1
    r = s = begin
    r_at = s_at = -1
    r_id = s_id = -1
    k = 0
    while k < len(rights):
        new_r, new_s = rights[k], lefts[k]
        if r_id == tip or _turn(apex, r, new_r) >= 0:
            if tip in (r_id, s_id) or _turn(apex, s, new_r) < 0:
                r, r_at, r_id = new_r, k, right_ids[k]
            else:
                apex, tip, k = s, s_id, s_at + 1
                corners.append((s_at, s))
                r, r_at, r_id = s, s_at, s_id
                continue
        if s_id == tip or _turn(apex, s, new_s) <= 0:
            if tip in (r_id, s_id) or _turn(apex, r, new_s) > 0:
                s, s_at, s_id = new_s, k, left_ids[k]
            else:
                apex, tip, k = r, r_id, r_at + 1
                corners.append((r_at, r))
                s, s_at, s_id = r, r_at, r_id
                continue
        k += 1
    if corners[-1][0] < len(strip):
        corners.append((len(strip), end))
    return corners


def _turn(a: Flat, b: Flat, c: Flat) -> float:
    """Above 0 where c is on the left of the line from a to b."""
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def tidied(skin: Skin, way: Way) -> Way:
    """The way without steps that stand still, turn back at once, or touch an edge at whose end
    the next or the last step is.
    """
    kept: Way = []
    for step in way:
        k = step[0]
        if k >= 0:
            while kept and kept[-1][0] < 0 and k in _ends(skin, kept[-1][0]):
                kept.pop()
            if kept and kept[-1][0] == k:
                continue
        elif kept:
            top = kept[-1][0]
            if top >= 0 and top in _ends(skin, k):
                continue
            if top < 0 and skin.mate[~top] == ~k:
                kept.pop()
                continue
        kept.append(step)
    return kept


def _ends(skin: Skin, k: int) -> tuple[int, int]:
    return skin.start[~k], skin.end(~k)
