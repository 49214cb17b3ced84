"""The printer's values, kept on the scene.

No `from __future__ import annotations` here: Blender reads these annotations.
"""

import json
from dataclasses import asdict, fields
from typing import Any

import bpy
from bpy.props import EnumProperty, FloatProperty, FloatVectorProperty, StringProperty

from seamwright.errors import BadInput
from seamwright.printer import BUILT_IN, MATERIALS, PrinterProfile, printer

DEFAULT = PrinterProfile()

PRINTER_NUMBERS = (
    "margin", "brim", "lift", "nozzle", "layer_height", "clearance", "seating_gap", "wall",
    "draft", "lead_in", "relief", "density", "shell", "infill", "glue", "safety",
)  # fmt: skip
"""The numbers of a printer profile that the panel shows; each is a property of the scene by the
same name."""

_SHOWN = ("name", "build_volume", "shape", "material", *PRINTER_NUMBERS)


def take_profile(settings: bpy.types.PropertyGroup, profile: PrinterProfile) -> None:
    """Put a profile's values into the scene's printer settings.

    What the panel does not show is kept beside them, where it differs from the built-in one.
    """
    for key in (*PRINTER_NUMBERS, "build_volume", "material", "shape"):
        setattr(settings, key, getattr(profile, key))
    base = BUILT_IN[settings.profile]
    unseen = {f.name: getattr(profile, f.name) for f in fields(profile) if f.name not in _SHOWN}
    unseen = {key: value for key, value in unseen.items() if value != getattr(base, key)}
    settings.printer_told = json.dumps(unseen) if unseen else ""


def kept(profile: PrinterProfile) -> str:
    """A whole profile as text, for a property to hold."""
    return json.dumps(asdict(profile))


def profile_kept(text: str, name: str) -> PrinterProfile:
    """The profile that `kept` made a text of.

    Raises
    ------
    BadInput
        If it is of another version, with other values.
    """
    values: dict[str, Any] = json.loads(text)
    values["build_volume"] = tuple(values["build_volume"])
    values["excluded"] = tuple(tuple(corner) for corner in values["excluded"])
    try:
        return PrinterProfile(**values)
    except TypeError as error:
        raise BadInput(
            f"Printer profile '{name}' is of another version of Seamwright; remove it and add it "
            "anew."
        ) from error


def size_words(profile: PrinterProfile) -> str:
    """How large a printer is and what clearance it has, in few words."""
    x, y, z = profile.build_volume
    return f"{x:g} × {y:g} × {z:g} mm, clearance {profile.clearance:g} mm"


def profile_of(settings: bpy.types.PropertyGroup, typed: Any) -> PrinterProfile:
    """The printer profile that the scene's settings make.

    typed : gives the number that was typed into a float32 property.

    Raises
    ------
    BadInput
        If a value is out of range.
    """
    values: dict[str, Any] = json.loads(settings.printer_told or "{}")
    values |= {key: typed(getattr(settings, key)) for key in PRINTER_NUMBERS}
    values["build_volume"] = tuple(typed(x) for x in settings.build_volume)
    values["material"], values["shape"] = settings.material, settings.shape
    if settings.printer_name:
        values["name"] = settings.printer_name
    return printer(settings.profile, **values)


def _profile_chosen(self: bpy.types.PropertyGroup, _context: bpy.types.Context) -> None:
    self.printer_name = ""
    take_profile(self, BUILT_IN[self.profile])


def _profile_items() -> list[tuple[str, str, str]]:
    items = []
    for p in BUILT_IN.values():
        x, y, z = p.build_volume
        said = f"Build volume {x:g} × {y:g} × {z:g} mm, clearance {p.clearance:g} mm"
        items.append((p.name, p.name, said))
    return items


def _material_items() -> list[tuple[str, str, str]]:
    return [
        (
            name,
            name.capitalize() if name.islower() else name,
            f"Breaks at {m.along:g} MPa along its layers, at {m.across:g} MPa across them",
        )
        for name, m in MATERIALS.items()
    ]


