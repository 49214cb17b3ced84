"""Fewest: builds that no packing can do with less than, whatever turns and places it uses.

Spread a measure over the platform. If a piece takes up at least a certain share of it
wherever it stands and however it is turned, the shares of all pieces, added up, are no more
than the number of builds. Two kinds of measures are used:

- The area, a margin of half the gap added to pieces and platform.
- Points in k columns and k rows, evenly spread. By sides of upright rectangles, counting those
  is the function u^(k) of S. P. Fekete & J. Schepers, "New classes of fast lower bounds for
  bin packing problems", Math. Programming 91 (2001) 11; one point alone finds the pieces of
  which no two go together, as in S. Martello & D. Vigo, "Exact solution of the two-dimensional
  finite bin packing problem", Management Science 44 (1998) 388. Those hold for sides along the
  platform's only. Pieces that turn freely are counted out over all their poses instead: poses
  are sampled, and each silhouette is drawn in by as much as it can differ from a sample.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import manifold3d
import numpy as np

from seamwright.errors import Told
from seamwright.mesh import FloatArray
from seamwright.platform import Platform
from seamwright.silhouette import ROUND, Loops, area, as_loops, box, moved, shape_of, turned
from seamwright.stencil import middles

POINTS = (1, 2, 3, 5)
"""Columns and rows of points that are tried."""

STEPS = 120
"""Steps along either side of the platform in which places are sampled; a multiple of one more
than each of `POINTS`."""

TURNED_BY = 1.0
"""mm that no point of a silhouette is moved further from one sampled turn to the nearest."""


@dataclass(frozen=True)
class Fewest:
    """The lower bound for one group, and why, as a sentence."""

    count: int
    why: str


def fewest(
    outlines: Sequence[Loops],
    allowed: Sequence[Sequence[int]],
    platforms: Sequence[Platform],
    gap: float,
    what: str = "the pieces",
    told: Told | None = None,
) -> Fewest:
    """The best lower bound on the builds of one group.

    Parameters
    ----------
    outlines : the pieces' silhouettes.
    allowed : for each piece all platforms on which it may possibly go.
    gap : mm between pieces. what : what the sentence calls the pieces.
    told : called with the share done as often as is well; it may raise `Cancelled`.
    """
    tell = told or (lambda _done: None)
    best = Fewest(1, f"There is something to print of {what}.")
    total = sum(
        min(_area_of(outline, gap) / _area_within(platforms[k], gap) for k in ks)
        for outline, ks in zip(outlines, allowed, strict=True)
    )
    if _up(total) > best.count:
        said = f"With half the gap about them {what} cover {total:.2f} platforms."
        best = Fewest(_up(total), said)
    counts = []
    for n, (outline, ks) in enumerate(zip(outlines, allowed, strict=True)):
        heed = partial(tell, n / len(outlines))
        counts.append({k: _points_covered(outline, platforms[k], gap, heed) for k in ks})
    for i, points in enumerate(POINTS):
        least = [min(count[i] for count in of.values()) for of in counts]
        if (need := _up(sum(least) / points**2)) > best.count:
            best = Fewest(need, _sentence(points, least, what))
    return best


def _sentence(points: int, least: list[int], what: str) -> str:
    if points == 1:
        return f"{sum(least)} of {what} cover the platform's middle, however they are placed."
    return (
        f"However they are placed, {what} cover {sum(least)} of {points**2} points "
        "spread over the platform."
    )


def _up(value: float) -> int:
    return int(np.ceil(value - 1e-9))


def _area_of(outline: Loops, gap: float) -> float:
    """Area of all within half a gap of a silhouette, mm²; corners are drawn into the circle."""
    return area(as_loops(shape_of(outline).offset(gap / 2, manifold3d.JoinType.Round, 2.0, ROUND)))


def _area_within(platform: Platform, gap: float) -> float:
    """Area of all within half a gap of a platform, mm², or a little more.

    Of what is excluded, only what is more than half a gap inside it is certainly not within.
    """
    x, y, _ = platform.size
    half = gap / 2
    rim = np.pi * x * half if platform.round else 2 * (x + y) * half
    inner = tuple(
        (a + half, b + half, c - half, d - half)
        for a, b, c, d in platform.excluded
        if c - a > gap and d - b > gap
    )
    return replace(platform, excluded=inner).area + rim + np.pi * half**2


def _points_covered(
    outline: Loops, platform: Platform, gap: float, heed: Callable[[], None]
) -> tuple[int, ...]:
    """How many points of each of `POINTS` a piece covers at least, the gap's half added.

    It may go anywhere on the rectangle about the platform, which is no less than it may.
    heed : called once for each turn.
    """
    heed()
    size = np.array(platform.size[:2]) + gap
    step = size / STEPS
    middle = box(outline).mean(axis=0)
    centred = moved(outline, -middle)
    low, high = box(centred)
    if (high - low).max() + gap < size.min() / (max(POINTS) + 1):
        return (0,) * len(POINTS)
    reach = float(np.max([np.linalg.norm(loop, axis=1).max() for loop in centred]))
    # A sample is off by half a step each way and by half a turn between samples.
    slack = TURNED_BY + float(np.linalg.norm(step)) / 2
    inner = _drawn_in(centred, gap / 2 - slack)
    if not inner:
        return (0,) * len(POINTS)
    # The points look the same after half a turn, on a square platform after a quarter.
    range_ = 90.0 if size[0] == size[1] else 180.0
    turns = int(np.ceil(np.radians(range_) * reach / (2 * TURNED_BY)))
    least = np.full(len(POINTS), np.iinfo(np.int64).max)
    for turn in np.arange(turns) * range_ / turns:
        heed()
        found = list(_least(turned(centred, turn), turned(inner, turn), size, step, gap / 2))
        if found:
            least = np.minimum(least, found)
        if not least.any():
            break
    # A piece that goes nowhere is not this function's to judge.
    return tuple(int(n) if n < np.iinfo(np.int64).max else 0 for n in least)


def _drawn_in(loops: Loops, by: float) -> Loops:
    """Loops grown by `by` mm, drawn in if it is negative, and never too large."""
    return as_loops(shape_of(loops).offset(by, manifold3d.JoinType.Round, 2.0, ROUND))


def _least(
    there: Loops, inner: Loops, size: FloatArray, step: FloatArray, half: float
) -> Iterator[int]:
    """For each of `POINTS` how few of them `inner` covers over all places of one turn.

    size : (2,) of platform and margin. step : (2,) mm between places. half : of the gap, mm.
    Nothing is yielded if no place is on the platform in this turn.
    """
    low, high = box(there)
    slack = TURNED_BY + step / 2 + 1e-9
    first = np.ceil((half - low - slack) / step).astype(int)
    last = np.floor((size - half - high + slack) / step).astype(int)
    if (last < first).any():
        return
    # Cell (i, j) has its middle at whole steps from the silhouette's own.
    reach = np.ceil(np.maximum(np.abs(low), np.abs(high)) / step).astype(int) + 1
    corner = (reach + 0.5) * step
    columns, rows = (2 * reach + 1).tolist()
    # No place is further off than the platform is wide, and a little.
    beside = STEPS + int(np.ceil((slack / step).max())) + 1
    cells = middles(moved(inner, corner), step, (rows, columns))
    inside = np.pad(cells.astype(np.int16), beside)
    origin = beside + reach
    for points in POINTS:
        at = STEPS // (points + 1) * np.arange(1, points + 1)
        count = np.zeros(last[::-1] - first[::-1] + 1, dtype=np.int16)
        for y in at:
            for x in at:
                # Point less place, the places backwards.
                x0, x1 = origin[0] + x - last[0], origin[0] + x - first[0] + 1
                y0, y1 = origin[1] + y - last[1], origin[1] + y - first[1] + 1
                count += inside[y0:y1, x0:x1]
        yield int(count.min())
