"""Estimate: time, material and cost of a piece, a build and the figure.

Filament is laid down at the rate of one line after another,

    time = usage * (shell + infill / 1.5 + support / 1.25) / (nozzle * layer_height * speed)
           * (1 + travel) + layers * layer_time,

where the line is taken to be as wide as the nozzle; resin hardens layer by layer, whatever
lies in it, so that time = layers * layer_time. Material is what is printed of shell, infill
and supports, times `usage`. How fast a printer speeds up, and how its own software lays its
lines, is not known here: it is an estimate, and becomes a good one once `calibrated` by the
two numbers that anybody can read off one finished print, its hours and its grams.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import reduce
from operator import add

from seamwright.errors import BadInput
from seamwright.joint import Joint, rings_volume
from seamwright.mesh import Mesh
from seamwright.printer import PrinterProfile

INFILL_PACE = 1.5
SUPPORT_PACE = 1.25
"""How many times as fast as the shell infill and supports are printed (common practice, no
source)."""

WHOLE_LAYER = 1e-6
"""Share of a layer that is no layer of its own: rounding in a height."""

FAR_OFF = 10.0
"""A finished print that differs from its estimate by more than this many times is another
print."""


@dataclass(frozen=True)
class Quantities:
    """What is printed at once: what time and material are reckoned from.

    Attributes
    ----------
    shell, infill : mm³ of material in shells and in what they enclose.
    support : mm³ of material in supports.
    layers : number of layers.
    pegs : mm³ that the pegs among it would have if solid; part of shell and infill.
    """

    shell: float = 0.0
    infill: float = 0.0
    support: float = 0.0
    layers: int = 0
    pegs: float = 0.0

    def __add__(self, other: Quantities) -> Quantities:
        """Both on one build: material adds up, and the layers are those of the taller."""
        return Quantities(
            self.shell + other.shell,
            self.infill + other.infill,
            self.support + other.support,
            max(self.layers, other.layers),
            self.pegs + other.pegs,
        )


@dataclass(frozen=True)
class Estimate:
    """What it takes to print something; estimates of one build after another add up.

    Attributes
    ----------
    time_h : hours.
    material_g : grams, supports included.
    support_g : grams of supports.
    cost : by the prices in the printer profile, in whatever money they are given; 0 without.
    """

    time_h: float = 0.0
    material_g: float = 0.0
    support_g: float = 0.0
    cost: float = 0.0

    def __add__(self, other: Estimate) -> Estimate:
        """One after the other."""
        return Estimate(
            self.time_h + other.time_h,
            self.material_g + other.material_g,
            self.support_g + other.support_g,
            self.cost + other.cost,
        )

    @property
    def sentence(self) -> str:
        minutes = math.floor(self.time_h * 60 + 0.5)
        said = f"About {minutes // 60} h {minutes % 60:02d} min and {self.material_g:.0f} g"
        said += f", {self.support_g:.0f} g of it supports" if self.support_g >= 0.5 else ""
        said += f", at a cost of {self.cost:.2f}" if self.cost > 0 else ""
        return f"{said} (an estimate)."


def quantities(
    mesh: Mesh,
    profile: PrinterProfile,
    *,
    height: float | None = None,
    support: float = 0.0,
    pegs: float = 0.0,
) -> Quantities:
    """What printing one piece takes.

    The shell is taken as surface times thickness, as `loads.weight` does, so that an estimate
    and a weight never disagree.

    Parameters
    ----------
    mesh : of the piece, mm, closed.
    height : of the piece in its pose, mm; as it stands if None. The profile's lift comes on top.
    support : volume that supports take up, mm³, gaps in them included.
    pegs : of them, see `pegs_on`; they are in the mesh already.

    Raises
    ------
    BadInput
        If a height or volume is out of range.
    """
    tall = float(mesh.size[2]) if height is None else height
    if not 0 < tall < math.inf:
        raise BadInput(f"A piece is {tall:g} mm tall in its pose; give a height above 0 mm.")
    for what, value in (("supports", support), ("pegs", pegs)):
        if not 0 <= value < math.inf:
            raise BadInput(f"The {what} take up {value:g} mm³; give 0 or more.")
    volume = abs(mesh.volume)
    shell = min(float(mesh.areas.sum()) * profile.shell, volume)
    layers = math.ceil((tall + profile.lift) / profile.layer_height - WHOLE_LAYER)
    return Quantities(
        shell,
        profile.infill * (volume - shell),
        profile.support_density * support,
        max(layers, 1),
        pegs,
    )


def pegs_on(piece: int, joints: tuple[Joint, ...]) -> float:
    """mm³ of all pegs that stand on a piece, solid; loose pegs are pieces of their own."""
    mine = [j for j in joints if j.kind == "pegs" and j.peg_piece == piece]
    return sum(rings_volume(j.peg_rings(p)) for j in mine for p in j.pegs)


def on_one_build(parts: Iterable[Quantities]) -> Quantities:
    """Several pieces on one build: see `Quantities.__add__`."""
    return reduce(add, parts, Quantities())


def estimate(what: Quantities, profile: PrinterProfile) -> Estimate:
    """Time, material and cost of printing something at once: a piece alone, or a build.

    The figure's is the sum of its builds'. Cost is material by its price per kg, and hours by
    the electricity they take and by the price of an hour.
    """
    solid = profile.usage * (what.shell + what.infill + what.support)
    material = solid / 1000 * profile.density
    support = profile.usage * what.support / 1000 * profile.density
    hours = _seconds(what, profile) / 3600
    hourly = profile.power / 1000 * profile.energy_price + profile.hour_price
    return Estimate(hours, material, support, material / 1000 * profile.price + hours * hourly)


def one_after_another(parts: Iterable[Estimate]) -> Estimate:
    """Several builds one after another."""
    return reduce(add, parts, Estimate())


def calibrated(
    profile: PrinterProfile, printed: Quantities, hours: float, grams: float
) -> dict[str, float]:
    """What to change in a profile so that its estimate of a finished print is what it took.

    Two numbers give two: `usage` from the grams, and the printer's whole clock, `speed` and
    `layer_time` alike, from the hours. Both go into a job under [printer].

    Parameters
    ----------
    printed : what was printed, with the profile's own shell, infill and supports.
    hours : that the print took, as the printer shows.
    grams : of material that it took, supports and skirt included: by the printer, or by the
        spool weighed before and after.

    Returns
    -------
    Fields of `PrinterProfile` with their new values.

    Raises
    ------
    BadInput
        If a number is not above 0, or so far off that it must be another print's.
    """
    for what, value, unit in (("time", hours, "h"), ("material", grams, "g")):
        if not 0 < value < math.inf:
            raise BadInput(f"The finished print's {what} is {value:g} {unit}; give it above 0.")
    guess = estimate(printed, profile)
    if not guess.material_g > 0:
        raise BadInput("What was printed has no volume; give a piece that was printed.")
    for what, value, guessed, unit in (
        ("took", hours, guess.time_h, "h"), ("used", grams, guess.material_g, "g"),
    ):  # fmt: skip
        if not guessed / FAR_OFF <= value <= guessed * FAR_OFF:
            raise BadInput(
                f"The finished print {what} {value:g} {unit} where about {guessed:.3g} {unit} "
                "were reckoned; check that it is this piece with this profile, and the unit."
            )
    usage = profile.usage * grams / guess.material_g
    faster = _seconds(printed, replace(profile, usage=usage)) / (3600 * hours)
    changes = {"usage": usage, "layer_time": profile.layer_time / faster}
    return changes if profile.is_resin else {**changes, "speed": profile.speed * faster}


def _seconds(what: Quantities, profile: PrinterProfile) -> float:
    """Seconds to print something at once."""
    layering = what.layers * profile.layer_time
    if profile.is_resin:
        return layering
    laid = what.shell + what.infill / INFILL_PACE + what.support / SUPPORT_PACE
    rate = profile.nozzle * profile.layer_height * profile.speed
    return profile.usage * laid / rate * (1 + profile.travel) + layering
