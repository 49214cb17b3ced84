"""Rims: a region's edges in pieces, asked often for distances and for what lies midway."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import QhullError, Voronoi, cKDTree

from seamwright.mesh import BoolArray, FloatArray
from seamwright.outline import IdArray, Region, dot, point_segment_distance

PIECES = 8_000
"""Pieces at most, beyond its corners, into which an outline is divided at first."""


@dataclass(frozen=True, eq=False)
class Rim:
    """The edges of a region's loops, in order, divided into pieces.

    Attributes
    ----------
    start, end : (P, 2) of each piece, mm.
    loop : (P,) which loop it is of.
    before : (P,) the piece that ends where this one starts.
    """

    start: FloatArray
    end: FloatArray
    loop: IdArray
    before: IdArray

    @cached_property
    def length(self) -> FloatArray:
        """(P,) mm."""
        return np.asarray(np.sqrt(dot(self.end - self.start, self.end - self.start)))

    @cached_property
    def tree(self) -> cKDTree:
        return cKDTree(self.start)

    def divided(self, step: float) -> Rim:
        """The rim in pieces of at most `step` mm."""
        return self._split(np.maximum(np.ceil(self.length / step), 1).astype(np.int64))

    def finer_about(self, places: FloatArray, step: float) -> Rim | None:
        """The rim in pieces of at most `step` mm where the circles about (N, 2) places touch
        it; none if it is already."""
        if not len(places):
            return None
        touched = self.tree.query(places, k=min(4, len(self.start)))[1].ravel()
        parts = np.ones(len(self.start), dtype=np.int64)
        for pieces in (touched, self.before[touched]):
            parts[pieces] = np.maximum(np.ceil(self.length[pieces] / step), 1)
        return self._split(parts) if (parts > 1).any() else None

    def _split(self, parts: IdArray) -> Rim:
        """Each piece in so many equal parts."""
        owner = np.repeat(np.arange(len(parts)), parts)
        nth = np.arange(len(owner)) - np.repeat(np.cumsum(parts) - parts, parts)
        way = self.end - self.start
        start = self.start[owner] + (nth / parts[owner])[:, None] * way[owner]
        return rim_through(start, self.loop[owner])

    def distance(self, places: FloatArray) -> FloatArray:
        """(N,) exact distance of (N, 2) places to the nearest piece, mm."""
        best = np.full(len(places), np.inf)
        half = 0.5 * float(self.length.max())
        asked, count = np.arange(len(places)), 4
        while len(asked):
            count = min(count, len(self.start))
            away, piece = self.tree.query(places[asked], k=np.arange(1, count + 1))
            p = places[asked, None]
            for pieces in (piece, self.before[piece]):
                gap = point_segment_distance(p, self.start[pieces], self.end[pieces])
                best[asked] = np.minimum(best[asked], gap.min(axis=1))
            # A nearer piece would have an end no farther off than this.
            unsure = away[:, -1] < np.sqrt(best[asked] ** 2 + half**2)
            asked = asked[unsure] if count < len(self.start) else asked[:0]
            count *= 4
        return best

    def contains(self, places: FloatArray) -> BoolArray:
        """(N,) which of (N, 2) places lie inside: as `Region.contains`, but each place meets
        only the pieces at its height."""
        y0, y1 = self.start[:, 1], self.end[:, 1]
        low, high = np.minimum(y0, y1), np.maximum(y0, y1)
        bottom = low.min(initial=0.0)
        slabs = min(len(low), 4096)
        scale = slabs / max(float(high.max(initial=0.0) - bottom), 1e-300)
        first = np.floor((low - bottom) * scale).astype(np.int64)
        spans = np.floor((high - bottom) * scale).astype(np.int64) - first + 1
        piece = np.repeat(np.arange(len(low)), spans)
        slab = first[piece] + np.arange(len(piece)) - np.repeat(np.cumsum(spans) - spans, spans)
        order = np.argsort(slab, kind="stable")
        piece, slab = piece[order], slab[order]
        level = np.clip(np.floor((places[:, 1] - bottom) * scale), -1, slabs + 1)
        begin = np.searchsorted(slab, level, side="left")
        met = np.searchsorted(slab, level, side="right") - begin
        place = np.repeat(np.arange(len(places)), met)
        nth = np.arange(len(place)) - np.repeat(np.cumsum(met) - met, met)
        e = piece[begin[place] + nth]
        x, y = places[place].T
        across = (y0[e] > y) != (y1[e] > y)
        e, place, x, y = e[across], place[across], x[across], y[across]
        a, b = self.start[e], self.end[e]
        right = x < a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
        return np.asarray(np.bincount(place[right], minlength=len(places)) % 2 == 1)


def rim_through(start: FloatArray, loop: IdArray) -> Rim:
    """The rim of pieces that start at (P, 2), in order, and each end where the next starts."""
    first = np.flatnonzero(np.r_[True, loop[1:] != loop[:-1]])
    last = np.r_[first[1:], len(loop)] - 1
    after, before = np.arange(len(loop)) + 1, np.arange(len(loop)) - 1
    after[last], before[first] = first, last
    return Rim(start, start[after], loop, before)


def rim_of(region: Region) -> Rim:
    """The edges of a region, as they are."""
    loop = np.repeat(np.arange(len(region.loops)), [len(p) for p in region.loops])
    return rim_through(np.concatenate(region.loops), loop)


@dataclass(frozen=True, eq=False)
class Diagram:
    """The Voronoi diagram of a rim's points, as far as it is bounded.

    Attributes
    ----------
    nodes : (V, 2) mm, its corners.
    reach : (V,) how far the nearest of the rim's points is from each, mm.
    inside : (V,) which lie in the region and were asked for.
    links : (E, 2) nodes that an edge of the diagram joins.
    sides : (E, 2) the rim's points that each edge runs midway between.
    """

    nodes: FloatArray
    reach: FloatArray
    inside: BoolArray
    links: IdArray
    sides: IdArray


def diagram(rim: Rim, over: float = 0.0) -> Diagram:
    """The Voronoi diagram of the points at which a rim's pieces start.

    over : mm; of nodes that reach no farther it is not asked whether they lie inside.

    Of fewer than three places there is none: it is empty.
    """
    # Far from the origin the circles' centres would lose digits. Points on one circle, as of
    # a turned shape, take several times as long; so they are moved off it by a hair.
    about = rim.start.mean(axis=0)
    hair = 1e-7 * float(np.ptp(rim.start, axis=0).max())
    moved = np.random.default_rng(0).uniform(-hair, hair, rim.start.shape)
    none = np.zeros((0, 2), dtype=np.int64)
    try:
        found = Voronoi(rim.start - about + moved)
    except QhullError:
        return Diagram(np.zeros((0, 2)), np.zeros(0), np.zeros(0, dtype=bool), none, none)
    nodes = found.vertices + about
    links = np.array(found.ridge_vertices, dtype=np.int64).reshape(-1, 2)
    sides = np.asarray(found.ridge_points, dtype=np.int64)
    reach = np.full(len(nodes), np.inf)
    for column in (0, 1):
        some = links[:, column] >= 0
        ends, point = links[some, column], rim.start[sides[some, 0]]
        gap = nodes[ends] - point
        np.minimum.at(reach, ends, np.sqrt(dot(gap, gap)))
    bounded = (links >= 0).all(axis=1)
    inside = reach > over
    inside[inside] = rim.contains(nodes[inside])
    return Diagram(nodes, reach, inside, links[bounded], sides[bounded])
