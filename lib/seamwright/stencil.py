"""Stencils: silhouettes as cells of a grid, held in the bits of whole numbers.

A grid of cells is one whole number, row by row: cell (column, row) is bit row * stride + column.
Shifting the number moves everything on it at once, so that one pass over the rows of a
stencil tells every place where it can go.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from seamwright.mesh import BoolArray, FloatArray
from seamwright.outline import loop_area
from seamwright.platform import Platform
from seamwright.silhouette import Loops, box, moved, turned

CELLS = 128
"""Cells along the longer side of a platform: 2 mm on one of 250 mm."""

HAIR = 1e-6
"""mm by which what is rasterised keeps off the rims of cells, so that rounding adds none."""


@dataclass(frozen=True)
class Grid:
    """The cells of one platform, and what lies around them.

    Cells begin `pad` mm outside the platform, for gaps may reach over its edge.

    Attributes
    ----------
    step : side of a cell, mm. stride : bits from row to row. rows : of cells.
    pad : mm.
    platform : what it covers.
    edge : bits of the ring of cells outside all others.
    """

    platform: Platform
    step: float
    pad: float
    stride: int
    rows: int
    edge: int

    @staticmethod
    def of(platform: Platform, pad: float, cells: int = CELLS) -> Grid:
        """A grid with so many cells along the longer side."""
        sides = np.array(platform.size[:2]) + 2 * pad
        step = float(sides.max()) / cells
        # A ring of one cell all round stands for what lies outside.
        columns, rows = (np.ceil(sides / step - 1e-9).astype(int) + 2).tolist()
        edge = np.ones((rows, columns), dtype=bool)
        edge[1:-1, 1:-1] = False
        return Grid(platform, step, pad, columns, rows, as_bits(edge, columns))

    @property
    def free(self) -> int:
        """How many cells there are inside the ring."""
        return (self.stride - 2) * (self.rows - 2)


@dataclass(frozen=True, eq=False)
class Stencil:
    """One item in one turn, on one grid; at place 0 its box begins in the platform's corner.

    Attributes
    ----------
    turn : degrees. low : (2,) where the turned outline begins, mm.
    shift : (2,) mm from the corner of the place's cell to where the outline begins.
    runs : (bits to shift by, length) of every unbroken run of cells, the longest first.
    cells : bits of what it covers, gap and all. ring : bits of the cells around those.
    count, around : how many cells either has.
    places : bits of the places where it is on the platform.
    """

    turn: float
    low: FloatArray
    shift: FloatArray
    runs: tuple[tuple[int, int], ...]
    cells: int
    ring: int
    count: int
    around: int
    places: int


def as_bits(mask: BoolArray, stride: int) -> int:
    """The number that stands for a (rows, columns) mask."""
    wide = np.zeros((len(mask), stride), dtype=bool)
    wide[:, : mask.shape[1]] = mask
    return int.from_bytes(np.packbits(wide.ravel(), bitorder="little").tobytes(), "little")


def bits_of(number: int) -> Iterator[int]:
    """Places of the bits that are set, ascending."""
    while number:
        lowest = number & -number
        yield lowest.bit_length() - 1
        number ^= lowest


def touched(loops: Loops, step: float) -> BoolArray:
    """(rows, columns) which cells the material of loops reaches into.

    Those are the cells that an edge passes and those whose middle lies inside. The loops
    must not reach below 0; as many cells are given as they need.
    """
    start = np.concatenate(loops) / step
    end = np.concatenate([np.roll(loop, -1, axis=0) for loop in loops]) / step
    columns, rows = (np.floor(start.max(axis=0)).astype(int) + 1).tolist()
    passed = np.zeros((rows, columns + 1), dtype=np.int32)
    along = end - start
    lowest, highest = np.minimum(start, end)[:, 1], np.maximum(start, end)[:, 1]
    edge, row = _rows(np.floor(lowest), np.floor(highest))
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (np.stack([row, row + 1.0]) - start[edge, 1]) / along[edge, 1]
    # An edge that is level runs from its one end to its other.
    t = np.clip(np.where(along[edge, 1] == 0, [[0.0], [1.0]], t), 0.0, 1.0)
    x = np.floor(start[edge, 0] + t * along[edge, 0]).astype(int)
    first, last = np.clip(x.min(axis=0), 0, columns - 1), np.clip(x.max(axis=0), 0, columns - 1)
    np.add.at(passed, (row, first), 1)
    np.add.at(passed, (row, last + 1), -1)
    covered = passed[:, :columns].cumsum(axis=1) > 0
    return np.asarray(covered | middles(loops, np.full(2, step), (rows, columns)))


def middles(loops: Loops, step: FloatArray, size: tuple[int, int]) -> BoolArray:
    """(rows, columns) of which cells, `step` (2,) mm wide and high, the middle lies in material.

    size : rows and columns, from 0 on; the loops may reach beyond.
    """
    rows, columns = size
    start = np.concatenate(loops) / step
    end = np.concatenate([np.roll(loop, -1, axis=0) for loop in loops]) / step
    along = end - start
    lowest, highest = np.minimum(start, end)[:, 1], np.maximum(start, end)[:, 1]
    first = np.clip(np.ceil(lowest - 0.5), 0, rows)
    edge, row = _rows(first, np.clip(np.ceil(highest - 0.5), 0, rows) - 1)
    at = start[edge, 0] + (row + 0.5 - start[edge, 1]) / along[edge, 1] * along[edge, 0]
    turns = np.zeros((rows, columns + 1), dtype=np.int32)
    column = np.clip(np.ceil(at - 0.5), 0, columns).astype(int)
    np.add.at(turns, (row, column), np.where(along[edge, 1] > 0, -1, 1))
    return np.asarray(turns[:, :columns].cumsum(axis=1) != 0)


def _rows(first: FloatArray, last: FloatArray) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Every edge and every row from its first to its last."""
    low = first.astype(np.intp)
    count = np.maximum(last.astype(np.intp) - low + 1, 0)
    edge = np.repeat(np.arange(len(low)), count)
    before = np.cumsum(count) - count
    return edge, np.arange(len(edge)) - before[edge] + low[edge]


