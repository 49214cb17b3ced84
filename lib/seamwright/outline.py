"""Outlines in a plane: loops of points, regions with holes, and how they are found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from seamwright.mesh import BoolArray, FloatArray

IdArray = npt.NDArray[np.int64]
PlanePoints = Callable[[IdArray], FloatArray]


@dataclass(frozen=True, eq=False)
class Region:
    """One connected patch of material in a plane.

    Attributes
    ----------
    loops : outline first, counter-clockwise seen against the normal; then holes, clockwise.
        Each (N, 2) plane coordinates, mm, not repeated at the end.
    segments : for each loop, (N,) ids of the directed segments it was made of, in order.
    clash : (2,) a place, mm, where surfaces run into each other and this region is the
        union of what they bound; None for a plain region. A union's loops have corners that
        are no nodes, and several of their edges may lie on one segment.
    members : of a union, the plain regions that it unites.
    """

    loops: tuple[FloatArray, ...]
    segments: tuple[IdArray, ...]
    clash: FloatArray | None = None
    members: tuple[Region, ...] = ()

    @property
    def plain(self) -> tuple[Region, ...]:
        """The region itself, or those it unites: their loops run from node to node."""
        return (self,) if self.clash is None else self.members

    @property
    def outline(self) -> FloatArray:
        return self.loops[0]

    @property
    def holes(self) -> tuple[FloatArray, ...]:
        return self.loops[1:]

    @cached_property
    def area(self) -> float:
        """mm², holes taken off."""
        return float(sum(loop_area(loop) for loop in self.loops))

    @cached_property
    def perimeter(self) -> float:
        """mm, outline and holes together."""
        return sum(loop_length(p) for p in self.loops)

    @cached_property
    def centroid(self) -> FloatArray:
        """(2,) centre of area, mm; of a sliver without area, the mean of its outline."""
        # About a point of its own: far from the origin the products would lose all digits.
        about = self.outline[0]
        total = np.zeros(2)
        for loop in self.loops:
            here, after = loop - about, np.roll(loop, -1, axis=0) - about
            weight = here[:, 0] * after[:, 1] - after[:, 0] * here[:, 1]
            total += ((here + after) * weight[:, None]).sum(axis=0) / 6.0
        if self.area > 1e-12:
            return np.asarray(about + total / self.area)
        return np.asarray(self.outline.mean(axis=0))

    def contains(self, points: npt.ArrayLike) -> BoolArray:
        """(N,) which of the (N, 2) points lie inside, by the even-odd rule over all loops."""
        p = np.atleast_2d(np.asarray(points, dtype=np.float64))
        inside = np.zeros(len(p), dtype=bool)
        for loop in self.loops:
            inside ^= inside_loop(p, loop)
        return inside

    def distance(self, points: npt.ArrayLike) -> FloatArray:
        """(N,) distance of the (N, 2) points to the region, mm; 0 inside."""
        p = np.atleast_2d(np.asarray(points, dtype=np.float64))
        return np.where(self.contains(p), 0.0, self.edge_distance(p))

    def edge_distance(self, points: npt.ArrayLike) -> FloatArray:
        """(N,) distance of the (N, 2) points to the nearest outline or hole edge, mm."""
        p = np.atleast_2d(np.asarray(points, dtype=np.float64))
        return np.asarray(np.min([_edge_distance(p, loop) for loop in self.loops], axis=0))

    @cached_property
    def inner_point(self) -> FloatArray:
        """(2,) a point well inside: the middle of the widest chord of three tried."""
        low, high = self.outline[:, 1].min(), self.outline[:, 1].max()
        best: FloatArray = np.asarray(self.outline.mean(axis=0))
        width = -1.0
        for share in (0.5, 0.37, 0.63):
            y = low + share * (high - low)
            xs = np.sort(np.concatenate([_crossings(loop, y) for loop in self.loops]))
            spans = xs[1::2] - xs[0 : 2 * (len(xs) // 2) : 2]
            if len(spans) and spans.max() > width:
                k = int(np.argmax(spans))
                best, width = np.array([(xs[2 * k] + xs[2 * k + 1]) / 2, y]), float(spans[k])
        return best


@dataclass(frozen=True, eq=False)
class Chains:
    """Directed segments joined end to start.

    closed : for each closed loop, (N,) ids of its segments, in order.
    open : likewise for each chain that does not close.
    loose : nodes at which a chain is open, ascending.
    """

    closed: list[IdArray]
    open: list[IdArray]
    loose: IdArray


def regions_of(segments: IdArray, points_of: PlanePoints) -> tuple[tuple[Region, ...], IdArray]:
    """Chain directed segments into regions, largest area first.

    Parameters
    ----------
    segments : (S, 2) node ids, material on the left.
    points_of : gives the (N, 2) plane coordinates of node ids, mm.

    Returns
    -------
    The regions, and the nodes at which a chain is open.
    """
    chains = chained(segments, points_of)
    points = [points_of(segments[loop, 0]) for loop in chains.closed]
    areas = np.array([loop_area(p) for p in points])
    return nested(points, chains.closed, nests(points, areas, turns_about(points, areas))), (
        chains.loose
    )


def nested(
    points: list[FloatArray], ids: list[IdArray], nest: list[list[int]]
) -> tuple[Region, ...]:
    """Regions of the loops that `nests` put together, largest area first.

    points : (N, 2) mm, of each loop. ids : (N,) segments of each.
    """
    regions = [Region(tuple(points[k] for k in n), tuple(ids[k] for k in n)) for n in nest]
    regions.sort(key=lambda r: (-r.area, *r.outline.mean(axis=0)))
    return tuple(regions)


def nests(points: list[FloatArray], areas: FloatArray, turns: IdArray) -> list[list[int]]:
    """For each region, its outline and then its holes; a hole without an outline is in none.

    areas, turns : of the loops, see `loop_area` and `turns_about`.
    """
    outlines = [i for i in range(len(points)) if areas[i] > 0]
    outlines.sort(key=lambda i: (-areas[i], *points[i].mean(axis=0)))
    found = {i: [i] for i in outlines}
    for i in range(len(points)):
        if areas[i] <= 0:
            around = [k for k in outlines if turns[i, k] > 0]
            if around:
                found[around[-1]].append(i)
    return [found[i] for i in outlines]


def turns_about(points: list[FloatArray], areas: FloatArray, within: float = 0.0) -> IdArray:
    """(L, L) how often each loop of the second axis goes round each of the first, seen from
    just outside that one; 0 with itself.

    within : mm, how far outside; loops may touch by less.
    """
    count = len(points)
    turns = np.zeros((count, count), dtype=np.int64)
    if count < 2:
        return turns
    low = np.array([p.min(axis=0) for p in points])
    high = np.array([p.max(axis=0) for p in points])
    off = max(2 * within, 1e-9 * float((high.max(axis=0) - low.min(axis=0)).max()))
    held: BoolArray = np.asarray((low[:, None] >= low[None] - off).all(axis=2))
    held &= (high[:, None] <= high[None] + off).all(axis=2)
    np.fill_diagonal(held, False)
    asked: BoolArray = np.asarray(held.any(axis=1))
    # Several edges vote, for two of them may meet at less than `off`.
    right = [
        just_right(p, off if area > 0 else -off) if some else p[:0]
        for p, area, some in zip(points, areas, asked, strict=True)
    ]
    for k in np.flatnonzero(held.any(axis=0)):
        inner = np.flatnonzero(held[:, k])
        votes = winding(np.concatenate([right[i] for i in inner]), points[k])
        ends = np.cumsum([len(right[i]) for i in inner])
        for i, vote in zip(inner, np.split(votes, ends[:-1]), strict=True):
            turns[i, k] = round(float(np.median(vote)))
    return turns


def just_right(loop: FloatArray, off: float) -> FloatArray:
    """(5, 2) points by the middles of edges, `off` mm to the right of them."""
    step = np.arange(5) * len(loop) // 5
    here, after = loop[step], loop[(step + 1) % len(loop)]
    way = after - here
    right = np.stack([way[:, 1], -way[:, 0]], axis=1)
    right /= np.maximum(np.sqrt(dot(way, way)), 1e-300)[:, None]
    return np.asarray(0.5 * (here + after) + off * right)


def loop_area(loop: FloatArray) -> float:
    """Signed area of an (N, 2) loop, mm²: the shoelace formula about its first point."""
    p = loop - loop[0]
    after = np.roll(p, -1, axis=0)
    return float(0.5 * (p[:, 0] * after[:, 1] - after[:, 0] * p[:, 1]).sum())


def loop_length(loop: FloatArray) -> float:
    """Length of an (N, 2) loop, mm."""
    return float(np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1).sum())


def _edge_distance(points: FloatArray, loop: FloatArray) -> FloatArray:
    """(N,) distance of (N, 2) points to the nearest edge of an (M, 2) loop, mm."""
    after = np.roll(loop, -1, axis=0)
    nearest = np.empty(len(points))
    for part in range(0, len(points), 256):
        nearest[part : part + 256] = point_segment_distance(
            points[part : part + 256, None], loop[None], after[None]
        ).min(axis=1)
    return nearest


def inside_loop(points: FloatArray, loop: FloatArray) -> BoolArray:
    """(N,) whether (N, 2) points lie inside an (M, 2) loop: even-odd ray crossing."""
    a, b = loop, np.roll(loop, -1, axis=0)
    inside = np.zeros(len(points), dtype=bool)
    for part in range(0, len(points), 256):
        x, y = points[part : part + 256, 0, None], points[part : part + 256, 1, None]
        spans = (a[:, 1] > y) != (b[:, 1] > y)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
        inside[part : part + 256] = (spans & (x < at)).sum(axis=1) % 2 == 1
    return inside


def winding(points: FloatArray, loop: FloatArray) -> IdArray:
    """(N,) how often an (M, 2) loop goes round each of (N, 2) points, counter-clockwise."""
    a, b = loop, np.roll(loop, -1, axis=0)
    turns = np.zeros(len(points), dtype=np.int64)
    for part in range(0, len(points), 256):
        x, y = points[part : part + 256, 0, None], points[part : part + 256, 1, None]
        up = (a[:, 1] <= y) & (b[:, 1] > y)
        down = (a[:, 1] > y) & (b[:, 1] <= y)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
        right = x < at
        turns[part : part + 256] = (up & right).sum(axis=1) - (down & right).sum(axis=1)
    return turns


def point_segment_distance(p: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    """Distance of points to segments, mm; arrays of (..., D) broadcast together."""
    along = b - a
    squared = dot(along, along)
    t = dot(p - a, along) / np.where(squared > 0, squared, 1.0)
    gap = p - (a + np.clip(t, 0.0, 1.0)[..., None] * along)
    return np.asarray(np.sqrt(dot(gap, gap)))


def dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Scalar products along the last axis; several times faster than a sum over it."""
    return np.asarray(np.einsum("...i,...i->...", a, b))


