"""What hangs over in a pose, and the supports that hold it, on a height field.

The piece is laid under a grid of columns. Where a column goes in and out of the piece is
found at its middle, so that a support is known to stand on the platform or on the piece's
own surface below it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seamwright.mesh import SKIN, BoolArray, FloatArray, IntArray, Mesh, box_of, gathered

Places = npt.NDArray[np.intp]

COLUMNS = 80_000
"""Square cells that a piece's whole surface would cover: so fine is the height field. It has
a few ten thousand hits then, whatever the piece's shape and pose."""

LEVELS = 128
"""Levels, evenly spaced, among which the largest layer is looked for."""

STEEP = 1e-9
"""By how much a slope must pass the overhang angle, as a sine: what lies just on it holds."""


@dataclass(frozen=True, eq=False)
class Columns:
    """Where the columns go into the piece and out of it, by column and then upwards.

    Attributes
    ----------
    column : (H,) number of the column in a grid of `shape`.
    height : (H,) mm above the platform.
    face : (H,) face of the mesh that is passed.
    goes_in : (H,) whether the piece begins there, going up: the face looks down.
    depth : (H,) how many times over the column is inside the piece just below.
    corner : (2,) x and y at which the grid begins, mm.
    cell : side of a column, mm.
    """

    column: Places
    height: FloatArray
    face: Places
    goes_in: BoolArray
    depth: Places
    corner: FloatArray
    shape: tuple[int, int]
    cell: float

    def middles(self, column: Places) -> FloatArray:
        """(N, 2) x and y of some columns' middles, mm."""
        places = np.stack(np.divmod(column, self.shape[1]), axis=1)
        return np.asarray(self.corner + (places + 0.5) * self.cell)


@dataclass(frozen=True, eq=False)
class Supports:
    """Columns from overhanging faces down to the platform or to the piece itself.

    Attributes
    ----------
    volume : mm³.
    error : mm³ by which that may be wrong at most, for the grid's coarseness.
    column, bottom, top : (S,) each support's column and its ends, mm.
    landing : (S,) the face a support stands on, -1 for the platform.
    """

    volume: float
    error: float
    column: Places
    bottom: FloatArray
    top: FloatArray
    landing: Places


def cell_of(mesh: Mesh) -> float:
    """Side of a column for a mesh, mm, the same however it is turned."""
    return float(np.sqrt(max(float(mesh.areas.sum()), 1e-12) / COLUMNS))


def hanging(facing: FloatArray, angle: float) -> BoolArray:
    """Which faces hang over: their slope is more than `angle` degrees away from the vertical.

    facing : (F,) cosines between the faces' outward normals and straight down.
    """
    return np.asarray(facing > np.sin(np.radians(angle)) + STEEP)


def columns(points: FloatArray, faces: IntArray, cell: float) -> Columns:
    """Where a grid of columns meets a mesh.

    A column's middle belongs to one face only where faces share an edge, as each edge is
    reckoned from the same end for both and counts for one of them.

    Parameters
    ----------
    points : (V, 3) in the pose, the platform at z = 0, mm.
    faces : (F, 3) closed and outwards for the depths to mean anything.
    cell : side of a column, mm.
    """
    low = box_of(points)[0, :2]
    # Columns have their middles at whole numbers.
    flat = (points[:, :2] - low) / cell - 0.5
    shape = (max(int(np.ceil(flat[:, 0].max())), 1), max(int(np.ceil(flat[:, 1].max())), 1))
    # Only faces that may hold a middle: mostly the greater half do not.
    (low_x, high_x), (low_y, high_y) = (_ends(np.ceil(flat[:, k]), faces) for k in (0, 1))
    busy = np.flatnonzero((low_x < high_x) & (low_y < high_y))
    at, row = _run(low_y[busy], high_y[busy])
    face = busy[at]
    left, right = _crossings(flat, faces[face], row)
    at, x = _run(np.ceil(left), np.ceil(right))
    face, y = face[at], row[at]
    height, goes_in = _heights(points, flat, faces[face], x, y)
    column = (x * shape[1] + y).astype(np.intp)
    # One key: the height is the part behind the point.
    key = column + 0.5 * height / max(float(points[:, 2].max()), 1e-12)
    order = np.argsort(key, kind="stable")
    column, height, face, goes_in = column[order], height[order], face[order], goes_in[order]
    step = np.where(goes_in, 1, -1)
    before = np.cumsum(step) - step
    new = np.concatenate([[True], column[1:] != column[:-1]])[: len(column)]
    begins = np.flatnonzero(new)
    depth = before - before[begins][np.cumsum(new) - 1] if len(begins) else before
    return Columns(column, height, face, goes_in, depth, low, shape, cell)


