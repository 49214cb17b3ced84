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

from seamwright.printer import BUILT_IN, MATERIALS, PrinterProfile

from . import scene

DEFAULT = PrinterProfile()

CREASE = 0.2
"""As `seamwright.seam.CREASE`, which would import numpy with it."""

PRINTER_NUMBERS = (
    "margin", "nozzle", "layer_height", "clearance", "seating_gap", "wall", "draft", "lead_in",
    "density", "shell", "infill", "glue", "safety",
)  # fmt: skip
"""The numbers of a printer profile; each is a property of the scene by the same name."""


def take_profile(settings: bpy.types.PropertyGroup, profile: PrinterProfile) -> None:
    """Put a profile's values into the scene's printer settings."""
    for key in PRINTER_NUMBERS:
        setattr(settings, key, getattr(profile, key))
    settings.build_volume = profile.build_volume
    settings.material = profile.material


def _profile_chosen(self: bpy.types.PropertyGroup, _context: bpy.types.Context) -> None:
    self.printer_name = ""
    take_profile(self, BUILT_IN[self.profile])


def _figure_chosen(self: bpy.types.PropertyGroup, _context: bpy.types.Context) -> None:
    self.found = self.seam_found = self.pieces_found = self.offer = ""


def _balls_changed(self: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    scene.size_balls(self.id_data, context.scene)


def _explode(self: bpy.types.PropertyGroup, _context: bpy.types.Context) -> None:
    scene.stand_apart(self.id_data)


def _profile_items() -> list[tuple[str, str, str]]:
    items = []
    for p in BUILT_IN.values():
        x, y, z = p.build_volume
        said = f"Build volume {x:g} × {y:g} × {z:g} mm, clearance {p.clearance:g} mm"
        items.append((p.name, p.name, said))
    return items


KEEP_CLEAR_KINDS = [
    ("vertex_group", "Vertex Group", "Faces painted in a vertex group"),
    ("mask", "Mask", "Faces under the sculpt mask"),
    ("face_set", "Face Set", "Faces of a face set"),
    ("property", "Attribute", "Faces marked in an attribute of points or faces"),
    ("ball", "Ball", "Skin inside a ball round a place"),
]
"""By the job file's own names."""


class SEAMWRIGHT_PG_stop(bpy.types.PropertyGroup):
    """One of the seams that a seam stops at; a pointer, so that renaming does not lose it."""

    seam: PointerProperty(
        name="Seam",
        description="The seam that this one stops at",
        type=bpy.types.Object,
    )


class SEAMWRIGHT_PG_keep_clear(bpy.types.PropertyGroup):
    """One thing that belongs to a figure's keep-clear area."""

    kind: EnumProperty(
        name="Keep Clear",
        description="What no seam may cross; all of the list together is the keep-clear area",
        items=KEEP_CLEAR_KINDS,
        default="vertex_group",
    )
    source: StringProperty(
        name="Source", description="Name of the vertex group or of the attribute on the figure"
    )
    number: IntProperty(name="Face Set", description="Number of the face set on the figure")
    above: FloatProperty(
        name="Above",
        description="A face belongs if the values at all its corners are above this; painted "
        "values go from 0 to 1 (no unit)",
        default=0.5,
        soft_min=0.0,
        soft_max=1.0,
        precision=3,
        step=1,
    )
    ball: PointerProperty(
        name="Ball",
        description="The Empty at the middle of the ball; move it like any object",
        type=bpy.types.Object,
    )
    radius: FloatProperty(
        name="Radius (mm)",
        description="Radius of the ball whose skin is kept clear, in mm at true size",
        default=50.0,
        min=1e-3,
        soft_min=0.1,
        soft_max=1000.0,
        update=_balls_changed,
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
        update=_balls_changed,
    )
    scale: FloatProperty(
        name="Scale Factor",
        description="How many times the object's size; 12 means twelve times (no unit)",
        default=1.0,
        min=1e-6,
        soft_max=100.0,
        precision=4,
        update=_balls_changed,
    )
    target_height: FloatProperty(
        name="Target Height (mm)",
        description="Height of the printed figure from its lowest to its highest point, in mm",
        default=1800.0,
        min=1e-6,
        soft_max=10000.0,
        update=_balls_changed,
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
    keep_clear: CollectionProperty(
        name="Keep-Clear Area",
        description="What makes up the surface that no seam may cross, such as a face",
        type=SEAMWRIGHT_PG_keep_clear,
    )
    natural_seams: BoolProperty(
        name="Marked Seams",
        description="Edges marked as seams are natural lines, where a seam is best hidden",
    )
    natural_creases: BoolProperty(
        name="Creased Edges",
        description="Edges with a crease are natural lines, where a seam is best hidden",
    )
    natural_face_sets: BoolProperty(
        name="Face Set Borders",
        description="Borders between face sets are natural lines, where a seam is best hidden",
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
            (
                "nearest",
                "Nearest Regions",
                "The region nearest the seam's own origin, or nearest each point of its reach",
            ),
            (
                "disc",
                "Inside a Disc",
                "The regions inside a disc round the seam's own origin, or round a point",
            ),
            ("outline", "Inside an Outline", "The regions inside a closed curve"),
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
    outline: PointerProperty(
        name="Outline",
        description="A closed curve round the regions that the seam takes, seen along its arrow",
        type=bpy.types.Object,
        poll=lambda _self, obj: obj.type == "CURVE" and not obj.seamwright.is_seam,
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
    crease: FloatProperty(
        name="Crease Weight",
        description="What a mm along the deepest crease counts against 1 over flat skin: less "
        "draws the line into creases, 1 keeps it to the shortest way (no unit)",
        default=CREASE,
        min=1e-3,
        max=1.0,
        precision=3,
        step=1,
    )
    pad: PointerProperty(
        name="Pad",
        description="The Empty that says where the flat pad for the pegs goes; its arrow is the "
        "way they slide",
        type=bpy.types.Object,
    )
    pad_at: BoolProperty(
        name="Place",
        description="The pad goes where its Empty is; else where it has most room",
    )
    pad_way: BoolProperty(
        name="Direction",
        description="The pegs slide along the Empty's arrow; else the way freest of undercuts",
    )
    pad_radius: FloatProperty(
        name="Radius (mm)",
        description="Radius of a round pad, in mm at true size; 0 for the largest that does",
        default=0.0,
        min=0.0,
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
    """The figure in work, the printer, and what was last found: of the figure, of a seam, of
    the pieces, and the regions offered where a figure hangs together."""

    figure: PointerProperty(
        name="Figure",
        description="The sculpt to take apart; it is never changed",
        type=bpy.types.Object,
        poll=lambda _self, obj: scene.can_be_figure(obj),
        update=_figure_chosen,
    )
    found: StringProperty(options={"HIDDEN"})
    seam_found: StringProperty(options={"HIDDEN"})
    pieces_found: StringProperty(options={"HIDDEN"})
    offer: StringProperty(options={"HIDDEN"})

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
    material: EnumProperty(
        name="Material",
        description="What is printed with, for the strength of joints",
        items=[
            (name, name, f"Breaks at {m.along:g} MPa along its layers, {m.across:g} across them")
            for name, m in MATERIALS.items()
        ],
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


CLASSES = (
    SEAMWRIGHT_PG_stop,
    SEAMWRIGHT_PG_keep_clear,
    SEAMWRIGHT_PG_object,
    SEAMWRIGHT_PG_scene,
    SEAMWRIGHT_PG_collection,
)

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
