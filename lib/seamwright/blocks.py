"""Faces in compact blocks, so that a plane need look only at the blocks it meets.

Made once for a figure, then every section costs only what it crosses: what lets a
dragged seam show its section live on a million triangles. Parting keeps the blocks, so
the twentieth seam costs what the first did.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int32]
IndexArray = npt.NDArray[np.intp]

FACES_A_BLOCK = 16
"""Small enough that few faces of a met block are in vain."""

BLOCKS_AT_ONCE = 1024

BLOCKS_A_GROUP = 16
"""Blocks that are passed over together."""

_BITS = 10


def _spread() -> npt.NDArray[np.uint32]:
    """(2^_BITS,) each number with its bits three places apart, for interleaving."""
    number = np.arange(1 << _BITS, dtype=np.uint32)
    out = np.zeros_like(number)
    for bit in range(_BITS):
        out |= ((number >> np.uint32(bit)) & np.uint32(1)) << np.uint32(3 * bit)
    return out


_SPREAD = _spread()


@dataclass(frozen=True, eq=False)
class FaceBlocks:
    """Faces sorted by place and cut into runs, each with its bounding box.

    order : (F,) face indices; block k is order[n k : n (k + 1)], n being FACES_A_BLOCK.
    centre, half : (K, 3) middle and half extent of each block's box, mm.
    """

    order: IntArray
    centre: FloatArray
    half: FloatArray

    @staticmethod
    def of(vertices: FloatArray, faces: IntArray) -> FaceBlocks:
        """Sort the faces along a Z-order curve through their first corners.

        Morton, "A computer oriented geodetic data base", IBM, 1966.
        """
        order = _by_place(vertices, faces)
        return FaceBlocks(order, *_boxes(vertices, np.take(faces, order, axis=0)))

    def grown(self, vertices: FloatArray, faces: IntArray) -> FaceBlocks:
        """Blocks of a mesh after an edit that shrank some faces and added others at the end.

        vertices, faces : of the whole mesh; face k of those there were lies within what it
            was, so its block's box still holds it. Only the new faces, and those of a last
            block that was not full, are sorted.
        """
        full = len(self.order) // FACES_A_BLOCK
        new = np.arange(len(self.order), len(faces), dtype=np.int32)
        rows = np.concatenate([self.order[full * FACES_A_BLOCK :], new])
        if not len(rows):
            return self
        corners = np.take(vertices, np.take(faces, rows, axis=0).ravel(), axis=0)
        own = np.arange(len(corners), dtype=np.int32).reshape(-1, 3)
        order = _by_place(corners, own)
        centre, half = _boxes(corners, own[order])
        return FaceBlocks(
            np.concatenate([self.order[: full * FACES_A_BLOCK], rows[order]]),
            np.concatenate([self.centre[:full], centre]),
            np.concatenate([self.half[:full], half]),
        )

    def meeting(self, origin: FloatArray, normal: FloatArray, within: float) -> IntArray:
        """Faces, in no order, of all blocks that come within `within` mm of a plane."""
        groups = _near(*self._groups, origin, normal, within)
        blocks = _members(groups, BLOCKS_A_GROUP, len(self.centre))
        met = _near(self.centre[blocks], self.half[blocks], origin, normal, within)
        return np.take(self.order, _members(blocks[met], FACES_A_BLOCK, len(self.order)))

    @cached_property
    def _groups(self) -> tuple[FloatArray, FloatArray]:
        """Middle and half extent of the box of each group of blocks, (G, 3) each."""
        starts = np.arange(0, len(self.centre), BLOCKS_A_GROUP)
        if not len(starts):
            return self.centre, self.half
        low = np.minimum.reduceat(self.centre - self.half, starts, axis=0)
        high = np.maximum.reduceat(self.centre + self.half, starts, axis=0)
        return (low + high) / 2, (high - low) / 2


def _near(
    centre: FloatArray, half: FloatArray, origin: FloatArray, normal: FloatArray, within: float
) -> IndexArray:
    """(M,) which of the boxes come within `within` mm of a plane."""
    # Term by term: a matrix product would wake threads for a job of microseconds.
    gap, height = np.full(len(centre), float(within)), np.zeros(len(centre))
    for axis in range(3):
        height += (centre[:, axis] - origin[axis]) * normal[axis]
        gap += half[:, axis] * abs(normal[axis])
    return np.flatnonzero(np.abs(height) <= gap)


def _members(runs: IndexArray, size: int, count: int) -> IndexArray:
    """What runs of `size` hold, of `count` in all."""
    rows = (runs[:, None] * size + np.arange(size)).ravel()
    return rows[rows < count]


def _by_place(vertices: FloatArray, faces: IntArray) -> IntArray:
    """(F,) the order of faces along the curve."""
    low = [float(column.min()) for column in vertices.T]
    high = [float(column.max()) for column in vertices.T]
    cell = ((1 << _BITS) - 0.001) / max(np.subtract(high, low).max(), 1e-12)
    code = np.zeros(len(vertices), dtype=np.uint32)
    for axis in range(3):
        grid = ((vertices[:, axis] - low[axis]) * cell).astype(np.uint16)
        code |= np.take(_SPREAD, grid) << np.uint32(axis)
    key = np.take(code, faces[:, 0])
    # Two passes over halves of the code, as numpy sorts by radix what has 16 bits.
    order = np.argsort(key.astype(np.uint16), kind="stable")
    upper = np.take((key >> np.uint32(16)).astype(np.uint16), order)
    return np.take(order, np.argsort(upper, kind="stable")).astype(np.int32)


def _boxes(vertices: FloatArray, faces: IntArray) -> tuple[FloatArray, FloatArray]:
    """Middle and half extent of the box of each run of FACES_A_BLOCK faces, (K, 3) each."""
    count = -(-len(faces) // FACES_A_BLOCK)
    # The last run is filled up with its own last face.
    missing = count * FACES_A_BLOCK - len(faces)
    if missing:
        faces = np.concatenate([faces, np.repeat(faces[-1:], missing, axis=0)])
    centre, half = np.empty((count, 3)), np.empty((count, 3))
    for axis in range(3):
        column = np.ascontiguousarray(vertices[:, axis])
        low, high = np.empty(count), np.empty(count)
        # So many at a time stay in the processor's cache.
        for start in range(0, count, BLOCKS_AT_ONCE):
            part = slice(start, start + BLOCKS_AT_ONCE)
            rows = faces[start * FACES_A_BLOCK : (start + BLOCKS_AT_ONCE) * FACES_A_BLOCK]
            corner = np.take(column, rows).reshape(-1, 3 * FACES_A_BLOCK)
            low[part], high[part] = corner.min(axis=1), corner.max(axis=1)
        centre[:, axis], half[:, axis] = (low + high) / 2, (high - low) / 2
    return centre, half
