"""Clearance: how wide it is in the words of ISO 286-1, and the most that still keys a peg.

The defaults of the printer profiles, 0.2 mm per side for filament and 0.1 mm for resin, are
common practice, no source; the gauge finds a printer's own. What a value means is told by
the standard tolerance grade that the play, twice the clearance, comes nearest to: a peg and
a socket made to that grade just about use it up.
"""

from __future__ import annotations

import numpy as np

from seamwright.errors import BadInput
from seamwright.footprint import Shape, most_share
from seamwright.mesh import FloatArray

SIZES = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)
"""Upper ends of the steps of nominal size, mm, each included: ISO 286-1:2010, Table 1."""

TOLERANCES = np.array(
    [
        [0.8, 1.2, 2, 3, 4, 6, 10, 14, 25, 40, 60, 100, 140, 250, 400, 600, 1000, 1400],
        [1, 1.5, 2.5, 4, 5, 8, 12, 18, 30, 48, 75, 120, 180, 300, 480, 750, 1200, 1800],
        [1, 1.5, 2.5, 4, 6, 9, 15, 22, 36, 58, 90, 150, 220, 360, 580, 900, 1500, 2200],
        [1.2, 2, 3, 5, 8, 11, 18, 27, 43, 70, 110, 180, 270, 430, 700, 1100, 1800, 2700],
        [1.5, 2.5, 4, 6, 9, 13, 21, 33, 52, 84, 130, 210, 330, 520, 840, 1300, 2100, 3300],
        [1.5, 2.5, 4, 7, 11, 16, 25, 39, 62, 100, 160, 250, 390, 620, 1000, 1600, 2500, 3900],
        [2, 3, 5, 8, 13, 19, 30, 46, 74, 120, 190, 300, 460, 740, 1200, 1900, 3000, 4600],
        [2.5, 4, 6, 10, 15, 22, 35, 54, 87, 140, 220, 350, 540, 870, 1400, 2200, 3500, 5400],
        [3.5, 5, 8, 12, 18, 25, 40, 63, 100, 160, 250, 400, 630, 1000, 1600, 2500, 4000, 6300],
        [4.5, 7, 10, 14, 20, 29, 46, 72, 115, 185, 290, 460, 720, 1150, 1850, 2900, 4600, 7200],
        [6, 8, 12, 16, 23, 32, 52, 81, 130, 210, 320, 520, 810, 1300, 2100, 3200, 5200, 8100],
        [7, 9, 13, 18, 25, 36, 57, 89, 140, 230, 360, 570, 890, 1400, 2300, 3600, 5700, 8900],
        [8, 10, 15, 20, 27, 40, 63, 97, 155, 250, 400, 630, 970, 1550, 2500, 4000, 6300, 9700],
    ]
)  # fmt: skip
"""(13, 18) standard tolerances IT1 to IT18 in µm, a row for each of `SIZES`: ISO 286-1:2010,
Table 1 (from memory; the tests hold IT4 to IT13 against a published table of fits, and reckon
the others anew by the standard's formulae)."""

WIDEST = 30.0
"""No peg needs to be wider than this, mm: larger faces get more pegs
(common practice, no source)."""


def tolerance(number: int, size: float) -> float:
    """Standard tolerance IT`number`, mm, for a nominal size in mm.

    Raises
    ------
    BadInput
        If the number is not 1 to 18 or the size not above 0 and at most 500 mm.
    """
    if not 1 <= number <= TOLERANCES.shape[1]:
        raise BadInput(f"Tolerance grade IT{number} is not one of IT1 to IT18.")
    return float(_row(size)[number - 1])


def grade(clearance: float, size: float) -> str:
    """The grade that the play of `clearance` mm per side comes nearest to, by ratio.

    Parameters
    ----------
    size : across the peg, mm.

    Returns
    -------
    "IT14", or "finer than IT1" or "coarser than IT18" where it is so by more than half a step.

    Raises
    ------
    BadInput
        If the clearance is not 0 or more, or the size not above 0 and at most 500 mm.
    """
    if not clearance >= 0:
        raise BadInput(f"A clearance of {clearance:g} mm is none; give 0 or more.")
    row, play = _row(size), 2 * clearance
    # The grades are steps of a geometric series, so half way between is the geometric mean.
    limits = np.sqrt(row[1:] * row[:-1])
    half = [np.sqrt(row[1] / row[0]), np.sqrt(row[-1] / row[-2])]
    if play < row[0] / half[0]:
        return "finer than IT1"
    if play > row[-1] * half[1]:
        return "coarser than IT18"
    return f"IT{int(np.searchsorted(limits, play)) + 1}"


def in_words(clearance: float, size: float) -> str:
    """What a clearance means on a peg of this size, as part of a sentence."""
    found = grade(clearance, size)
    about = "about " if found.startswith("IT") else ""
    return f"{clearance:g} mm per side on a {round(size, 1):g} mm peg is {about}{found}"


def most(width: float, shape: Shape = "square") -> float:
    """The most clearance per side, whole hundredths of a mm, that keys a peg standing alone."""
    return float(np.floor(100 * most_share(shape) * width + 1e-9) / 100)


def _row(size: float) -> FloatArray:
    """(18,) tolerances of a size's step, mm."""
    if not 0 < size <= SIZES[-1]:
        raise BadInput(f"A size of {size:g} mm has no tolerance grade; give 0 to {SIZES[-1]} mm.")
    return np.asarray(TOLERANCES[int(np.searchsorted(SIZES, size))] / 1000)
