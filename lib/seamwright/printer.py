"""What a printer can do: build volume, margins, clearances. All in mm, degrees, g/cm³."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import Any, Literal, get_args

from seamwright.errors import BadInput

Shape = Literal["rectangle", "round"]
Rectangle = tuple[float, float, float, float]
"""x0, y0, x1, y1: its front left and its back right corner, mm."""

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
    build_volume : x, y, z of the build volume, mm; x and y are the diameter of a round platform.
    shape : of the platform, "rectangle" or "round".
    excluded : rectangles that no print may touch, such as a corner where the nozzle is purged or
        the clips of a glass plate; mm from the front left corner of the build volume, on a
        round platform from that of the square round it.
    margin : kept free at every side, round what is excluded and on top, for the skirt and for
        what the printer does not reach well, mm.
    brim : kept free round each piece besides, mm.
    lift : height that a raft or supports take under a piece, mm. The built-in profiles have 0 for
        filament and 5 for resin, which hangs on supports (common practice, no source).
    nozzle, layer_height : mm.
    clearance : gap per side between peg and socket, mm. The built-in profiles have 0.2 for
        filament and 0.1 for resin (common practice, no source); `clearance.grade` tells what
        that is by ISO 286-1, and the gauge finds the printer's own.
    seating_gap : gap at a peg's end for glue and trapped dirt, mm.
    wall : least solid left between a socket and the outer surface, mm.
    draft : taper of a peg's sides, degrees.
    lead_in : chamfer at a peg's end, mm (common practice, no source).
    relief : chamfer round a socket's mouth, mm, so that what the first layers spread on the
        platform does not narrow it (common practice, no source).
    density : of the material, g/cm³.
    material : a name in `MATERIALS`.
    shell : thickness of the printed shell, mm: walls, floors and roofs alike.
    infill : share of what the shell encloses that is printed; 1 is solid.
    glue : shear stress at which the glue between a peg and its socket, or on a flat glued
        face, gives way, MPa; 0 where no glue is to be counted on.
    safety : how many times what it carries a joint must be able to hold.
    speed : mean speed along printed lines of a filament printer's shells, mm/s.
    layer_time : seconds that each layer takes besides its lines; for resin, all that it takes.
    travel : time between lines, as a share of the time along them.
    support_density : share of a support's volume that is printed.
    usage : what a print uses over what is reckoned: skirt, purging, what clings to a resin
        print. `estimate.calibrated` finds this and the two times off one finished print.
    price : of the material, for 1 kg, in any money; 0 where it is not to be counted.
    power : that the printer draws on average, W.
    energy_price : for 1 kWh. hour_price : for each hour that the printer runs.
    """

    name: str = "filament-256"
    build_volume: tuple[float, float, float] = (256.0, 256.0, 256.0)
    shape: Shape = "rectangle"
    excluded: tuple[Rectangle, ...] = ()
    margin: float = 3.0
    brim: float = 0.0
    lift: float = 0.0
    nozzle: float = 0.4
    layer_height: float = 0.2
    clearance: float = 0.2
    seating_gap: float = 0.8
    wall: float = 3.0
    draft: float = 1.0
    lead_in: float = 1.0
    relief: float = 0.4
    density: float = 1.24
    material: str = "PLA"
    shell: float = 1.2
    infill: float = 0.15
    glue: float = 2.0
    safety: float = 4.0
    speed: float = 60.0
    layer_time: float = 4.0
    travel: float = 0.15
    support_density: float = 0.15
    usage: float = 1.0
    price: float = 0.0
    power: float = 0.0
    energy_price: float = 0.0
    hour_price: float = 0.0

    def __post_init__(self) -> None:
        if len(self.build_volume) != 3 or min(self.build_volume) <= 0:
            raise BadInput(
                f"Printer '{self.name}': build volume {self.build_volume} must be three "
                "lengths above 0 mm."
            )
        positive = (
            "nozzle", "layer_height", "wall", "density", "shell", "speed", "layer_time", "usage",
        )  # fmt: skip
        at_least_zero = (
            "margin", "brim", "lift", "clearance", "seating_gap", "draft", "lead_in", "relief",
            "glue", "travel", "price", "power", "energy_price", "hour_price",
        )  # fmt: skip
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
        for key in ("infill", "support_density"):
            if not 0 <= getattr(self, key) <= 1:
                raise BadInput(
                    f"Printer '{self.name}': {key} is {getattr(self, key):g}; it is a share from "
                    "0 to 1, so 15 % is 0.15."
                )
        if not self.safety >= 1:
            raise BadInput(
                f"Printer '{self.name}': safety is {self.safety:g}; it must be 1 or more."
            )
        if self.draft > 15:
            raise BadInput(f"Printer '{self.name}': draft {self.draft}° is more than 15°.")
        self._require_platform()

    def _require_platform(self) -> None:
        """Raise if shape, margins or excluded corners are wrong or leave nothing."""
        if self.shape not in get_args(Shape):
            raise BadInput(
                f"Printer '{self.name}': shape is '{self.shape}'; use \"rectangle\" or \"round\"."
            )
        x, y, _ = self.build_volume
        if self.shape == "round" and x != y:
            raise BadInput(
                f"Printer '{self.name}': a round platform has one diameter, but its build volume "
                f"is {x:g} mm by {y:g} mm; give the same number twice."
            )
        if min(self.usable) <= 0:
            raise BadInput(
                f"Printer '{self.name}': a margin of {self.margin:g} mm with a brim of "
                f"{self.brim:g} mm and a lift of {self.lift:g} mm leaves nothing of the build "
                "volume; make them smaller."
            )
        for corner in self.excluded:
            if len(corner) != 4 or not (
                0 <= corner[0] < corner[2] <= x and 0 <= corner[1] < corner[3] <= y
            ):
                raise BadInput(
                    f"Printer '{self.name}': excluded corner {list(corner)} must be [x0, y0, x1, "
                    f"y1] with x0 below x1 and y0 below y1, inside the {x:g} mm by {y:g} mm of "
                    "the build volume."
                )
        if _covered(self.usable[:2], self.shape == "round", self.out_of_bounds):
            raise BadInput(
                f"Printer '{self.name}': its excluded corners leave nothing of the platform inside "
                "the margins; make them smaller."
            )

    @property
    def is_resin(self) -> bool:
        """Whether it hardens a layer at once, rather than lays down lines."""
        return self.material == "resin"

    @property
    def usable(self) -> tuple[float, float, float]:
        """x, y, z left for a piece, mm: margin and brim off each side, margin and lift off z."""
        x, y, z = self.build_volume
        side = 2 * (self.margin + self.brim)
        return (x - side, y - side, z - self.margin - self.lift)

    @property
    def out_of_bounds(self) -> tuple[Rectangle, ...]:
        """What is excluded with margin and brim round it, mm from the usable area's front left."""
        edge = self.margin + self.brim
        return tuple((a - 2 * edge, b - 2 * edge, c, d) for a, b, c, d in self.excluded)


