"""How the terms of a pose are weighed for each process, and why.

Every rate is in minutes of a maker's time, printing and finishing together, so that unlike
terms can be added, and a user can change a rate that does not suit.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from seamwright.errors import BadInput
from seamwright.printer import PrinterProfile


@dataclass(frozen=True)
class Rate:
    """What one term costs.

    minutes : of a maker's time for each `per`; of a risk, as a share of the time that the
        piece takes to print, when it is at its worst.
    per : the unit.
    why : what the time goes into.
    """

    minutes: float
    per: str
    why: str


@dataclass(frozen=True)
class Weighting:
    """How terms are weighed for one process. All rates: common practice, no source.

    Attributes
    ----------
    overhang_angle : slope, in degrees from the vertical, from which on surface needs support.
    flow : mm³ that are printed in a second; 0 where only the height takes time.
    keep_clear : how many times other skin the keep-clear area counts.
    """

    name: str
    overhang_angle: float
    flow: float
    keep_clear: float
    support: Rate
    overhang: Rate
    scars: Rate
    stairs: Rate
    height: Rate
    suction: Rate
    contact: Rate
    tip: Rate
    propped: Rate
    layers: Rate

    def __post_init__(self) -> None:
        if not 0 < self.overhang_angle < 90:
            raise BadInput(
                f"Weighting '{self.name}': overhang angle {self.overhang_angle:g}° must lie "
                "between 0° and 90°."
            )
        for name, rate in self.rates.items():
            if not 0 <= rate.minutes < np.inf:
                raise BadInput(
                    f"Weighting '{self.name}': the rate of {name} is {rate.minutes:g}; give 0 or "
                    "more."
                )

    @property
    def rates(self) -> dict[str, Rate]:
        """By name of the term, in order."""
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: rate for name, rate in values.items() if isinstance(rate, Rate)}


FILAMENT = Weighting(
    name="filament",
    overhang_angle=45.0,
    flow=8.0,
    keep_clear=5.0,
    support=Rate(0.4, "cm³", "printing supports a seventh full, and the scrap"),
    overhang=Rate(0.3, "cm²", "taking supports off, and what they do to any face"),
    scars=Rate(1.5, "cm²", "filling and sanding skin that supports touched"),
    stairs=Rate(0.15, "cm²", "sanding stair-steps out of slanted skin"),
    height=Rate(0.1, "mm", "moving up a layer and back, five times a millimetre"),
    suction=Rate(0.0, "cm²", "nothing sucks at a layer of filament"),
    contact=Rate(0.2, "print", "coming off the platform for want of hold"),
    tip=Rate(0.1, "print", "standing on supports alone, which from 20° up it does not"),
    propped=Rate(1.0, "print", "falling over with its supports, which from 20° up it does not"),
    layers=Rate(0.4, "print", "a peg or limb that breaks between layers"),
)

RESIN = Weighting(
    name="resin",
    overhang_angle=60.0,
    flow=0.0,
    keep_clear=5.0,
    support=Rate(0.05, "cm³", "resin in supports, which are thin"),
    overhang=Rate(0.3, "cm²", "setting and snapping off supports"),
    scars=Rate(1.0, "cm²", "sanding off the marks of supports' tips"),
    stairs=Rate(0.02, "cm²", "sanding stair-steps of fine layers"),
    height=Rate(2.5, "mm", "twenty layers of 7.5 s"),
    suction=Rate(6.0, "cm²", "slow peeling, and layers torn off by it"),
    contact=Rate(0.0, "print", "supports and raft hold the piece"),
    tip=Rate(0.0, "print", "supports and raft hold the piece"),
    propped=Rate(0.0, "print", "it hangs from the platform"),
    layers=Rate(0.1, "print", "a peg or limb that breaks between layers, hardly weaker here"),
)

BUILT_IN = {w.name: w for w in (FILAMENT, RESIN)}


def weighting_for(profile: PrinterProfile) -> Weighting:
    """The built-in weighting for a printer's process."""
    return RESIN if profile.material == "resin" else FILAMENT
