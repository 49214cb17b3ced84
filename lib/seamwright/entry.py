"""Entry: at which turns pegs enter their sockets, by disproof.

Turns are looked at in cells, each a run of turns about a multiple of the step. A cell is
disproved as a whole: at its middle, even with every point of the pegs moved as far as any turn
of the cell moves it, they do not enter. What cannot be disproved counts as entering.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull

from seamwright.mesh import BoolArray, FloatArray
from seamwright.offsets import area, bends, centroid, crossings, edge_normals, is_convex

IdArray = npt.NDArray[np.int64]

FINER = 16
"""How much finer than the step a cell is split at most before it counts as entering."""

BLOCK = 16
"""Cells that a search over shifts begins with in one box."""

STRETCH = 8
"""Cells that are first tried together."""

TOUCH = 1e-9
"""mm by which a peg may stand into its socket's side: rounding only."""

MOST_BOXES = 20_000
"""Undecided boxes of turns and shifts at which the search stops: the rest counts as entering."""

CHUNK = 1_500_000
"""Numbers in one array of a step, so that memory stays small."""


# --- pairs of pegs and sockets -----------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Pair:
    """Pegs assigned to sockets, both about a point of their own, which only changes shifts.

    pegs : those for convex sockets as hulls, which lie in them where the pegs themselves do.
    pivot : (2,) what was taken off the pegs. radius : of the farthest corner from it, mm.
    likely : False if areas or the distances between the pegs already speak against it.
    """

    pegs: list[FloatArray]
    sockets: list[FloatArray]
    pivot: FloatArray
    radius: float
    convex: bool
    likely: bool

    @staticmethod
    def of(
        pegs: list[FloatArray], sockets: list[FloatArray], pivot: FloatArray | None = None
    ) -> Pair:
        corners = np.concatenate(pegs)
        if pivot is None:
            pivot = np.asarray((corners.min(axis=0) + corners.max(axis=0)) / 2)
        middle = np.concatenate(sockets)
        middle = (middle.min(axis=0) + middle.max(axis=0)) / 2
        plump = [is_convex(s) for s in sockets]
        return Pair(
            [hull(p) - pivot if k else p - pivot for p, k in zip(pegs, plump, strict=True)],
            [s - middle for s in sockets],
            pivot,
            float(np.linalg.norm(corners - pivot, axis=1).max()),
            all(plump),
            _likely(pegs, sockets),
        )


def drift(peg: FloatArray, socket: FloatArray) -> float:
    """How far apart, mm, the centroids of a seated peg and its socket can be; -1 if the peg
    has more area and so cannot seat.

    Let the peg, of area P and centroid p, lie in the socket, of S and s, and let the rest of
    the socket have E = S - P and centroid e. Moments add up: S s = P p + E e, so
    p - s = (E / P) (s - e), and e is no farther from s than the socket's farthest corner.
    """
    inner, outer = area(peg), area(socket)
    if inner > outer * (1 + 1e-12) + TOUCH:
        return -1.0
    radius = float(np.linalg.norm(socket - centroid(socket), axis=1).max())
    return max(outer - inner, 0.0) / inner * radius + TOUCH


def _likely(pegs: list[FloatArray], sockets: list[FloatArray]) -> bool:
    """Whether areas and the distances between centroids let the pegs seat in some turn."""
    play = np.array([drift(p, s) for p, s in zip(pegs, sockets, strict=True)])
    if (play < 0).any():
        return False
    if len(pegs) == 1:
        return True
    p, s = np.array([centroid(o) for o in pegs]), np.array([centroid(o) for o in sockets])
    apart = np.linalg.norm(p[:, None] - p, axis=2) - np.linalg.norm(s[:, None] - s, axis=2)
    return bool((np.abs(apart) <= play[:, None] + play).all())


def hull(outline: FloatArray) -> FloatArray:
    """Corners of the convex hull, counter-clockwise."""
    if is_convex(outline):
        return outline
    return np.asarray(outline[ConvexHull(outline).vertices])


# --- cells of turns ----------------------------------------------------------------------