def _covered(size: tuple[float, ...], is_round: bool, rectangles: tuple[Rectangle, ...]) -> bool:
    """Whether rectangles cover all of a platform; without numpy, see `LOOSEST`."""
    x, y = size
    across = sorted({0.0, x, *(min(max(r[k], 0.0), x) for r in rectangles for k in (0, 2))})
    along = sorted({0.0, y, *(min(max(r[k], 0.0), y) for r in rectangles for k in (1, 3))})
    for a, c in pairwise(across):
        for b, d in pairwise(along):
            u, v = (a + c) / 2, (b + d) / 2
            if any(r[0] <= u <= r[2] and r[1] <= v <= r[3] for r in rectangles):
                continue
            # The cell's place nearest the middle.
            near = (min(max(x / 2, a), c) - x / 2, min(max(y / 2, b), d) - y / 2)
            if not is_round or near[0] ** 2 + near[1] ** 2 < x * x / 4:
                return False
    return True


# Build volumes and clearances of common machines: common practice, no source.
# Densities, from memory: PLA 1.24 g/cm³, standard photopolymer about 1.1 g/cm³ cured.
# Shell and infill, three lines of 0.4 mm and 15 %: common practice, no source.
# Speed, layer time, travel, supports: common practice, no source; a resin layer's 9 s are 2.5 s of
# light and the lift and return of the platform.
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
            lift=5.0,
            nozzle=0.05,
            layer_height=0.05,
            clearance=0.1,
            seating_gap=0.5,
            wall=2.0,
            lead_in=0.5,
            relief=0.3,
            density=1.1,
            material="resin",
            shell=2.0,
            infill=1.0,
            layer_time=9.0,
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
    if "excluded" in changes:
        changes["excluded"] = tuple(tuple(float(x) for x in r) for r in changes["excluded"])
    return replace(BUILT_IN[profile], **changes)
