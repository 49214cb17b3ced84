"""The build platform: what of it pieces may stand on, after margins, brim and lift."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from seamwright.errors import BadInput
from seamwright.mesh import FloatArray
from seamwright.printer import PrinterProfile, Rectangle

TOLERANCE = 1e-6
"""mm by which a piece may exceed the usable volume and still fit.

Rounding in float64 coordinates of a few metres stays below 1e-9 mm and the search
settles to about 1e-8 mm; no printer places its nozzle to better than about 1e-3 mm
(from memory). A millionth of a millimetre is far from both.
"""


@dataclass(frozen=True)
class Platform:
    """What a piece itself may take up; x and y are counted from its front left corner.

    Margin and brim are off already: what stands on it is a piece's bare outline, and two
    pieces with brims keep twice the brim between them.

    Attributes
    ----------
    size : x, y and z, mm; x and y of a round platform are its diameter.
    round : whether it is a disc, which touches all four sides of its square.
    excluded : rectangles (x0, y0, x1, y1) that no piece may reach into, mm.
    """

    size: tuple[float, float, float]
    round: bool = False
    excluded: tuple[Rectangle, ...] = ()

    def __post_init__(self) -> None:
        values = np.array(self.size, dtype=np.float64)
        if values.shape != (3,) or not np.isfinite(values).all() or values.min() <= 0:
            raise BadInput(
                f"The usable volume is {values.tolist()}; give three lengths above 0 mm."
            )
        if self.round and self.size[0] != self.size[1]:
            raise BadInput(
                f"A round platform has one diameter, not {self.size[0]:g} mm and "
                f"{self.size[1]:g} mm; give the same number twice."
            )
        for corner in self.excluded:
            x0, y0, x1, y1 = corner
            if not (np.isfinite(corner).all() and x0 < x1 and y0 < y1):
                raise BadInput(
                    f"Excluded corner {list(corner)} must be [x0, y0, x1, y1] with x0 below x1 "
                    "and y0 below y1."
                )
        if not self.area > TOLERANCE * max(self.size[:2]):
            raise BadInput("The excluded corners leave nothing of the platform; make them smaller.")

    @property
    def words(self) -> str:
        """Its size in words, as people write it."""
        x, y, z = self.size
        said = f"{x:g} mm round × {z:g} mm" if self.round else f"{x:g} × {y:g} × {z:g} mm"
        count = len(self.excluded)
        corners = "an excluded corner" if count == 1 else f"{count} excluded corners"
        return f"{said} with {corners}" if count else said

    @property
    def centre(self) -> FloatArray:
        """(2,) of the platform, mm."""
        return np.array(self.size[:2]) / 2

    @property
    def area(self) -> float:
        """What is not excluded, mm², exactly."""
        x, y, _ = self.size
        total = np.pi * x * x / 4 if self.round else x * y
        rows = np.reshape(self.excluded, (-1, 4)).clip(0.0, [x, y, x, y])
        across, along = np.unique(rows[:, 0::2]), np.unique(rows[:, 1::2])
        for a, c in pairwise(across):
            for b, d in pairwise(along):
                u, v = (a + c) / 2, (b + d) / 2
                inside = (rows[:, 0] < u) & (u < rows[:, 2]) & (rows[:, 1] < v) & (v < rows[:, 3])
                if inside.any():
                    cell = np.array([a, b, c, d]) - x / 2
                    total -= _in_disc(cell, x / 2) if self.round else (c - a) * (d - b)
        return float(total)

    def holds(self, outline: npt.ArrayLike) -> bool:
        """Whether a placed outline lies on the platform wholly and on nothing excluded.

        Parameters
        ----------
        outline : (N, 2) array-like
            Corners of a closed outline in order, convex or not, in platform coordinates,
            mm; one or two are a point or a line. Touching is allowed, and `TOLERANCE`.

        Raises
        ------
        BadInput
            If it has no corner or one is not two finite numbers.
        """
        p = np.asarray(outline, dtype=np.float64)
        if p.ndim != 2 or p.shape[1:] != (2,) or not len(p) or not np.isfinite(p).all():
            raise BadInput(f"An outline of shape {p.shape} is none; give rows of two numbers, mm.")
        if self.round:
            if np.linalg.norm(p - self.centre, axis=1).max() > self.size[0] / 2 + TOLERANCE:
                return False
        elif p.min() < -TOLERANCE or (p > np.array(self.size[:2]) + TOLERANCE).any():
            return False
        return not any(_reaches_into(p, np.array(corner)) for corner in self.excluded)

    def mask(self, step: float) -> npt.NDArray[np.bool_]:
        """(nx, ny) which square cells of side `step`, mm, are usable as a whole.

        Cell i, j reaches from (i, j) times `step` to (i + 1, j + 1) times it; what is left over
        at the right and the back is in no cell.

        Raises
        ------
        BadInput
            If the step is not above 0.
        """
        if not step > 0:
            raise BadInput(f"A step of {step:g} mm makes no cells; give one above 0.")
        count = (np.array(self.size[:2]) / step + 1e-9).astype(int)
        low = [np.arange(n) * step for n in count]
        free = np.ones(count, dtype=bool)
        if self.round:
            # A cell's corner farthest from the middle.
            far = [
                np.maximum(np.abs(a - c), np.abs(a + step - c))
                for a, c in zip(low, self.centre, strict=True)
            ]
            free &= np.hypot(far[0][:, None], far[1]) <= self.size[0] / 2 + TOLERANCE
        for x0, y0, x1, y1 in self.excluded:
            across = (low[0] < x1 - TOLERANCE) & (low[0] + step > x0 + TOLERANCE)
            along = (low[1] < y1 - TOLERANCE) & (low[1] + step > y0 + TOLERANCE)
            free &= ~(across[:, None] & along)
        return free


def platform_of(profile: PrinterProfile) -> Platform:
    """What a printer's margins, brim, lift and excluded corners leave for a piece.

    Corners are cut off at the platform's edge.
    """
    x, y, _ = profile.usable
    corners = tuple(
        (max(a, 0.0), max(b, 0.0), min(c, x), min(d, y)) for a, b, c, d in profile.out_of_bounds
    )
    return Platform(profile.usable, profile.shape == "round", corners)


def _in_disc(cell: FloatArray, radius: float) -> float:
    """Area of a rectangle (4,) that lies in a disc round the origin, mm²."""
    a, b, c, d = np.clip(cell, -radius, radius)
    # Between these places the same arc or side bounds the rectangle above and below.
    knots = [np.sqrt(radius**2 - h * h) for h in (b, d)]
    x = np.unique(np.clip([a, c, *knots, *np.negative(knots)], a, c))
    middle = (x[1:] + x[:-1]) / 2
    arc = np.sqrt(radius**2 - middle**2)
    primitive = (x * np.sqrt(radius**2 - x * x) + radius**2 * np.arcsin(x / radius)) / 2
    under, wide = np.diff(primitive), np.diff(x)
    top = np.where(d < arc, d * wide, under)
    bottom = np.where(b > -arc, b * wide, -under)
    open_there = np.minimum(d, arc) > np.maximum(b, -arc)
    return float((top - bottom)[open_there].sum())


def _reaches_into(p: FloatArray, corner: FloatArray) -> bool:
    """Whether a closed outline (N, 2) has more than `TOLERANCE` inside a rectangle (4,)."""
    low, high = corner[:2] + TOLERANCE, corner[2:] - TOLERANCE
    if (low >= high).any():
        return False
    to = np.roll(p, -1, axis=0) - p
    # From where to where, as a share of its length, each side is within each slab.
    still = to == 0
    with np.errstate(divide="ignore", invalid="ignore"):
        enter, leave = (low - p) / to, (high - p) / to
    within = (low < p) & (p < high)
    first = np.where(still, np.where(within, 0.0, np.inf), np.minimum(enter, leave))
    last = np.where(still, np.where(within, 1.0, -np.inf), np.maximum(enter, leave))
    if (np.maximum(first.max(axis=1), 0.0) < np.minimum(last.min(axis=1), 1.0)).any():
        return True
    # No side goes in: the rectangle lies wholly inside or wholly outside.
    x, y = (low + high) / 2
    q = np.roll(p, -1, axis=0)
    rises = (p[:, 1] > y) != (q[:, 1] > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = p[:, 0] + (y - p[:, 1]) * (q[:, 0] - p[:, 0]) / (q[:, 1] - p[:, 1])
    return bool(np.count_nonzero(rises & (at > x)) % 2)