def cells_entered(
    pair: Pair, cells: IdArray, step: float, fine: float = 0.0
) -> tuple[BoolArray, BoolArray]:
    """At which turns, of the cells about these multiples of the step, the pegs enter.

    Parameters
    ----------
    fine : mm; outlines that dent and would have to be pressed in by less than about this may
        count as entering. 0 for a thousandth of the pegs' radius.

    Returns
    -------
    (C,) which cells are not disproved, and in which of them the pegs are known to enter.
    """
    possible, proven = (np.zeros(len(cells), dtype=bool) for _ in range(2))
    outer = pair if pair.convex else _hulled(pair)
    size = min(STRETCH, round(360 / step))
    stretch, which = np.unique(cells // size, return_inverse=True)
    about = np.asarray((stretch * size + (size - 1) / 2) * step, dtype=np.float64)
    held = convex_enters(outer, about, size * step / 2)
    at = np.flatnonzero(held[which])
    middle, half = np.asarray(cells[at] * step, dtype=np.float64), step / 2
    while len(at):
        held = convex_enters(outer, middle, half)
        at, middle = at[held], middle[held]
        if not pair.convex:
            possible[at], proven[at] = _searched(pair, cells[at], step, fine)
            break
        proven[at[convex_enters(outer, middle)]] = True
        if half * FINER <= step / 2 * (1 + 1e-9):
            possible[at] = True
            break
        go = ~proven[at]
        middle = (middle[go][:, None] + (np.arange(4) - 1.5) / 2 * half).ravel()
        at, half = np.repeat(at[go], 4), half / 4
    return possible | proven, proven


def _hulled(pair: Pair) -> Pair:
    """The pair of hulls: where they do not seat, neither do the outlines themselves."""
    pegs, sockets = [hull(o) for o in pair.pegs], [hull(o) for o in pair.sockets]
    return Pair(pegs, sockets, pair.pivot, pair.radius, True, True)


def convex_enters(pair: Pair, turns: FloatArray, half: float = 0.0) -> BoolArray:
    """(T,) whether some shift puts each convex peg in its convex socket.

    half : degrees; above 0 the answer is no only if it is so for all turns up to half away.

    A turned convex peg lies inside a convex socket if all its corners lie inside each
    edge; over the shift that is a set of half planes.
    """
    normal = np.concatenate([edge_normals(s) for s in pair.sockets])
    out = np.zeros(len(turns), dtype=bool)
    move = 2 * float(np.sin(np.radians(half) / 2))
    count = max(1, CHUNK // len(normal) ** 2)
    for start in range(0, len(turns), count):
        part = slice(start, start + count)
        rooms = [
            _room(peg, socket, turns[part], move)
            for peg, socket in zip(pair.pegs, pair.sockets, strict=True)
        ]
        out[part] = _meet(normal, np.concatenate(rooms, axis=1))
    return out


def _room(peg: FloatArray, socket: FloatArray, turns: FloatArray, move: float) -> FloatArray:
    """(T, L) how far a turned peg can go along each of a socket's edge normals, mm.

    move : mm by which a point 1 mm from the pivot may have moved the other way.
    """
    normal = edge_normals(socket)
    c, s = np.cos(np.radians(turns)), np.sin(np.radians(turns))
    # n·(R q) is (R' n)·q: turning the few normals is less work than turning the corners.
    x = c[:, None] * normal[:, 0] + s[:, None] * normal[:, 1]
    y = c[:, None] * normal[:, 1] - s[:, None] * normal[:, 0]
    reach = np.stack([x, y], axis=-1) @ peg.T
    reach -= move * np.linalg.norm(peg, axis=1)
    return np.asarray((socket * normal).sum(axis=1) - reach.max(axis=2))


def _meet(normal: FloatArray, room: FloatArray) -> BoolArray:
    """(T,) whether the half planes normal·x <= room, (L, 2) and (T, L), have a common point.

    If they have, and are bounded, the common part touches one of the lines: each line is
    cut by all the others, and what is left of one of them is not empty.
    """
    slope = normal[:, None, 0] * normal[:, 1] - normal[:, None, 1] * normal[:, 0]
    rest = room[:, None, :] - (normal @ normal.T) * room[:, :, None]
    level = np.abs(slope) < 1e-9
    ok = ~((rest < -TOUCH) & level).any(axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        bound = rest / slope
    upper = np.where(slope >= 1e-9, bound, np.inf).min(axis=2)
    lower = np.where(slope <= -1e-9, bound, -np.inf).max(axis=2)
    return np.asarray((ok & (lower <= upper + TOUCH)).any(axis=1))


# --- outlines that dent -------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Boxes:
    """Boxes of turns and shifts: the middle of each and half its sizes.

    turn, half_turn : (B,) radians. shift, half : (B, 2) mm.
    """

    turn: FloatArray
    half_turn: FloatArray
    shift: FloatArray
    half: FloatArray

    def __getitem__(self, which: BoolArray | IdArray | slice) -> _Boxes:
        return _Boxes(self.turn[which], self.half_turn[which], self.shift[which], self.half[which])

    def __len__(self) -> int:
        return len(self.turn)

    def split(self, radius: float) -> _Boxes:
        """Each box halved along the side that moves the pegs' points most."""
        sizes = np.column_stack([self.half, self.half_turn * radius])
        way = np.eye(3)[sizes.argmax(axis=1)]
        half = self.half * (1 - way[:, :2] / 2)
        half_turn = self.half_turn * (1 - way[:, 2] / 2)
        step, turn_step = half * way[:, :2], half_turn * way[:, 2]
        return _Boxes(
            np.r_[self.turn - turn_step, self.turn + turn_step],
            np.r_[half_turn, half_turn],
            np.concatenate([self.shift - step, self.shift + step]),
            np.concatenate([half, half]),
        )


def _searched(pair: Pair, cells: IdArray, step: float, fine: float) -> tuple[BoolArray, BoolArray]:
    """(C,) which cells are not disproved and which are proven, of those about these multiples
    of the step, by boxes of turns and shifts that are halved until decided.

    In a box no point of a peg is farther from where it is at the box's middle than r: half
    the box's diagonal, and the chord of half its turn. So a point that stands out of the
    socket by more than r disproves the box, and so does a dent of the socket more than r
    deep in the peg. Where the pegs lie in their sockets at its middle, they enter, and still
    do at turns that move no point by more than the gap that is left.
    """
    count = round(360 / step)
    wanted, proven, left = (np.zeros(count, dtype=bool) for _ in range(3))
    wanted[cells] = True
    boxes = _first_boxes(pair, cells, step)
    fine = fine or pair.radius * min(1e-3, np.radians(step) / 4)
    trials = [_Trial.of(p, s) for p, s in zip(pair.pegs, pair.sockets, strict=True)]
    while len(boxes):
        alive, home = (np.ones(len(boxes), dtype=bool) for _ in range(2))
        for trial in trials:
            at = np.flatnonzero(alive)
            alive[at], inside = trial.tried(boxes[at])
            home[at] &= inside
        for k in np.flatnonzero(alive & home):
            about = np.degrees(boxes.turn[k]) / step
            if proven[round(about) % count]:
                continue
            gap = min(trial.gap(boxes, int(k)) for trial in trials)
            if gap >= 0:
                reach = np.degrees(min(gap / pair.radius, np.pi)) / step
                first, last = np.round([about - reach, about + reach]).astype(int)
                proven[np.arange(first, last + 1) % count] = True
        boxes = boxes[alive]
        small = np.maximum(boxes.half.max(axis=1), boxes.half_turn * pair.radius) <= fine
        left |= _reached(boxes[small], count, step)
        boxes = boxes[~small]
        boxes = boxes[_asked(boxes, wanted & ~proven & ~left, step)]
        if len(boxes) > MOST_BOXES:
            left |= _reached(boxes, count, step)
            break
        boxes = boxes.split(pair.radius)
    return (left | proven)[cells], proven[cells]


def _asked(boxes: _Boxes, asked: BoolArray, step: float) -> BoolArray:
    """(B,) which boxes reach a cell that is asked for."""
    first, last = _span(boxes, step)
    sums = np.r_[0, np.cumsum(np.tile(asked, 3))]
    shift = len(asked)
    return np.asarray(sums[last + shift + 1] > sums[first + shift])


def _reached(boxes: _Boxes, count: int, step: float) -> BoolArray:
    """(count,) the cells that any box reaches."""
    first, last = _span(boxes, step)
    marks = np.zeros(3 * count + 1, dtype=np.int64)
    np.add.at(marks, first + count, 1)
    np.add.at(marks, last + count + 1, -1)
    return np.asarray((np.cumsum(marks)[:-1].reshape(3, count) > 0).any(axis=0))


def _span(boxes: _Boxes, step: float) -> tuple[IdArray, IdArray]:
    """(B,) the first and the last cell that each box reaches."""
    turn, half = np.degrees(boxes.turn) / step, np.degrees(boxes.half_turn) / step
    return (
        np.round(turn - half + 1e-6).astype(np.int64),
        np.round(turn + half - 1e-6).astype(np.int64),
    )


def _first_boxes(pair: Pair, cells: IdArray, step: float) -> _Boxes:
    """A box for each block of cells, of the shifts that extents and centroids do not exclude."""
    size = min(BLOCK, round(360 / step))
    turn = np.radians((np.unique(cells // size) * size + (size - 1) / 2) * step)
    half_turn = np.full(len(turn), np.radians(size * step / 2))
    chord = 2 * np.sin(half_turn / 2)[:, None]
    low, high = np.full((len(turn), 2), -np.inf), np.full((len(turn), 2), np.inf)
    for peg, socket in zip(pair.pegs, pair.sockets, strict=True):
        at = _turned(peg[None], turn)
        far = chord[..., None] * np.linalg.norm(peg, axis=1)[:, None]
        low = np.maximum(low, socket.min(axis=0) - (at + far).min(axis=1))
        high = np.minimum(high, socket.max(axis=0) - (at - far).max(axis=1))
        middle = centroid(peg)
        about = centroid(socket) - _turned(middle[None, None], turn)[:, 0]
        reach = drift(peg, socket) + chord * float(np.linalg.norm(middle))
        low, high = np.maximum(low, about - reach), np.minimum(high, about + reach)
    some = (low <= high + TOUCH).all(axis=1)
    low, high = low[some], np.maximum(high, low)[some]
    return _Boxes(turn[some], half_turn[some], (low + high) / 2, (high - low) / 2)


@dataclass(frozen=True, eq=False)
class _Trial:
    """One peg and its socket, and the points that tell whether it stands out.

    points : (K, 2) of the peg's outline. dents : (D, 2) the socket's corners that dent it.
    """

    peg: FloatArray
    socket: FloatArray
    points: FloatArray
    dents: FloatArray

    @staticmethod
    def of(peg: FloatArray, socket: FloatArray) -> _Trial:
        along = np.roll(peg, -1, axis=0) - peg
        spacing = 0.15 * float(np.ptp(peg, axis=0).max())
        parts = np.ceil(np.linalg.norm(along, axis=1) / spacing).astype(int)
        points = [
            p + np.arange(1, n)[:, None] / n * a for p, a, n in zip(peg, along, parts, strict=True)
        ]
        return _Trial(peg, socket, np.concatenate(points), socket[bends(socket) < -1e-9])

    def tried(self, boxes: _Boxes) -> tuple[BoolArray, BoolArray]:
        """(B,) which boxes are not disproved, and at the middles of which no point is out."""
        alive, inside = (np.ones(len(boxes), dtype=bool) for _ in range(2))
        count = max(1, CHUNK // ((len(self.peg) + len(self.points)) * len(self.socket)))
        for start in range(0, len(boxes), count):
            part = np.arange(start, min(start + count, len(boxes)))
            # The corners decide most boxes, then the dents; only the rest needs all points.
            for stage in (self._corners_out, self._dents_deep, self._points_out):
                over, within_ = stage(boxes[part])
                alive[part] = ~over
                inside[part] &= within_
                part = part[~over]
        return alive, inside

    def _corners_out(self, boxes: _Boxes) -> tuple[BoolArray, BoolArray]:
        return self._out(boxes, self.peg)

    def _points_out(self, boxes: _Boxes) -> tuple[BoolArray, BoolArray]:
        return self._out(boxes, self.points)

    def _out(self, boxes: _Boxes, points: FloatArray) -> tuple[BoolArray, BoolArray]:
        """(B,) whether a point stands out too far for a box, and whether none does at all."""
        at = _turned(points[None], boxes.turn) + boxes.shift[:, None]
        out = _distance(at, self.socket, inside=False)
        over = (out > _slack(boxes, np.linalg.norm(points, axis=1)[None])).any(axis=1)
        return np.asarray(over), np.asarray((out <= TOUCH).all(axis=1))

    def _dents_deep(self, boxes: _Boxes) -> tuple[BoolArray, BoolArray]:
        """(B,) whether a dent is too deep in the peg for a box, and whether none is in it."""
        home = self.dents - boxes.shift[:, None]
        deep = _distance(_turned(home, -boxes.turn), self.peg, inside=True)
        over = (deep > _slack(boxes, np.linalg.norm(home, axis=2))).any(axis=1)
        return np.asarray(over), np.asarray((deep <= TOUCH).all(axis=1))

    def gap(self, boxes: _Boxes, k: int) -> float:
        """The least gap round the peg at the middle of box k; -1 if an edge crosses one.

        Two outlines that do not cross are nearest at a corner of one of them.
        """
        peg = _turned(self.peg[None], boxes.turn[k : k + 1])[0] + boxes.shift[k]
        inner = centroid(peg) + (peg - centroid(peg)) * (1 - 1e-9)
        a, b = inner[:, None], np.roll(inner, -1, axis=0)[:, None]
        if crossings(a, b, self.socket[None], np.roll(self.socket, -1, axis=0)[None]).any():
            return -1.0
        return float(
            min(edge_distance(peg, self.socket).min(), edge_distance(self.socket, peg).min())
        )


def _slack(boxes: _Boxes, radius: FloatArray) -> FloatArray:
    """How far points at these distances (B, N) from the pivot may be from where they are at
    the boxes' middles, mm."""
    chord = 2 * np.sin(np.minimum(boxes.half_turn, np.pi) / 2)[:, None]
    return np.asarray(np.linalg.norm(boxes.half, axis=1)[:, None] + chord * radius)


def _turned(points: FloatArray, turns: FloatArray) -> FloatArray:
    """(T, N, 2) points of (T, N, 2), or (1, N, 2), turned by (T,) radians."""
    c, s = np.cos(turns)[:, None], np.sin(turns)[:, None]
    x, y = points[..., 0], points[..., 1]
    return np.stack([c * x - s * y, s * x + c * y], axis=-1)


def _distance(points: FloatArray, outline: FloatArray, inside: bool) -> FloatArray:
    """(T, N) how far (T, N, 2) points are inside, or outside, an outline, mm; else 0."""
    flat = points.reshape(-1, 2)
    out = np.zeros(len(flat))
    at = np.flatnonzero(within(flat, outline) == inside)
    out[at] = edge_distance(flat[at], outline)
    return out.reshape(points.shape[:-1])


def within(points: FloatArray, outline: FloatArray) -> BoolArray:
    """(N,) whether (N, 2) points lie inside an outline: even-odd ray crossing."""
    a, b = outline, np.roll(outline, -1, axis=0)
    flat = a[:, 1] == b[:, 1]
    slope = (b[:, 0] - a[:, 0]) / np.where(flat, 1.0, b[:, 1] - a[:, 1])
    x, y = points[:, :1], points[:, 1:]
    spans = (a[:, 1] > y) != (b[:, 1] > y)
    return np.asarray((spans & (x < a[:, 0] + (y - a[:, 1]) * slope)).sum(axis=1) % 2 == 1)


def edge_distance(points: FloatArray, outline: FloatArray) -> FloatArray:
    """(N,) distance of (N, 2) points to the nearest edge, mm."""
    along = np.roll(outline, -1, axis=0) - outline
    away = points[:, None] - outline
    share = np.clip((away * along).sum(axis=2) / (along**2).sum(axis=1), 0.0, 1.0)
    gap = away - share[..., None] * along
    return np.asarray(np.sqrt((gap**2).sum(axis=2).min(axis=1)))
