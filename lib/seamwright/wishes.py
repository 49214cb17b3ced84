"""Wishes: the sets of pegs worth trying on a seam face, the best first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from seamwright.choice import AUTO, JointChoice
from seamwright.footprint import Shape, outline_of, variants
from seamwright.mesh import FloatArray
from seamwright.middle import count_for, middle_line
from seamwright.offsets import placed
from seamwright.outline import Region
from seamwright.places import DEPTH_SHARES, LONG_FACE, Wish, narrowest, on_middle_line
from seamwright.printer import PrinterProfile

D_BELOW = 6.0
"""Pegs narrower than this, mm, are D shaped: small square corners do not print crisply
(common practice, no source)."""

TWO_PEGS_FROM, THREE_PEGS_FROM = 8_000.0, 25_000.0
"""Areas, mm², from which a face gets two and three pegs: about 100 and 180 mm across
(common practice, no source)."""

SLACK_SHARE = 1 / 30
"""Slack over the radius of the largest circle: half of what samples lie apart."""

NARROWER = 0.85
"""Each width tried over the one before it."""


def shape_of(width: float, choice: JointChoice) -> Shape:
    """The footprint of a peg of this width, if nobody says."""
    if choice.footprint is not None:
        return choice.footprint
    return "D" if width < D_BELOW else "square"


def footprint_of(width: float, turn: float = 0.0) -> tuple[Shape, FloatArray]:
    """Kind and (N, 2) outline about the origin of a peg of this width, if nobody says."""
    shape = shape_of(width, AUTO)
    return shape, placed(outline_of(shape, width), np.zeros(2), turn)


def wishes(
    region: Region,
    radius: float,
    choice: JointChoice,
    widest: float,
    clearance: float,
    slope: FloatArray,
    profile: PrinterProfile,
    fixed: FloatArray | None = None,
) -> Iterator[Wish]:
    """Sets of pegs to try, the best first: more before fewer, wider before narrower.

    After each comes the same with slack, for where its places proved too near the skin: that
    is known by samples there, and a socket's corners reach farther than its sides.

    fixed : (K, 2) where the user wants them.
    """
    turn = long_direction(region) if choice.turn is None else choice.turn
    long, many = False, choice.count if fixed is None else len(fixed)
    if many is None:
        many, long = _wanted(region, radius, widest)
    if choice.footprint == "section":
        many = 1
    fewest = many if choice.count or fixed is not None else 1
    for pegs in range(many, fewest - 1, -1):
        width = widest
        while width >= narrowest(profile) - 1e-9:
            line = None
            if long and pegs > 1:
                need = 0.75 * width + clearance + profile.relief + profile.wall
                line = on_middle_line(region, pegs, need)
            for shape, variant in footprints(width, choice, pegs):
                wish = Wish(
                    shape, variant, pegs, width, turn, slope, clearance, DEPTH_SHARES, fixed,
                    choice.depth,
                )  # fmt: skip
                if line is not None:
                    yield replace(wish, places=line)
                yield wish
                yield replace(wish, slack=SLACK_SHARE * radius)
            if choice.width is not None or choice.footprint == "section":
                break
            width *= NARROWER


def footprints(width: float, choice: JointChoice, pegs: int) -> list[tuple[Shape, int]]:
    """Footprints and keys to try: other keys where the first would be confused with another's."""
    shape = shape_of(width, choice)
    if shape == "section":
        return [(shape, 0)]
    if not choice.key:
        return [(shape, -1)]
    found: list[tuple[Shape, int]] = [(shape, v) for v in range(variants(shape))]
    if choice.footprint is None and width >= D_BELOW:
        found += [("hexagon", 0), ("rectangle", 0)]
    return found if pegs == 1 else found[:2]


def _wanted(region: Region, radius: float, width: float) -> tuple[int, bool]:
    """How many pegs a face of this size and shape should get, and whether it is a long one."""
    if region.area > LONG_FACE * radius**2:
        chains = middle_line(region, 0.5 * radius)
        if chains:
            points = chains[0][0]
            length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
            return max(2, count_for(length, width)), True
        return 2, True
    if region.area >= THREE_PEGS_FROM:
        return 3, False
    return (2 if region.area >= TWO_PEGS_FROM else 1), False


def long_direction(region: Region) -> float:
    """Turn, in degrees, that lays a footprint along the region's long direction."""
    middle = region.outline - region.outline.mean(axis=0)
    axis = np.linalg.svd(middle, full_matrices=False)[2][0]
    return float(np.degrees(np.arctan2(axis[1], axis[0])))
