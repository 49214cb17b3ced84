"""What a printer can do: build volume, margins, clearances. All in mm, degrees, g/cm³."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

from seamwright.errors import BadInput

LOOSEST = 2.52
"""The widest clearance per side, mm, that still keys a peg: `clearance.most` of the widest
peg, kept here as a number since Blender reads this module when it starts."""


@dataclass(frozen=True)
class Material:
    """What a print breaks at, MPa.

    along : pulled in the plane of its layers.
    across : pulled so that its layers part.
    """

    along: float
    across: float


# Along layers, PLA and ABS: means of prints from many machines, 56.6 and 28.5 MPa, in
# B. M. Tymrak, M. Kreiger, J. M. Pearce, "Mechanical properties of components fabricated with
# open-source 3-D printers under realistic environmental conditions", Materials & Design 58
# (2014), less a fifth for what prints worse (figures from memory). PETG and cured
# photopolymer: low values of data sheets, from memory. Across layers: a third of what it is
# along them, and for resin three quarters; tests of filament prints give anything from a
# tenth to nearly all of it (common practice, no source).
MATERIALS = {
    "PLA": Material(along=45.0, across=15.0),
    "PETG": Material(along=36.0, across=12.0),
    "ABS": Material(along=24.0, across=8.0),
    "resin": Material(along=32.0, across=24.0),
}


@dataclass(frozen=True)
class PrinterProfile:
    """One printer with one material.

    Attributes
    ----------
    build_volume : x, y, z of the build volume, mm.
    margin : kept free at every side and on top for skirt and brim, mm.
    nozzle, layer_height : mm.
    clearance : gap per side between peg and socket, mm. The built-in profiles have 0.2 for
        filament and 0.1 for resin (common practice, no source); `clearance.grade` tells what
        that is by ISO 286-1, and the gauge finds the printer's own.
    seating_gap : gap at a peg's end for glue and trapped dirt, mm.
    wall : least solid left between a socket and the outer surface, mm.
    draft : taper of a peg's sides, degrees.
    lead_in : chamfer at a peg's end, mm (common practice, no source).
    density : of the material, g/cm³.
    material : a name in `MATERIALS`.
    shell : thickness of the printed shell, mm: walls, floors and roofs alike.
    infill : share of what the shell encloses that is printed; 1 is solid.
    glue : shear stress at which the glue between a peg and its socket, or on a flat glued
        face, gives way, MPa; 0 where no glue is to be counted on.
    safety : how many times what it carries a joint must be able to hold.
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
    material: str = "PLA"
    shell: float = 1.2
    infill: float = 0.15
    glue: float = 2.0
    safety: float = 4.0

    def __post_init__(self) -> None:
        if len(self.build_volume) != 3 or min(self.build_volume) <= 0:
            raise BadInput(
                f"Printer '{self.name}': build volume {self.build_volume} must be three "
                "lengths above 0 mm."
            )
        positive = ("nozzle", "layer_height", "wall", "density", "shell")
        at_least_zero = ("margin", "clearance", "seating_gap", "draft", "lead_in", "glue")
        for key in positive:
            if not getattr(self, key) > 0:
                raise BadInput(f"Printer '{self.name}': {key} must be above 0.")
        for key in at_least_zero:
            if not getattr(self, key) >= 0:
                raise BadInput(f"Printer '{self.name}': {key} must be 0 or more.")
        if self.clearance > LOOSEST:
            raise BadInput(
                f"Printer '{self.name}': with a clearance of {self.clearance:g} mm per side not "
                "even the widest peg would go home one way only; give at most "
                f"{LOOSEST:g} mm."
            )
        if self.material not in MATERIALS:
            raise BadInput(
                f"Printer '{self.name}': material '{self.material}' is unknown; use one of "
                f"{', '.join(MATERIALS)}."
            )
        if not 0 <= self.infill <= 1:
            raise BadInput(
                f"Printer '{self.name}': infill is {self.infill:g}; it is a share from 0 to 1."
            )
        if not self.safety >= 1:
            raise BadInput(
                f"Printer '{self.name}': safety is {self.safety:g}; it must be 1 or more."
            )
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
# Shell and infill, three lines of 0.4 mm and 15 %: common practice, no source.
# Glue: lap joints of plastic in epoxy or cyanoacrylate part at about 3 to 10 MPa (from memory);
# 2 MPa leaves room for a poor bond.
# Safety 4: plastic that carries a load for years may bear about a third of what it breaks at
# at once, and prints differ (common practice, no source).
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
            material="resin",
            shell=2.0,
            infill=1.0,
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
