"""What a seam's reach would do: what each region ties together, and what would free it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seamwright.freeing import require_free
from seamwright.seam import Point, place
from seamwright.section import Section
from seamwright.ties import Ties, joined_to, least_cut, ties

__all__ = ["RegionFacts", "region_facts", "require_free"]


@dataclass(frozen=True)
class RegionFacts:
    """What parting one region of a section would do, known before anything is cut.

    Attributes
    ----------
    number : counts from 1, largest area first.
    area, perimeter : mm², mm.
    centre : (3,) mm in space.
    separates : whether parting this region alone takes something off.
    comes_away : volume of the smaller solid it then leaves, mm³; 0 if it separates nothing.
    needs : numbers of the fewest further regions of the same section, and of as many those
        of least area, that must be parted with it to take something off; empty if it
        separates by itself.
    comes_away_then : volume of the smaller solid that parting it with those leaves, mm³.
    """

    number: int
    area: float
    perimeter: float
    centre: Point
    separates: bool
    comes_away: float
    needs: tuple[int, ...]
    comes_away_then: float

    @property
    def line(self) -> str:
        """The same in one sentence."""
        volume = f"takes off {self.comes_away_then / 1000:.1f} cm³"
        does = volume
        if self.needs:
            numbers = " and ".join(map(str, self.needs))
            it = "it" if len(self.needs) == 1 else "them"
            does = f"separates nothing without region {numbers}; with {it}, {volume}"
        elif not self.separates:
            does = "separates nothing"
        return (
            f"region {self.number}: {self.area:.0f} mm², {self.perimeter:.0f} mm round, at "
            f"{place(self.centre)}, {does}"
        )


def region_facts(whole: Section) -> tuple[RegionFacts, ...]:
    """Area, perimeter and effect of every region of a section of a closed mesh.

    The plane's full cut leaves some solids; each region ties two of them together.
    Parting one region separates something if it is the only tie between its two ends.
    """
    if not whole.regions:
        return ()
    found = ties(whole.crossing.mesh, [whole])
    volume = found.volumes()
    facts = []
    for k, region in enumerate(whole.regions):
        needs = _needs(found, k)
        away = 0.0
        mine = np.flatnonzero(found.region == k)
        if len(mine):
            left = found.ends[~np.isin(found.region, [k, *needs])]
            # A union of shells ties each of them by itself, and takes off something of each.
            sides = (
                np.any([joined_to(len(volume), left, end) for end in ends], axis=0)
                for ends in found.ends[mine].T
            )
            away = min(float(volume[side].sum()) for side in sides)
        separates = len(mine) > 0 and not needs
        x, y, z = (float(v) for v in whole.frame.to_world(region.centroid))
        facts.append(
            RegionFacts(
                k + 1, region.area, region.perimeter, (x, y, z), separates,
                away if separates else 0.0, tuple(n + 1 for n in needs), away,
            )
        )  # fmt: skip
    return tuple(facts)


def _needs(found: Ties, k: int) -> list[int]:
    """The least regions that must be parted with region k to take something off."""
    others = found.region != k
    return least_cut(found.ends[others], found.region[others], found.areas, found.ends[~others])
