"""Moments of plane areas: what a beam's cross-section is to bending and torsion."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from seamwright.mesh import FloatArray


@dataclass(frozen=True, eq=False)
class Moments:
    """A plane area by its moments.

    area : mm².
    centre : (2,) centre of area, mm.
    second : (2, 2) integrals of x², xy and y² about the centre, mm⁴.
    """

    area: float
    centre: FloatArray
    second: FloatArray

    @property
    def polar(self) -> float:
        """Second moment about the axis square to the plane, mm⁴."""
        return float(np.trace(self.second))

    @property
    def torsion(self) -> float:
        """Saint-Venant's torsion constant of a solid compact area, mm⁴: A⁴ / (40 polar).

        Within an eighth for anything without notches: Saint-Venant's approximation, in
        W. C. Young, R. G. Budynas, "Roark's Formulas for Stress and Strain", table 10.1
        (from memory).
        """
        return float(self.area**4 / (40 * self.polar))

    def less(self, other: Moments) -> Moments:
        """This area with another, that lies within it, taken out."""
        return together([self, Moments(-other.area, other.centre, -other.second)])

    def slopes(self, bending: FloatArray) -> FloatArray:
        """(2,) growth of the bending stress along x and y, MPa/mm, tension positive.

        bending : (2,) moments about x and y, N·mm, that the stress puts on the body that
            lies on the positive side of the area. Tension pulls that body down, so the
            integral of stress times y is the negative moment about x, that of stress times
            x the moment about y.

        Unsymmetrical bending, as in W. C. Young, R. G. Budynas, "Roark's Formulas for Stress
        and Strain", chapter 8 (from memory).
        """
        # A sliver's stress shall be huge, not undefined.
        stiff = self.second + 1e-12 * self.polar * np.eye(2)
        return np.asarray(np.linalg.solve(stiff, [bending[1], -bending[0]]))


def of_loops(loops: Sequence[FloatArray]) -> Moments:
    """Moments of what loops bound, outlines counter-clockwise and holes clockwise.

    By Green's theorem along the edges: C. Steger, "On the calculation of arbitrary moments
    of polygons", TU München FGBV-96-05 (1996).
    """
    about = loops[0][0]
    area, first, second = 0.0, np.zeros(2), np.zeros((2, 2))
    for loop in loops:
        a = loop - about
        b = np.roll(a, -1, axis=0)
        turn = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        area += float(turn.sum()) / 2
        first += ((a + b) * turn[:, None]).sum(axis=0) / 6
        # The sum of both ends' and their sum's squares is symmetric in the ends.
        sums = np.einsum("n,ni,nj->ij", turn, a + b, a + b)
        ends = np.einsum("n,ni,nj->ij", turn, a, a) + np.einsum("n,ni,nj->ij", turn, b, b)
        second += (sums + ends) / 24
    centre = first / area
    return Moments(area, about + centre, second - area * np.outer(centre, centre))


def together(parts: Sequence[Moments]) -> Moments:
    """Moments of several areas as one composite, by the parallel-axis theorem."""
    area = sum(p.area for p in parts)
    centre = sum((p.area * p.centre for p in parts), np.zeros(2)) / area
    second = np.zeros((2, 2))
    for p in parts:
        off = p.centre - centre
        second += p.second + p.area * np.outer(off, off)
    return Moments(area, centre, second)


def disc(area: float, centre: FloatArray) -> Moments:
    """Moments of a disc of `area` mm²: second moment A² / 4 pi about any diameter."""
    return Moments(area, centre, area**2 / (4 * np.pi) * np.eye(2))


def rectangle(x: float, y: float, centre: FloatArray) -> Moments:
    """Moments of a rectangle of x × y mm along the axes."""
    return Moments(x * y, centre, x * y / 12 * np.diag([x**2, y**2]))


def eroded(outline: FloatArray, distance: float) -> FloatArray:
    """A convex (N, 2) outline, counter-clockwise, less all within `distance` mm of its edge.

    Cut down edge by edge (Sutherland and Hodgman 1974), so edges may vanish; (0, 2) if
    nothing is left.
    """
    left = outline
    for start, end in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        if not len(left):
            break
        along = (end - start) / np.linalg.norm(end - start)
        inside = (left - start) @ np.array([-along[1], along[0]]) - distance
        after = np.roll(left, -1, axis=0)
        inside_after = np.roll(inside, -1)
        kept = []
        for p, q, d, e in zip(left, after, inside, inside_after, strict=True):
            if d > 0:
                kept.append(p)
            if (d > 0) != (e > 0):
                kept.append(p + d / (d - e) * (q - p))
        left = np.array(kept).reshape(-1, 2)
    return np.asarray(left)
