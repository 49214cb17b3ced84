"""Shelves: the plain packing of bounding boxes in rows, which builds are measured against.

First-fit decreasing height: E. G. Coffman, M. R. Garey, D. S. Johnson, R. E. Tarjan,
"Performance bounds for level-oriented two-dimensional packing algorithms", SIAM J. Computing
9 (1980) 808; with each shelf and each build tried in turn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from seamwright.mesh import BoolArray, FloatArray
from seamwright.platform import TOLERANCE, Platform
from seamwright.silhouette import Loops, box, turned

SAMPLE = 128
"""Cells along a platform with excluded corners, or a round one, when room for boxes is sought."""


@dataclass(frozen=True)
class Boxed:
    """An item's bounding box on a shelf: its turn, degrees, and its corner, mm."""

    item: int
    turn: float
    x: float
    y: float


@dataclass(frozen=True)
class ShelfBuild:
    """One build of shelves. lone : of an item whose box has no room, which stands alone."""

    printer: int
    boxes: tuple[Boxed, ...]
    lone: int | None = None


@dataclass(frozen=True, eq=False)
class Room:
    """The part of a platform that boxes are put in: its corner and size, mm."""

    corner: FloatArray
    size: FloatArray


@dataclass
class _Open:
    """A build being filled: shelves of (y, height, x reached), and where the next begins."""

    printer: int
    shelves: list[list[float]]
    top: float
    boxes: list[Boxed]


@lru_cache(maxsize=16)
def room_of(platform: Platform) -> Room:
    """The largest upright rectangle of a platform that is free of what is excluded."""
    size = np.array(platform.size[:2])
    if not platform.round and not platform.excluded:
        return Room(np.zeros(2), size)
    step = float(size.max()) / SAMPLE
    low, high = _largest(platform.mask(step))
    return Room(low * step, (high - low) * step)


def _largest(free: BoolArray) -> tuple[FloatArray, FloatArray]:
    """(2,), (2,) cells at which the largest rectangle of free cells begins and ends."""
    best, found = 0, (0, 0, 0, 0)
    deep = np.zeros(free.shape[1], dtype=int)
    for i, line in enumerate(free):
        deep = np.where(line, deep + 1, 0)
        for j in range(len(deep)):
            least = deep[j]
            for k in range(j, -1, -1):
                least = min(least, deep[k])
                if least * (j + 1) <= best:
                    break
                if least * (j - k + 1) > best:
                    best = least * (j - k + 1)
                    found = (i + 1 - least, k, i + 1, j + 1)
    return np.array(found[:2], dtype=np.float64), np.array(found[2:], dtype=np.float64)


def on_shelves(
    outlines: Sequence[Loops],
    turns: Sequence[float],
    allowed: Sequence[Sequence[int]],
    platforms: Sequence[Platform],
    gap: float,
) -> list[ShelfBuild]:
    """Pack bounding boxes first-fit by decreasing height.

    Parameters
    ----------
    outlines : of the items. turns : the one in which each item's box is taken, degrees; it may
        lie down or stand up, the long side along the shelf where it fits.
    allowed : for each item, the platforms it may go on, the best first.
    gap : mm between boxes.
    """
    rooms = [room_of(platform) for platform in platforms]
    sides = []
    for outline, turn in zip(outlines, turns, strict=True):
        low, high = box(turned(outline, turn))
        sides.append(high - low)
    # By the height that the box has lying down.
    order = sorted(range(len(sides)), key=lambda i: (-sides[i].min(), -sides[i].max(), i))
    opened: list[_Open] = []
    lone: list[ShelfBuild] = []
    for i in order:
        ways = [(turns[i], *sides[i]), (turns[i] + 90.0, *sides[i][::-1])]
        ways.sort(key=lambda way: way[2])
        if any(
            _put(build, rooms[build.printer], i, ways, gap)
            for build in opened
            if build.printer in allowed[i]
        ):
            continue
        for k in allowed[i]:
            new = _Open(k, [], 0.0, [])
            if _put(new, rooms[k], i, ways, gap):
                opened.append(new)
                break
        else:
            lone.append(ShelfBuild(allowed[i][0], (), i))
    return [ShelfBuild(build.printer, tuple(build.boxes)) for build in opened] + lone


def _put(
    build: _Open, room: Room, item: int, ways: list[tuple[float, float, float]], gap: float
) -> bool:
    """Put a box on the first shelf with room, or on a new one; False if there is none."""
    wide, deep = room.size + TOLERANCE / 2
    for turn, width, height in ways:
        for shelf in build.shelves:
            if height <= shelf[1] and shelf[2] + width <= wide:
                _stand(build, room, shelf, (item, turn, width), gap)
                return True
    for turn, width, height in ways:
        if width <= wide and build.top + height <= deep:
            shelf = [build.top, height, 0.0]
            build.shelves.append(shelf)
            build.top += height + gap
            _stand(build, room, shelf, (item, turn, width), gap)
            return True
    return False


def _stand(
    build: _Open, room: Room, shelf: list[float], what: tuple[int, float, float], gap: float
) -> None:
    item, turn, width = what
    x, y = room.corner + np.array([shelf[2], shelf[0]])
    build.boxes.append(Boxed(item, turn, float(x), float(y)))
    shelf[2] += width + gap
