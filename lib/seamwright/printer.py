"""What a printer can do: build volume, margins, clearances. All in mm, degrees, g/cm³."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

from seamwright.errors import BadInput


@dataclass(frozen=True)
class PrinterProfile:
    """One printer with one material.

    Attributes
    ----------
    build_volume : x, y, z of the build volume, mm.
    margin : kept free at every side and on top for skirt and brim, mm.
    nozzle, layer_height : mm.
    clearance : gap per side between peg and socket, mm.
    seating_gap : gap at a peg's end for glue and trapped dirt, mm.
    wall : least solid left between a socket and the outer surface, mm.
    draft : taper of a peg's sides, degrees.
    lead_in : chamfer at a peg's end, mm (common practice, no source).
    density : of the material, g/cm³.
    """

    name: str = "filament-256"
    build_volume: tuple[float, float, float] = (256.0, 256.0, 256.0)
    margin: float = 3.0
    nozzle: float = 0.4
    layer_height: float = 0.2
    clearance: float = 0.2
    seating_gap: float = 0.8
    wall: float = 3.0
    draft: float = 1.0
    lead_in: float = 1.0
    density: float = 1.24

    def __post_init__(self) -> None:
        if len(self.build_volume) != 3 or min(self.build_volume) <= 0:
            raise BadInput(
                f"Printer '{self.name}': build volume {self.build_volume} must be three "
                "lengths above 0 mm."
            )
        positive = ("nozzle", "layer_height", "wall", "density")
        at_least_zero = ("margin", "clearance", "seating_gap", "draft", "lead_in")
        for key in positive:
            if not getattr(self, key) > 0:
                raise BadInput(f"Printer '{self.name}': {key} must be above 0.")
        for key in at_least_zero:
            if not getattr(self, key) >= 0:
                raise BadInput(f"Printer '{self.name}': {key} must be 0 or more.")
        if self.draft > 15:
            raise BadInput(f"Printer '{self.name}': draft {self.draft}° is more than 15°.")
        if min(self.usable) <= 0:
            raise BadInput(
                f"Printer '{self.name}': a margin of {self.margin} mm leaves nothing of the "
                "build volume; make it smaller."
            )

    @property
    def usable(self) -> tuple[float, float, float]:
        """x, y, z left inside the margins, mm: both sides in x and y, the top in z."""
        x, y, z = self.build_volume
        return (x - 2 * self.margin, y - 2 * self.margin, z - self.margin)


# Build volumes and clearances of common machines: common practice, no source.
# Densities, from memory: PLA 1.24 g/cm³, standard photopolymer about 1.1 g/cm³ cured.
BUILT_IN = {
    p.name: p
    for p in (
        PrinterProfile(),
        PrinterProfile(name="filament-300", build_volume=(300.0, 300.0, 300.0)),
        PrinterProfile(name="filament-180", build_volume=(180.0, 180.0, 180.0)),
        PrinterProfile(
            name="resin-218",
            build_volume=(218.0, 123.0, 220.0),
            margin=2.0,
            nozzle=0.05,
            layer_height=0.05,
            clearance=0.1,
            seating_gap=0.5,
            wall=2.0,
            lead_in=0.5,
            density=1.1,
        ),
    )
}


def printer(profile: str, **changes: Any) -> PrinterProfile:
    """A built-in profile with some values changed.

    Raises
    ------
    BadInput
        If the profile or a changed value's name is unknown, or a value is out of range.
    """
    if profile not in BUILT_IN:
        raise BadInput(
            f"Printer profile '{profile}' is unknown; use one of {', '.join(sorted(BUILT_IN))}."
        )
    known = {f.name for f in fields(PrinterProfile)}
    for key in changes:
        if key not in known:
            raise BadInput(
                f"Printer key '{key}' is unknown; use one of {', '.join(sorted(known))}."
            )
    if "build_volume" in changes:
        changes["build_volume"] = tuple(float(x) for x in changes["build_volume"])
    return replace(BUILT_IN[profile], **changes)