class PrinterSettings:
    """The printer's values, for the scene's group to have."""

    profile: EnumProperty(
        name="Printer Profile",
        description="Sets all printer values below; change them as your printer needs",
        items=_profile_items(),
        default=DEFAULT.name,
        update=_profile_chosen,
    )
    printer_name: StringProperty(
        name="Name",
        description="Name of a changed printer profile in reports; empty for the profile's own",
    )
    build_volume: FloatVectorProperty(
        name="Build Volume (mm)",
        description="What the printer can reach along x, y and z, in mm",
        size=3,
        default=DEFAULT.build_volume,
        min=0.0,
        precision=1,
    )
    shape: EnumProperty(
        name="Platform",
        description="Shape of the build platform",
        items=[
            ("rectangle", "Rectangle", "As wide and as deep as the build volume"),
            ("round", "Round", "The build volume's x and y are both its diameter"),
        ],
        default=DEFAULT.shape,
    )
    margin: FloatProperty(
        name="Margin (mm)",
        description="Kept free at every side of the build volume and on top, in mm",
        default=DEFAULT.margin,
        min=0.0,
    )
    brim: FloatProperty(
        name="Brim (mm)",
        description="Kept free round each piece for its brim, in mm",
        default=DEFAULT.brim,
        min=0.0,
    )
    lift: FloatProperty(
        name="Lift (mm)",
        description="Height that a raft or supports take under a piece, in mm",
        default=DEFAULT.lift,
        min=0.0,
    )
    clearance: FloatProperty(
        name="Clearance (mm)",
        description="Gap per side between peg and socket, in mm",
        default=DEFAULT.clearance,
        min=0.0,
        precision=3,
        step=1,
    )
    seating_gap: FloatProperty(
        name="Seating Gap (mm)",
        description="Gap at a peg's end for glue and trapped dirt, in mm",
        default=DEFAULT.seating_gap,
        min=0.0,
        step=10,
    )
    wall: FloatProperty(
        name="Wall (mm)",
        description="Least solid left between a socket and the outer surface, in mm",
        default=DEFAULT.wall,
        min=1e-6,
        step=10,
    )
    draft: FloatProperty(
        name="Draft (°)",
        description="Taper of a peg's sides, in degrees",
        default=DEFAULT.draft,
        min=0.0,
        max=15.0,
    )
    lead_in: FloatProperty(
        name="Lead-In (mm)",
        description="Chamfer at a peg's end, in mm",
        default=DEFAULT.lead_in,
        min=0.0,
        step=10,
    )
    relief: FloatProperty(
        name="Relief (mm)",
        description="Chamfer round a socket's mouth, in mm, for what the first layers spread",
        default=DEFAULT.relief,
        min=0.0,
        step=10,
    )
    nozzle: FloatProperty(
        name="Nozzle (mm)",
        description="Width of the nozzle, or of a pixel of a resin printer, in mm",
        default=DEFAULT.nozzle,
        min=1e-6,
        precision=3,
        step=1,
    )
    layer_height: FloatProperty(
        name="Layer Height (mm)",
        description="Height of one layer, in mm",
        default=DEFAULT.layer_height,
        min=1e-6,
        precision=3,
        step=1,
    )
    density: FloatProperty(
        name="Density (g/cm³)",
        description="Density of the material, in g/cm³",
        default=DEFAULT.density,
        min=1e-6,
    )
    material: EnumProperty(
        name="Material",
        description="What is printed with, for the strength of joints",
        items=_material_items(),
        default=DEFAULT.material,
    )
    shell: FloatProperty(
        name="Shell (mm)",
        description="Thickness of the printed shell, in mm",
        default=DEFAULT.shell,
        min=1e-6,
        precision=2,
    )
    infill: FloatProperty(
        name="Infill (share)",
        description="Share of what the shell encloses that is printed; 1 is solid",
        default=DEFAULT.infill,
        min=0.0,
        max=1.0,
        precision=2,
        step=1,
    )
    glue: FloatProperty(
        name="Glue (MPa)",
        description="Shear stress at which the glue gives way, in MPa; 0 to count on no glue",
        default=DEFAULT.glue,
        min=0.0,
        precision=1,
    )
    safety: FloatProperty(
        name="Safety (times)",
        description="How many times what it carries a joint must be able to hold",
        default=DEFAULT.safety,
        min=1.0,
        precision=1,
    )
    printer_told: StringProperty(
        description="Values of the printer profile that a job gave and the panel does not show",
        options={"HIDDEN"},
    )