def _crossings(loop: FloatArray, y: float) -> FloatArray:
    """Where a loop crosses the horizontal at y: x coordinates."""
    a, b = loop, np.roll(loop, -1, axis=0)
    spans = (a[:, 1] > y) != (b[:, 1] > y)
    a, b = a[spans], b[spans]
    return np.asarray(a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0]))


def chained(segments: IdArray, points_of: PlanePoints) -> Chains:
    """Join directed segments (S, 2) end to start; see `regions_of`."""
    if not len(segments):
        return Chains([], [], np.zeros(0, dtype=np.int64))
    after = _followers(segments, points_of)
    follow = after.tolist()
    # A chain that runs into a gap is no loop: mark all of it before walking.
    seen = bytearray(len(follow))
    has_start = np.zeros(len(follow), dtype=bool)
    has_start[after[after >= 0]] = True
    open_starts = np.flatnonzero(~has_start).tolist()
    broken = []
    for start in open_starts:
        chain = []
        at = start
        while at >= 0 and not seen[at]:
            seen[at] = 1
            chain.append(at)
            at = follow[at]
        broken.append(np.array(chain, dtype=np.int64))
    loops = []
    start = seen.find(0)
    while start >= 0:
        chain = [start]
        at = follow[start]
        while at != start:
            chain.append(at)
            at = follow[at]
        loop = np.array(chain, dtype=np.int64)
        np.frombuffer(seen, dtype=np.uint8)[loop] = 1
        loops.append(loop)
        start = seen.find(0, start)
    loose = np.unique(np.concatenate([segments[open_starts, 0], segments[after < 0, 1]]))
    return Chains(loops, broken, loose)


