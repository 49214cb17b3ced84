"""A piece beside a platform's excluded corners: where it goes, and turned by how much.

Only the convex hull of the silhouette matters. It lies beside a rectangle if and only if a side
of either parts the two, so that every question here is one of support functions.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from seamwright.circle import smallest_circle
from seamwright.hull import Indices, outline_of
from seamwright.mesh import FloatArray
from seamwright.platform import TOLERANCE, Platform

ROUGH = 360
"""Angles about the vertical that the search for a turn starts from."""

FINEST = 1e-6
"""mm by which a turn may still move a point when the search for it ends."""

MOST = 4000
"""Angles looked at one by one, beyond which the search for a turn gives up."""

_AXES = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])


@dataclass(frozen=True, eq=False)
class Turned:
    """The best turn about the vertical that was found.

    angle : radians. offset : (2,) to add to the turned points, mm; None where nothing fits.
    overrun : mm that the sides lack and the excluded corners have too much, 0 if it fits.
    proved : whether no other angle can do better than miss.
    """

    angle: float
    offset: FloatArray | None
    overrun: float
    proved: bool


def turned(points: FloatArray, platform: Platform, most: int = MOST) -> Turned:
    """Find the angle at which (N, 2) points go beside all that is excluded.

    An angle's overrun changes by at most twice the points' greatest distance from the middle
    per radian. So an interval whose middle overruns by more than its half-width allows holds no
    solution; the others are halved until one fits or none is left, which proves that none
    does. One excluded corner of a rectangular platform is judged exactly; of several, the
    worst alone gives the bound, and the best angles are then tried with all of them.
    """
    flat = _Flat.of(points)
    # Where a side of the outline lies along a side of the platform.
    knots = (np.arange(4)[:, None] * (np.pi / 2) - flat.angles).ravel()
    knots = np.append((knots + np.pi) % (2 * np.pi) - np.pi, 0.0)
    half = np.pi / ROUGH
    centres = (np.arange(ROUGH) + 0.5) * 2 * half - np.pi
    best, least, spent = 0.0, np.inf, 0
    tried = np.concatenate([knots, centres])
    while True:
        values = _overruns(flat, tried, platform)
        if values.min() < least:
            best, least = float(tried[values.argmin()]), float(values.min())
        able = tried[values <= TOLERANCE]
        for angle in able[np.abs(able).argsort(kind="stable")].tolist():
            offset = placed(flat.at(angle), platform)
            if offset is not None:
                return Turned(angle, offset, 0.0, True)
        slack = 2 * flat.reach * half
        centres = centres[values[len(tried) - len(centres) :] - slack <= TOLERANCE]
        if platform.round or len(platform.excluded) > 1:
            open_ = [placed(flat.at(a), platform, slack) is not None for a in centres.tolist()]
            centres = centres[np.array(open_, dtype=bool)]
        spent += len(able) + len(centres)
        if not len(centres) or slack < FINEST or spent > most:
            return Turned(best, None, _missing(flat.at(best), platform), not len(centres))
        half /= 2
        tried = centres = np.concatenate([centres - half, centres + half])


def _missing(points: FloatArray, platform: Platform) -> float:
    """mm by which (N, 2) points miss as they are turned, by halving."""
    low, high = 0.0, 1.0
    while placed(points, platform, high) is None:
        low, high = high, 2 * high
    for _ in range(40):
        middle = (low + high) / 2
        if placed(points, platform, middle) is None:
            low = middle
        else:
            high = middle
    return high


def missing(points: FloatArray, platform: Platform) -> tuple[FloatArray | None, float]:
    """Where (N, 2) points go as they are turned, and by how many mm they miss: 0 if they fit."""
    offset = placed(points, platform)
    flat = points[outline_of(points)]
    return offset, 0.0 if offset is not None else _missing(flat, platform)


# --- the overrun of many angles, one excluded corner at a time --------------------------


@dataclass(frozen=True, eq=False)
class _Flat:
    """A convex outline about the middle of its smallest circle.

    hull : (n, 2) corners, counter-clockwise. angles, heights : (n,) of its sides' outward
    normals and how far out the sides are. reach : radius of the circle, mm.
    middle : (2,) of the circle in the points' own coordinates.
    """

    hull: FloatArray
    angles: FloatArray
    heights: FloatArray
    reach: float
    middle: FloatArray

    @staticmethod
    def of(points: FloatArray) -> _Flat:
        hull = points[outline_of(points)]
        middle, reach = smallest_circle(hull)
        hull = hull - middle
        sides = np.roll(hull, -1, axis=0) - hull
        angles = np.arctan2(-sides[:, 0], sides[:, 1])
        heights = (hull * np.stack([np.cos(angles), np.sin(angles)], axis=1)).sum(axis=1)
        return _Flat(hull, angles, heights, reach, middle)

    def at(self, angle: float) -> FloatArray:
        """(n, 2) the outline turned about the origin of the points' own coordinates."""
        c, s = np.cos(angle), np.sin(angle)
        return np.asarray((self.hull + self.middle) @ np.array([[c, s], [-s, c]]))


