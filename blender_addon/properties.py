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

from . import build_properties, scene
from .build_properties import BuildSettings, FoundBuilds
from .joint_properties import FoundSettings, JointSettings, SEAMWRIGHT_PG_found_joint
from .printer_properties import PrinterSettings

CREASE = 0.2
"""As `seamwright.seam.CREASE`, which would import numpy with it."""


def _figure_chosen(self: bpy.types.PropertyGroup, _context: bpy.types.Context) -> None:
    self.found = self.seam_found = self.pieces_found = self.offer = self.place_of = ""
    scene.clear_joints(self)
    scene.clear_builds(self)
    self.pieces_mark = ""


def _balls_changed(self: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    scene.size_balls(self.id_data, context.scene)


def _explode(self: bpy.types.PropertyGroup, _context: bpy.types.Context) -> None:
    scene.stand_apart(self.id_data)


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
        override={"LIBRARY_OVERRIDABLE"},
    )
    source: StringProperty(
        name="Source",
        description="Name of the vertex group or of the attribute on the figure",
        override={"LIBRARY_OVERRIDABLE"},
    )
    number: IntProperty(
        name="Face Set",
        description="Number of the face set on the figure",
        override={"LIBRARY_OVERRIDABLE"},
    )
    above: FloatProperty(
        name="Above",
        description="A face belongs if the values at all its corners are above this; painted "
        "values go from 0 to 1 (no unit)",
        default=0.5,
        soft_min=0.0,
        soft_max=1.0,
        precision=3,
        step=1,
        override={"LIBRARY_OVERRIDABLE"},
    )
    ball: PointerProperty(
        name="Ball",
        description="The Empty at the middle of the ball; move it like any object",
        type=bpy.types.Object,
        override={"LIBRARY_OVERRIDABLE"},
    )
    radius: FloatProperty(
        name="Radius (mm)",
        description="Radius of the ball whose skin is kept clear, in mm at true size",
        default=50.0,
        min=1e-3,
        soft_min=0.1,
        soft_max=1000.0,
        update=_balls_changed,
        override={"LIBRARY_OVERRIDABLE"},
    )


class SEAMWRIGHT_PG_object(JointSettings, BuildSettings, bpy.types.PropertyGroup):
    """What an object is to Seamwright: a figure with its size, a seam, a joint, a rod, a piece."""

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
        override={"LIBRARY_OVERRIDABLE"},
    )
    scale: FloatProperty(
        name="Scale Factor",
        description="How many times the object's size; 12 means twelve times (no unit)",
        default=1.0,
        min=1e-6,
        soft_max=100.0,
        precision=4,
        update=_balls_changed,
        override={"LIBRARY_OVERRIDABLE"},
    )
    target_height: FloatProperty(
        name="Target Height (mm)",
        description="Height of the printed figure from its lowest to its highest point, in mm",
        default=1800.0,
        min=1e-6,
        soft_max=10000.0,
        update=_balls_changed,
        override={"LIBRARY_OVERRIDABLE"},
    )
    mend: BoolProperty(
        name="Mend",
        description="Mend the mesh before anything else; the object itself stays as it is",
        default=True,
        override={"LIBRARY_OVERRIDABLE"},
    )
    job_name: StringProperty(
        name="Name",
        description="Name of the figure in files and reports; empty for the object's own name",
        override={"LIBRARY_OVERRIDABLE"},
    )
    output: StringProperty(
        name="Batch Folder",
        description="Folder the batch writes to, relative to the job file; empty for one named "
        "after the job",
        override={"LIBRARY_OVERRIDABLE"},
    )
    written_mark: StringProperty(
        description="What tells all that the written files depend on from any other",
        options={"HIDDEN"},
        override={"LIBRARY_OVERRIDABLE"},
    )
    builds_told: StringProperty(
        description="What a job said of builds, which the panel does not show",
        options={"HIDDEN"},
        override={"LIBRARY_OVERRIDABLE"},
    )
    keep_clear: CollectionProperty(
        name="Keep-Clear Area",
        description="What makes up the surface that no seam may cross, such as a face",
        type=SEAMWRIGHT_PG_keep_clear,
        override={"LIBRARY_OVERRIDABLE", "USE_INSERTION"},
    )
    natural_seams: BoolProperty(
        name="Marked Seams",
        description="Edges marked as seams are natural lines, where a seam is best hidden",
        override={"LIBRARY_OVERRIDABLE"},
    )
    natural_creases: BoolProperty(
        name="Creased Edges",
        description="Edges with a crease are natural lines, where a seam is best hidden",
        override={"LIBRARY_OVERRIDABLE"},
    )
    natural_face_sets: BoolProperty(
        name="Face Set Borders",
        description="Borders between face sets are natural lines, where a seam is best hidden",
        override={"LIBRARY_OVERRIDABLE"},
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
    matched: IntProperty(
        description="Place among the seams whose pieces print with layers alike; 0 if it is none",
        options={"HIDDEN"},
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
    misfit: StringProperty(
        name="Misfit",
        description="Why this piece does not fit the printer, empty if it fits",
    )
    rest: FloatVectorProperty(
        description="Location of a piece when nothing is exploded, in Blender units",
        size=3,
        options={"HIDDEN"},
    )
    extent: FloatVectorProperty(
        description="Size of a piece's box, in Blender units",
        size=3,
        options={"HIDDEN"},
    )


class SEAMWRIGHT_PG_scene(PrinterSettings, FoundSettings, FoundBuilds, bpy.types.PropertyGroup):
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
    joints: CollectionProperty(
        name="Joints",
        description="The joints as they were last sized",
        type=SEAMWRIGHT_PG_found_joint,
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
    *build_properties.CLASSES,
    SEAMWRIGHT_PG_found_joint,
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
        home.seamwright = PointerProperty(type=group, override={"LIBRARY_OVERRIDABLE"})


def detach() -> None:
    """Take the `seamwright` groups away."""
    for home, _group in _HOMES:
        del home.seamwright