def runs_of(mask: BoolArray, stride: int) -> tuple[tuple[int, int], ...]:
    """(bits to shift by, length) of the runs of a mask, the longest first."""
    wide = np.zeros((len(mask), mask.shape[1] + 2), dtype=np.int8)
    wide[:, 1:-1] = mask
    change = np.diff(wide, axis=1)
    row, start = np.nonzero(change == 1)
    _, end = np.nonzero(change == -1)
    found = zip((row * stride + start).tolist(), (end - start).tolist(), strict=True)
    return tuple(sorted(found, key=lambda run: (-run[1], run[0])))


class Spread:
    """Occupied cells spread to the left, as far as asked for: bit p of `of(n)` says whether any
    of the n cells from p on is occupied."""

    def __init__(self, occupied: int) -> None:
        self._known = {1: occupied}

    def of(self, length: int) -> int:
        known = self._known.get(length)
        if known is None:
            half = length // 2
            known = self.of(length - half) | self.of(half) >> (length - half)
            self._known[length] = known
        return known


def left_open(runs: tuple[tuple[int, int], ...], spread: Spread, places: int) -> int:
    """Which of the places are left where a stencil of such runs meets nothing."""
    of = spread.of
    for k in range(0, len(runs), 12):
        blocked = 0
        for shift, length in runs[k : k + 12]:
            blocked |= of(length) >> shift
        places &= ~blocked
        if not places:
            break
    return places


def stencil(
    grid: Grid, outline: Loops, cover: Loops, turn: float, at: FloatArray | None = None
) -> Stencil | None:
    """An item in one turn; None where the platform has no place for it so.

    Parameters
    ----------
    outline : the item's silhouette, mm.
    cover : loops about all within half a gap of it, which reach less than the grid's `pad`
        from it.
    at : (2,) mm, where the turned outline's box begins; any place on the platform unless given.
    """
    there = turned(outline, turn)
    low, high = box(there)
    places = np.zeros((grid.rows, grid.stride), dtype=bool)
    if at is not None:
        cell = np.floor(np.maximum(at, 0.0) / grid.step).astype(int)
        off = np.maximum(at, 0.0) - cell * grid.step
        places[cell[1], cell[0]] = True
        bits = as_bits(places, grid.stride)
    else:
        room = np.array(grid.platform.size[:2]) - (high - low)
        if (room < -HAIR).any():
            return None
        off = np.zeros(2)
        most = np.floor(np.maximum(room, 0.0) / grid.step + 1e-9).astype(int)
        places[: most[1] + 1, : most[0] + 1] = True
        bits = as_bits(places, grid.stride)
        if grid.platform.round or grid.platform.excluded:
            bits = left_open(*_barred(grid, moved(there, -low)), bits)
        if not bits:
            return None
    # Place 0 is the cell inside the ring, one column and one row further on.
    inner = grid.stride + 1
    mask = touched(moved(turned(cover, turn), off - low + grid.pad), grid.step)
    around = _around(mask)
    return Stencil(
        turn=turn,
        low=low,
        shift=off,
        runs=tuple((k + inner, length) for k, length in runs_of(mask, grid.stride)),
        cells=as_bits(mask, grid.stride) << inner,
        ring=as_bits(around, grid.stride),
        count=int(mask.sum()),
        around=int(around.sum()),
        places=bits,
    )


def _barred(grid: Grid, there: Loops) -> tuple[tuple[tuple[int, int], ...], Spread]:
    """Runs of an outline and the cells, from the platform's corner on, that it must not touch."""
    solid = tuple(loop for loop in there if loop_area(loop) > 0)
    mask = touched(moved(solid, np.full(2, HAIR)), grid.step)
    return runs_of(mask, grid.stride), Spread(_bars(grid))


@lru_cache(maxsize=16)
def _bars(grid: Grid) -> int:
    """Bits of the cells, from the platform's corner on, that no piece may touch."""
    platform = grid.platform
    whole = platform
    if not platform.round:
        # The cells cut off at the right and the back count too: their rim is kept otherwise.
        x, y = (np.ceil(np.array(platform.size[:2]) / grid.step - 1e-9) * grid.step).tolist()
        whole = replace(platform, size=(x, y, platform.size[2]))
    free = np.zeros((grid.rows, grid.stride), dtype=bool)
    mask = whole.mask(grid.step).T
    free[: mask.shape[0], : mask.shape[1]] = mask[: grid.rows, : grid.stride]
    return as_bits(~free, grid.stride)


def _around(mask: BoolArray) -> BoolArray:
    """(rows + 2, columns + 2) the cells beside those of the mask."""
    wide = np.pad(mask, 1)
    grown = wide.copy()
    grown[1:] |= wide[:-1]
    grown[:-1] |= wide[1:]
    grown[:, 1:] |= wide[:, :-1]
    grown[:, :-1] |= wide[:, 1:]
    return np.asarray(grown & ~wide)
