"""What the user decides, kept in the .blend: on the figure, the seams, the pieces, the scene.

Blender's float properties are float32. What was typed is recovered in `conversion.typed`.
No `from __future__ import annotations` here: Blender reads these annotations.
"""

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from seamwright.printer import BUILT_IN, PrinterProfile

from . import scene

DEFAULT = PrinterProfile()

PRINTER_NUMBERS = (
    "margin", "nozzle", "layer_height", "clearance", "seating_gap", "wall", "draft", "lead_in",
    "density",
)  # fmt: skip
"""The numbers of a printer profile; each is a property of the scene by the same name."""


def take_profile(settings: bpy.types.PropertyGroup, profile: PrinterProfile) -> None:
    """Put a profile's values into the scene's printer settings."""
    for key in PRINTER_NUMBERS:
        setattr(settings, key, getattr(profile, key))
    settings.build_volume = profile.build_volume


def _profile_chosen(self: bpy.types.PropertyGroup, _context: bpy.types.Context) -> None:
    self.printer_name = ""
    take_profile(self, BUILT_IN[self.profile])


def _figure_chosen(self: bpy.types.PropertyGroup, _context: bpy.types.Context) -> None:
    self.found = ""


def _explode(self: bpy.types.PropertyGroup, _context: bpy.types.Context) -> None:
    scene.stand_apart(self.id_data)


def _profile_items() -> list[tuple[str, str, str]]:
    items = []
    for p in BUILT_IN.values():
        x, y, z = p.build_volume
        said = f"Build volume {x:g} × {y:g} × {z:g} mm, clearance {p.clearance:g} mm"
        items.append((p.name, p.name, said))
    return items


class SEAMWRIGHT_PG_stop(bpy.types.PropertyGroup):
    """One of the seams that a seam stops at; a pointer, so that renaming does not lose it."""

    seam: PointerProperty(
        name="Seam",
        description="The seam that this one stops at",
        type=bpy.types.Object,
    )


class SEAMWRIGHT_PG_object(bpy.types.PropertyGroup):
    """What an object is to Seamwright: a figure with its size, a seam, or a piece."""

    # A figure.
    size: EnumProperty(
        name="Size",
        description="How the figure gets its true size",
        items=[
            ("SOURCE", "As It Is", "The size the object has in the scene"),
            ("SCALE", "Scale Factor", "A multiple of the size the object has in the scene"),
            ("HEIGHT", "Target Height", "A height in mm from the lowest to the highest point"),
        ],
        default="SOURCE",
    )
    scale: FloatProperty(
        name="Scale Factor",
        description="How many times the object's size; 12 means twelve times (no unit)",
        default=1.0,
        min=1e-6,
        soft_max=100.0,
        precision=4,
    )
    target_height: FloatProperty(
        name="Target Height (mm)",
        description="Height of the printed figure from its lowest to its highest point, in mm",
        default=1800.0,
        min=1e-6,
        soft_max=10000.0,
    )
    mend: BoolProperty(
        name="Mend",
        description="Mend the mesh before anything else; the object itself stays as it is",
        default=True,
    )
    job_name: StringProperty(
        name="Name",
        description="Name of the figure in files and reports; empty for the object's own name",
    )
    output: StringProperty(
        name="Batch Folder",
        description="Folder the batch writes to, relative to the job file; empty for one named "
        "after the job",
    )
    # A seam.
    is_seam: BoolProperty(options={"HIDDEN"})
    figure: PointerProperty(
        name="Figure",
        description="The figure that this seam or piece belongs to",
        type=bpy.types.Object,
    )
    number: IntProperty(
        name="Number",
        description="Order of a seam, or number of a piece counting from the ground up",
    )
    reach: EnumProperty(
        name="Reach",
        description="Which regions of the section the seam takes",
        items=[
            ("all", "All Regions", "Everything that the seam's plane crosses"),
            ("nearest", "Nearest Region", "Only the region nearest the seam's own origin"),
            ("disc", "Inside a Disc", "The regions inside a disc round the seam's own origin"),
            ("regions", "By Number", "The regions with the numbers you give, largest first"),
        ],
        default="all",
    )
    radius: FloatProperty(
        name="Radius (mm)",
        description="Radius of the disc whose regions the seam takes, in mm at true size",
        default=50.0,
        min=0.1,
    )
    regions: StringProperty(
        name="Regions",
        description="Numbers of the regions to part, such as 1, 3; region 1 is the largest",
        default="1",
    )
    joint: EnumProperty(
        name="Joint",
        description="What holds the two sides of this seam together",
        items=[
            ("auto", "Keyed Pegs", "Pegs and sockets where they fit, flat where they do not"),
            ("plain", "Flat, Glued", "No pegs: two flat seam faces"),
        ],
        default="auto",
    )
    stops_at: CollectionProperty(
        name="Stops At",
        description="The seams at which this one ends, so that it parts one side of them only",
        type=SEAMWRIGHT_PG_stop,
    )
    told: StringProperty(
        description="Exact place of a seam as a job file gave it, for as long as it is not moved",
        options={"HIDDEN"},
    )
    # A piece.
    is_piece: BoolProperty(options={"HIDDEN"})
    rest: FloatVectorProperty(
        description="Location of a piece when nothing is exploded, in Blender units",
        size=3,
        options={"HIDDEN"},
    )


class SEAMWRIGHT_PG_scene(bpy.types.PropertyGroup):
    """The figure in work, the printer, and what was last found."""

    figure: PointerProperty(
        name="Figure",
        description="The sculpt to take apart; it is never changed",
        type=bpy.types.Object,
        poll=lambda _self, obj: scene.can_be_figure(obj),
        update=_figure_chosen,
    )
    found: StringProperty(options={"HIDDEN"})

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
    margin: FloatProperty(
        name="Margin (mm)",
        description="Kept free at every side and on top for skirt and brim, in mm",
        default=DEFAULT.margin,
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


class SEAMWRIGHT_PG_collection(bpy.types.PropertyGroup):
    """What a collection holds for a figure: its seams or its pieces."""

    holds: EnumProperty(
        items=[
            ("NOTHING", "Nothing", "Not a collection of Seamwright's"),
            ("SEAMS", "Seams", "The seams of a figure"),
            ("PIECES", "Pieces", "The pieces of a figure"),
        ],
        options={"HIDDEN"},
    )
    figure: PointerProperty(
        name="Figure",
        description="The figure these seams or pieces belong to",
        type=bpy.types.Object,
    )
    explode: FloatProperty(
        name="Explode",
        description="How far the pieces stand apart, as a share of each one's distance from the "
        "middle (no unit): 0 is at rest, 1 is twice as far out. Takes moved pieces back with it",
        default=0.0,
        min=0.0,
        soft_max=2.0,
        update=_explode,
    )


CLASSES = (SEAMWRIGHT_PG_stop, SEAMWRIGHT_PG_object, SEAMWRIGHT_PG_scene, SEAMWRIGHT_PG_collection)

_HOMES = (
    (bpy.types.Object, SEAMWRIGHT_PG_object),
    (bpy.types.Scene, SEAMWRIGHT_PG_scene),
    (bpy.types.Collection, SEAMWRIGHT_PG_collection),
)


def attach() -> None:
    """Give objects, scenes and collections their `seamwright` group."""
    for home, group in _HOMES:
        home.seamwright = PointerProperty(type=group)


def detach() -> None:
    """Take the `seamwright` groups away."""
    for home, _group in _HOMES:
        del home.seamwright