def _followers(segments: IdArray, points_of: PlanePoints) -> IdArray:
    """(S,) the segment that follows each one, -1 where none does.

    Where outlines touch in one node, the follower is the first leaving segment
    clockwise from where we came: that keeps the wedge of material whole.
    """
    by_start = np.argsort(segments[:, 0], kind="stable")
    starts = segments[by_start, 0]
    left = np.searchsorted(starts, segments[:, 1], side="left")
    if (starts[1:] != starts[:-1]).all() and left.max() < len(starts):
        after = by_start[left]
        if (starts[left] == segments[:, 1]).all() and np.bincount(after).max() == 1:
            # As nearly always, every node has one segment in and one out.
            return after
    right = np.searchsorted(starts, segments[:, 1], side="right")
    after = np.full(len(segments), -1, dtype=np.int64)
    single = right - left == 1
    after[single] = by_start[left[single]]
    ends, uses = np.unique(segments[:, 1], return_counts=True)
    outs = np.searchsorted(starts, ends, side="right") - np.searchsorted(starts, ends, side="left")
    for node in ends[(uses > 1) | (outs > 1)]:
        leaving = np.flatnonzero(segments[:, 0] == node)
        arriving = np.flatnonzero(segments[:, 1] == node)
        after[arriving] = -1
        if len(leaving):
            _pair_at(segments, points_of, leaving, arriving, after)
    return after


def _pair_at(
    segments: IdArray, points_of: PlanePoints, leaving: IdArray, arriving: IdArray, after: IdArray
) -> None:
    """Join arriving to leaving segments at a node where several meet."""
    node = points_of(segments[leaving[:1], 0])[0]
    out = points_of(segments[leaving, 1]) - node
    back = points_of(segments[arriving, 0]) - node
    out_angle = np.arctan2(out[:, 1], out[:, 0])
    back_angle = np.arctan2(back[:, 1], back[:, 0])
    clockwise = (back_angle[:, None] - out_angle[None]) % (2 * np.pi)
    taken: set[int] = set()
    for flat in np.argsort(clockwise, axis=None, kind="stable"):
        i, j = divmod(int(flat), len(leaving))
        if after[arriving[i]] < 0 and j not in taken:
            after[arriving[i]] = leaving[j]
            taken.add(j)
