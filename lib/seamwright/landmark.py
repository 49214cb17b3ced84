"""Landmarks: what a region of a section is known by, as the reach of a seam names it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from seamwright.room import inscribed
from seamwright.seam import Point, Reach, Seam, reached
from seamwright.section import Section

GRID = 3
"""Decimals of a mm to which landmarks are rounded, so that a job file stays readable."""


@dataclass(frozen=True)
class Landmark:
    """What one region is known by.

    number : at its section, from 1. It changes with the plane; the rest hardly does.
    point : (3,) mm in space, as deep inside the region as may be.
    room : mm, from there to the region's edge: how far its plane may carry the region
        sideways before the point no longer lies in it.
    area : mm².
    """

    number: int
    point: Point
    room: float
    area: float


def landmark(whole: Section, number: int) -> Landmark:
    """The landmark of a region, told by its number from 1: the centre of its largest circle."""
    region = whole.regions[number - 1]
    centre, room = inscribed(region)
    x, y, z = (float(v) for v in whole.frame.to_world(centre))
    # Of a sliver thinner than the rounding the digits are kept.
    if room > 10 * 10.0**-GRID:
        x, y, z = (round(v, GRID) + 0.0 for v in (x, y, z))
    return Landmark(number, (x, y, z), room, region.area)


def numbers_of(seam: Seam, whole: Section) -> tuple[int, ...]:
    """The numbers, from 1, of the regions a seam takes. Raises BadInput as `reached` does."""
    wanted = reached(seam, whole)
    return tuple(k for k, r in enumerate(whole.regions, start=1) if any(r is w for w in wanted))


def landmarks(seam: Seam, whole: Section) -> tuple[Landmark, ...]:
    """A landmark for each region a seam takes. Raises BadInput as `reached` does."""
    return tuple(landmark(whole, n) for n in numbers_of(seam, whole))


def pinned(seam: Seam, whole: Section) -> Seam:
    """The same seam with its regions told by a point in each.

    For a reach by numbers, which change with the plane, or by a boundary, which another
    limb may enter. A seam that takes all regions stays as it is.

    Raises
    ------
    BadInput
        As `seam.reached` does.
    """
    if seam.reach.mode == "all":
        return seam
    points = tuple(mark.point for mark in landmarks(seam, whole))
    return replace(seam, reach=Reach("nearest", points=points))