def _overruns(flat: _Flat, angles: FloatArray, platform: Platform) -> FloatArray:
    """(T,) overrun at each angle, of the worst excluded corner alone: never too much."""
    parts = np.array_split(angles, 1 + angles.size * len(flat.hull) // 2**17)
    return np.concatenate([_some_overruns(flat, part, platform) for part in parts])


def _some_overruns(flat: _Flat, angles: FloatArray, platform: Platform) -> FloatArray:
    """(T,) the same of a few angles, at least one."""
    c, s = np.cos(angles)[:, None], np.sin(angles)[:, None]
    across, along = (
        c * flat.hull[:, 0] - s * flat.hull[:, 1],
        s * flat.hull[:, 0] + c * flat.hull[:, 1],
    )
    low = np.stack([across.min(axis=1), along.min(axis=1)], axis=1)
    high = np.stack([across.max(axis=1), along.max(axis=1)], axis=1)
    size = np.array(platform.size[:2])
    # Directions from the corner to the piece: along the corner's sides, and square to the piece's.
    normal = angles[:, None] + flat.angles + np.pi
    way = np.stack([np.cos(normal), np.sin(normal)], axis=2)
    way = np.concatenate([np.broadcast_to(_AXES, (len(angles), 4, 2)), way], axis=1)
    near = np.concatenate([-low[:, :1], high[:, :1], -low[:, 1:], high[:, 1:]], axis=1)
    near = np.concatenate([near, np.broadcast_to(flat.heights, (len(angles), len(flat.hull)))], 1)
    norm = np.abs(way).sum(axis=2)
    if platform.round:
        side = np.full(len(angles), 2 * flat.reach - size[0])
        far = np.concatenate([near[:, [1, 0, 3, 2]], _widths(flat, len(angles))], axis=1)
        most, gain = way @ platform.centre + size[0] / 2 - far, 0.5
    else:
        side = (high - low - size).max(axis=1)
        most = np.where(way > 0, (size - high)[:, None], -low[:, None])
        most, gain = (most * way).sum(axis=2), 0.5 * norm
    over = side
    for x0, y0, x1, y1 in platform.excluded:
        ends = np.maximum(way * [x0, y0], way * [x1, y1]).sum(axis=2)
        lack = ((ends + near - most) / (gain + norm)).min(axis=1)
        # With half its width taken off all round, a corner is gone.
        over = np.maximum(over, np.minimum(lack, min(x1 - x0, y1 - y0) / 2))
    return np.asarray(over)


def _widths(flat: _Flat, count: int) -> FloatArray:
    """(count, n) how far the outline reaches on the far side of each of its sides."""
    inward = -np.stack([np.cos(flat.angles), np.sin(flat.angles)])
    return np.broadcast_to((flat.hull @ inward).max(axis=0), (count, len(flat.hull)))


# --- one angle, everything excluded at once ---------------------------------------------


def placed(points: FloatArray, platform: Platform, slack: float = 0.0) -> FloatArray | None:
    """Where (N, 2) points go as they are turned: the (2,) offset, or None if nowhere.

    Offsets at which the outline reaches into a rectangle fill a convex polygon, the sum of
    the rectangle and the outline mirrored; those that keep it on the platform are convex too. If
    any is left, then one of these is: the middle, the ends of what of the polygons' sides
    is on the platform, or a place where two polygons' sides cross.

    slack : mm that the platform is larger every way, and the excluded corners smaller all round.
    """
    hull = points[outline_of(points)]
    middle, reach = smallest_circle(hull)
    size = np.array(platform.size[:2])
    if platform.round:
        if 2 * reach > size[0] + slack + TOLERANCE:
            return None
        centre = platform.centre - middle
    else:
        low, high = hull.min(axis=0), hull.max(axis=0)
        if (high - low > size + slack + TOLERANCE).any():
            return None
        centre = (size - high - low) / 2
    grown = _Offsets(hull, platform, slack)
    taken = [
        _Polygon.of(np.array(corner) + slack * np.array([1, 1, -1, -1]), hull)
        for corner in platform.excluded
        if min(corner[2] - corner[0], corner[3] - corner[1]) > 2 * slack
    ]
    tried = [centre[None]]
    for polygon in taken:
        tried += grown.clipped(polygon.corners, np.roll(polygon.corners, -1, axis=0))
    tried += [_crossings(a, b) for a, b in combinations(taken, 2)]
    places = np.concatenate(tried)
    places = places[grown.hold(places)]
    if not len(places):
        return None
    free = np.full(len(places), np.inf)
    for polygon in taken:
        free = np.minimum(free, (places @ polygon.normals.T - polygon.heights).max(axis=1))
    best = int(free.argmax())
    return places[best] if free[best] >= -TOLERANCE else None


@dataclass(frozen=True, eq=False)
class _Offsets:
    """The offsets that keep an outline on a platform, nothing excluded: a convex set."""

    hull: FloatArray
    platform: Platform
    slack: float

    @property
    def _bounds(self) -> tuple[FloatArray, FloatArray]:
        size, slack = np.array(self.platform.size[:2]), self.slack / 2 + TOLERANCE / 2
        return -self.hull.min(axis=0) - slack, size - self.hull.max(axis=0) + slack

    @property
    def _radius(self) -> float:
        return (self.platform.size[0] + self.slack + TOLERANCE) / 2

    def hold(self, places: FloatArray) -> Indices:
        """(P,) whether each of (P, 2) offsets is one."""
        if not self.platform.round:
            low, high = self._bounds
            return np.asarray(((places >= low - 1e-9) & (places <= high + 1e-9)).all(axis=1))
        away = np.linalg.norm(places[:, None] + self.hull - self.platform.centre, axis=2)
        return np.asarray(away.max(axis=1) <= self._radius + 1e-9)

    def clipped(self, starts: FloatArray, ends: FloatArray) -> list[FloatArray]:
        """The ends of what of some segments, (S, 2) to (S, 2), is among the offsets."""
        to = ends - starts
        with np.errstate(divide="ignore", invalid="ignore"):
            if self.platform.round:
                # |start + t to + corner - centre| = radius, for every corner.
                away = starts[:, None] + self.hull - self.platform.centre
                a = (to * to).sum(axis=1)[:, None]
                b = (away * to[:, None]).sum(axis=2)
                root = np.sqrt(b * b - a * ((away * away).sum(axis=2) - self._radius**2))
                first, last = (-b - root) / a, (-b + root) / a
            else:
                low, high = self._bounds
                one, two = (low - starts) / to, (high - starts) / to
                within = (starts >= low) & (starts <= high)
                first = np.where(to == 0, np.where(within, 0.0, np.nan), np.fmin(one, two))
                last = np.where(to == 0, np.where(within, 1.0, np.nan), np.fmax(one, two))
        enter = np.maximum(first.max(axis=1), 0.0)
        leave = np.minimum(last.min(axis=1), 1.0)
        # Not a number wherever a segment misses.
        real = enter <= leave
        return [(starts + t[:, None] * to)[real] for t in (enter, leave)]


@dataclass(frozen=True, eq=False)
class _Polygon:
    """A convex polygon: (n, 2) corners and outward unit normals, (n,) heights of its sides."""

    corners: FloatArray
    normals: FloatArray
    heights: FloatArray

    @staticmethod
    def of(corner: FloatArray, hull: FloatArray) -> _Polygon:
        """The offsets at which an outline reaches into a rectangle (4,)."""
        four = corner[[[0, 1], [2, 1], [2, 3], [0, 3]]]
        sums = (four[:, None] - hull).reshape(-1, 2)
        corners = sums[outline_of(sums)]
        sides = np.roll(corners, -1, axis=0) - corners
        normals = np.stack([sides[:, 1], -sides[:, 0]], axis=1)
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        return _Polygon(corners, normals, (corners * normals).sum(axis=1))


def _crossings(a: _Polygon, b: _Polygon) -> FloatArray:
    """(P, 2) the places where the sides of two polygons cross."""
    p, q = a.corners, b.corners
    u, v = np.roll(p, -1, axis=0) - p, np.roll(q, -1, axis=0) - q
    gap = q[None] - p[:, None]

    def cross(one: FloatArray, two: FloatArray) -> FloatArray:
        return np.asarray(one[..., 0] * two[..., 1] - one[..., 1] * two[..., 0])

    det = cross(u[:, None], v[None])
    with np.errstate(divide="ignore", invalid="ignore"):
        s, t = cross(gap, v[None]) / det, cross(gap, u[:, None]) / det
    i, j = np.nonzero((s >= 0) & (s <= 1) & (t >= 0) & (t <= 1))
    return np.asarray(p[i] + s[i, j][:, None] * u[i])


# --- what is left of the platform -------------------------------------------------------


def free_rectangles(platform: Platform) -> Iterator[FloatArray]:
    """Rectangles (4,) of a rectangular platform free of anything excluded, the largest first.

    Each is as large as it can be: every one of its sides is on one of the platform's or of
    an excluded corner's.
    """
    x, y, _ = platform.size
    rows = np.reshape(platform.excluded, (-1, 4))
    across = np.unique(np.clip(np.concatenate([[0.0, x], rows[:, 0], rows[:, 2]]), 0.0, x))
    along = np.unique(np.clip(np.concatenate([[0.0, y], rows[:, 1], rows[:, 3]]), 0.0, y))
    i, j = np.triu_indices(len(across), 1)
    k, m = np.triu_indices(len(along), 1)
    a, b = np.repeat(np.arange(len(i)), len(k)), np.tile(np.arange(len(k)), len(i))
    made = np.stack([across[i[a]], along[k[b]], across[j[a]], along[m[b]]], axis=1)
    for x0, y0, x1, y1 in rows:
        made = made[
            (made[:, 2] <= x0) | (made[:, 0] >= x1) | (made[:, 3] <= y0) | (made[:, 1] >= y1)
        ]
    area = (made[:, 2] - made[:, 0]) * (made[:, 3] - made[:, 1])
    kept: list[FloatArray] = []
    for one in made[(-area).argsort(kind="stable")]:
        if not any((one[:2] >= o[:2]).all() and (one[2:] <= o[2:]).all() for o in kept):
            kept.append(one)
            yield one


def without_corners(platform: Platform) -> Platform:
    """The same platform with nothing excluded."""
    return replace(platform, excluded=())