def supports(found: Columns, overhang: BoolArray) -> Supports:
    """The supports under the faces that `overhang` (F,) names.

    The error is that of the middle-point rule, half a cell times the variation of the
    supports' height along the rows and along the columns, taken from one cell to the next:
    P. J. Davis & P. Rabinowitz, "Methods of Numerical Integration" (2nd ed. 1984), on
    functions of bounded variation (from memory).
    """
    rows = np.flatnonzero(overhang[found.face] & found.goes_in & (found.depth == 0))
    before = np.maximum(rows - 1, 0)
    on_piece = (rows > 0) & (found.column[before] == found.column[rows])
    bottom = np.where(on_piece, found.height[before], 0.0)
    top = found.height[rows]
    landing = np.where(on_piece, found.face[before], -1)
    column = found.column[rows]
    nx, ny = found.shape
    high = np.bincount(column, weights=top - bottom, minlength=nx * ny).reshape(nx, ny)
    padded = np.pad(high, 1)
    varied = np.abs(np.diff(padded, axis=0)).sum() + np.abs(np.diff(padded, axis=1)).sum()
    area = found.cell**2
    return Supports(
        float(high.sum() * area), float(varied * area / 2), column, bottom, top, landing
    )


def largest_layer(found: Columns, height: float) -> float:
    """Area of the largest layer, mm², among `LEVELS` of a piece so high, mm."""
    begins = found.goes_in & (found.depth == 0)
    ends = ~found.goes_in & (found.depth == 1)
    change = np.zeros(LEVELS + 1)
    for rows, sign in ((begins, 1.0), (ends, -1.0)):
        level = np.ceil(found.height[rows] * (LEVELS / max(height, 1e-12)) - 0.5)
        level = np.clip(level, 0, LEVELS).astype(np.intp)
        change += sign * np.bincount(level, minlength=LEVELS + 1)
    return float(np.cumsum(change).max() * found.cell**2)


def scarred(
    mesh: Mesh, overhang: BoolArray, held: Supports, cell: float, worth: FloatArray
) -> float:
    """Skin in touch with supports, mm², each face counted `worth` (F,) times.

    The overhanging skin itself, and the skin that supports stand on, as seen from above.
    """
    skin = worth * (mesh.tag == SKIN)
    stood_on = held.landing[held.landing >= 0]
    return float((mesh.areas * skin)[overhang].sum() + skin[stood_on].sum() * cell**2)


def _ends(value: FloatArray, faces: IntArray) -> tuple[FloatArray, FloatArray]:
    """The least and the greatest value (V,) at each face's corners."""
    a, b, c = (gathered(value, faces[:, k]) for k in range(3))
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def _run(first: FloatArray, last: FloatArray) -> tuple[Places, FloatArray]:
    """Every whole number from `first` (N,) up to but without `last` (N,), and whose it is."""
    count = np.maximum(last - first, 0).astype(np.intp)
    at = np.repeat(np.arange(len(count)), count)
    place = np.arange(len(at)) - np.repeat(np.cumsum(count) - count, count)
    return at, first[at] + place


def _crossings(
    flat: FloatArray, corners: IntArray, row: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Where a row goes into each face (N, 3) and out of it, along x in cells."""
    left, right = np.full(len(row), np.inf), np.full(len(row), -np.inf)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        a = np.minimum(corners[:, i], corners[:, j])
        b = np.maximum(corners[:, i], corners[:, j])
        ya, yb = flat[a, 1], flat[b, 1]
        hit = np.flatnonzero((ya < row) != (yb < row))
        a, b, ya, yb = a[hit], b[hit], ya[hit], yb[hit]
        x = flat[a, 0] + (row[hit] - ya) / (yb - ya) * (flat[b, 0] - flat[a, 0])
        left[hit], right[hit] = np.minimum(left[hit], x), np.maximum(right[hit], x)
    return left, right


def _heights(
    points: FloatArray, flat: FloatArray, corners: IntArray, x: FloatArray, y: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Height of each face (N, 3) at a middle, mm, and whether the face looks down."""
    a, b, c = (flat[corners[:, k]] for k in range(3))
    za, zb, zc = (points[corners[:, k], 2] for k in range(3))
    u, v = b - a, c - a
    twice = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    px, py = x - a[:, 0], y - a[:, 1]
    safe = np.where(twice == 0.0, 1.0, twice)
    s = (px * v[:, 1] - py * v[:, 0]) / safe
    t = (u[:, 0] * py - u[:, 1] * px) / safe
    z = za + s * (zb - za) + t * (zc - za)
    low, high = np.minimum(np.minimum(za, zb), zc), np.maximum(np.maximum(za, zb), zc)
    return np.clip(z, low, high), np.asarray(twice < 0.0)
