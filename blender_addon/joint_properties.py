"""What the user decides about joints and rods, and what is found of the joints.

No `from __future__ import annotations` here: Blender reads these annotations.
"""

from collections.abc import Callable

import bpy
from bpy.props import (
    BoolProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from seamwright.printer import LOOSEST

from . import picking, scene

AUTOMATIC = "auto"

KINDS = [
    (AUTOMATIC, "Automatic", "Keyed pegs where they fit, flat where they do not", 0),
    ("pegs", "Pegs", "Pegs on one side and sockets in the other", 2),
    (
        "loose pegs",
        "Loose Pegs",
        "Pegs that are printed on their own, with sockets on both sides",
        3,
    ),
    ("magnets", "Magnets", "Pockets on both sides for bought disc magnets", 4),
    ("plain", "Flat, Glued", "No pegs: two flat seam faces", 1),
]
"""By the job file's own names. The numbers are what a .blend keeps: they never change."""

FOOTPRINTS = [
    (AUTOMATIC, "Automatic", "As size and room ask for", 0),
    ("square", "Square", "Square pegs with one corner cut off", 1),
    ("rectangle", "Rectangle", "Oblong pegs for narrow faces", 2),
    ("D", "D-Shaped", "Round pegs with a flat", 3),
    ("hexagon", "Hexagon", "Pegs of six sides, keyed", 4),
    ("cross", "Cross", "Pegs of two crossing bars, keyed", 5),
    ("section", "Section", "Pegs that follow the outline of the seam face", 6),
]

MAGNETS = (
    "3x1", "3x2", "4x2", "5x2", "5x3", "6x2", "6x3", "8x2", "8x3", "10x2", "10x3", "10x5", "12x3",
    "12x5", "15x3", "15x5", "20x3", "20x5",
)  # fmt: skip
"""As `seamwright.choice.MAGNETS`, which would import numpy with it."""

MOST_PEGS = 6
"""As `seamwright.choice.MOST_PEGS`."""

SHOWN = {
    AUTOMATIC: ("footprint", "count", "width", "depth", "clearance", "pegs_on", "turn"),
    "pegs": ("footprint", "count", "width", "depth", "clearance", "pegs_on", "turn"),
    "loose pegs": ("footprint", "count", "width", "depth", "clearance", "turn"),
    "magnets": ("count", "magnet", "clearance", "turn"),
    "plain": (),
}
"""What the panel shows of a joint of each kind, beside its marks."""

DIRECTED = (AUTOMATIC, "pegs", "loose pegs")
"""Kinds whose pegs run along a direction."""

COUNTED = {"count": 1, "width": 8.0, "depth": 8.0}
"""Numbers that are 0 where they are left open, and what they start with if nothing better is
known."""

SAID = {"joint": "kind_said", "marks": "marks_said"}
"""What of a single joint may be as by default and yet go over its seam's, and what keeps that."""


def _magnet_items() -> list[tuple[str, str, str, int]]:
    items = [(AUTOMATIC, "Automatic", "The largest that leaves the wall", 0)]
    for number, name in enumerate(MAGNETS, start=1):
        across, thick = name.split("x")
        said = f"{across} mm across, {thick} mm thick"
        items.append((name, f"{across} × {thick} mm", said, number))
    return items


def _rod_changed(self: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    scene.size_rod(self.id_data, context.scene)


def _kind_chosen(self: bpy.types.PropertyGroup, _context: bpy.types.Context) -> None:
    # Whoever picks a kind for a single joint means it, be it the automatic one.
    self.kind_said = self.is_joint


def _is_own(key: str) -> Callable[[bpy.types.PropertyGroup], bool]:
    def get(self: bpy.types.PropertyGroup) -> bool:
        return bool(getattr(self, key) > 0)

    return get


def _make_own(key: str) -> Callable[[bpy.types.PropertyGroup, bool], None]:
    """Ticked, a number starts with what was chosen for it; unticked, it is left open again."""

    def put(self: bpy.types.PropertyGroup, is_own: bool) -> None:
        if is_own == (getattr(self, key) > 0):
            return
        joints = scene.loaded("joints")
        found = joints.sizes_of(self.id_data, key) if is_own and joints else ()
        value = max(found, default=COUNTED[key]) if is_own else 0
        setattr(self, key, type(COUNTED[key])(round(value, 2)))

    return put


def _says(key: str) -> Callable[[bpy.types.PropertyGroup], bool]:
    def get(self: bpy.types.PropertyGroup) -> bool:
        default = self.bl_rna.properties[key].default
        return getattr(self, key) != default or bool(getattr(self, SAID[key]))

    return get


def _say(key: str) -> Callable[[bpy.types.PropertyGroup, bool], None]:
    """Unticked, a single joint is as its seam again."""

    def put(self: bpy.types.PropertyGroup, says: bool) -> None:
        if not says:
            setattr(self, key, self.bl_rna.properties[key].default)
        setattr(self, SAID[key], says)

    return put


def _joint_chosen(self: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    picking.look_at_joint(self, context)


class JointSettings:
    """One joint as far as the user says: of a seam, or of one of its joints."""

    joint: EnumProperty(
        name="Joint",
        description="What holds the two sides of this seam together",
        items=KINDS,
        default=AUTOMATIC,
        update=_kind_chosen,
    )
    own_joint: BoolProperty(
        name="Own Kind",
        description="Give this joint a kind of its own, be it the automatic one, not its seam's",
        get=_says("joint"),
        set=_say("joint"),
    )
    kind_said: BoolProperty(options={"HIDDEN"})
    footprint: EnumProperty(
        name="Footprint",
        description="Shape of the pegs where they stand on the seam face",
        items=FOOTPRINTS,
        default=AUTOMATIC,
    )
    own_count: BoolProperty(
        name="Own Count",
        description="Say how many pegs or magnets, and do not leave it to the face",
        get=_is_own("count"),
        set=_make_own("count"),
    )
    count: IntProperty(
        name="Count",
        description="How many pegs or magnets; 0 for as many as the face wants",
        default=0,
        min=0,
        max=MOST_PEGS,
    )
    own_width: BoolProperty(
        name="Own Width",
        description="Say how wide the pegs are, and do not leave it to the room there is",
        get=_is_own("width"),
        set=_make_own("width"),
    )
    width: FloatProperty(
        name="Width (mm)",
        description="Across the widest peg, in mm; 0 for what the face has room for",
        default=0.0,
        min=0.0,
        soft_max=30.0,
        precision=2,
        step=50,
    )
    own_depth: BoolProperty(
        name="Own Depth",
        description="Say how deep the pegs go, and do not leave it to their width",
        get=_is_own("depth"),
        set=_make_own("depth"),
    )
    depth: FloatProperty(
        name="Depth (mm)",
        description="Depth of the pegs from the seam face, in mm, of a loose peg in each piece; "
        "0 for what its width wants",
        default=0.0,
        min=0.0,
        soft_max=60.0,
        precision=2,
        step=50,
    )
    own_clearance: BoolProperty(
        name="Own Clearance",
        description="Give a clearance of its own, not the printer's",
    )
    clearance: FloatProperty(
        name="Clearance (mm)",
        description="Gap per side, in mm, instead of the printer's",
        default=0.2,
        min=0.0,
        soft_max=LOOSEST,
        precision=3,
        step=1,
    )
    pegs_on: EnumProperty(
        name="Pegs On",
        description="The side whose piece carries the pegs",
        items=[
            (AUTOMATIC, "Automatic", "The side that can carry them and still prints", 0),
            ("A", "Side A", "The side that the seam's arrow points into", 1),
            ("B", "Side B", "The side that the seam's arrow comes from", 2),
        ],
        default=AUTOMATIC,
    )
    own_turn: BoolProperty(
        name="Own Turn", description="Turn the footprints as given, not along the face"
    )
    turn: FloatProperty(
        name="Turn (°)",
        description="Turn of the footprints about the seam's arrow, in degrees",
        default=0.0,
        soft_min=-180.0,
        soft_max=180.0,
        step=100,
    )
    magnet: EnumProperty(
        name="Magnet",
        description="Size of the bought disc magnets, across and thick",
        items=_magnet_items(),
        default=AUTOMATIC,
    )
    marks: BoolProperty(
        name="Marks",
        description="Engrave the joint's letter and the witness mark into both faces",
        default=True,
    )
    own_marks: BoolProperty(
        name="Own Marks",
        description="Say for this joint alone whether it gets marks, not as its seam does",
        get=_says("marks"),
        set=_say("marks"),
    )
    marks_said: BoolProperty(options={"HIDDEN"})
    direction: PointerProperty(
        name="Direction",
        description="The Empty whose arrow the pegs run along, either way",
        type=bpy.types.Object,
    )
    joint_told: StringProperty(
        description="The joint exactly as a job file gave it, with what the panel does not show, "
        "and the places that its pegs were dragged to",
        options={"HIDDEN"},
    )
    # A joint of a seam that has several, decided for itself.
    is_joint: BoolProperty(options={"HIDDEN"})
    seam: PointerProperty(
        name="Seam", description="The seam whose joint this is", type=bpy.types.Object
    )
    # A rod.
    is_rod: BoolProperty(options={"HIDDEN"})
    diameter: FloatProperty(
        name="Diameter (mm)",
        description="Diameter of the bought rod, in mm at true size",
        default=6.0,
        min=0.1,
        soft_max=30.0,
        precision=2,
        step=50,
        update=_rod_changed,
    )


class SEAMWRIGHT_PG_found_joint(bpy.types.PropertyGroup):
    """One joint as it was sized. Its name is its letter."""

    seam: StringProperty(description="Name of its seam's object", options={"HIDDEN"})
    kind: StringProperty(description="Kind and size in words", options={"HIDDEN"})
    state: StringProperty(description="Holds, weak, plain or not judged", options={"HIDDEN"})
    said: StringProperty(description="What is known of it, in sentences", options={"HIDDEN"})
    remedies: StringProperty(description="What would make it hold", options={"HIDDEN"})
    middle: FloatVectorProperty(
        description="Its middle, in Blender units", size=3, options={"HIDDEN"}
    )
    size: FloatProperty(
        description="Half the extent of its face, in Blender units", options={"HIDDEN"}
    )


class FoundSettings:
    """What was found of the joints, for the scene's group to have; see `joints`."""

    joint_index: IntProperty(
        name="Joint",
        description="The joint that is looked at",
        default=-1,
        update=_joint_chosen,
    )
    joints_mark: StringProperty(options={"HIDDEN"})
    joints_found: StringProperty(options={"HIDDEN"})
    gauge_found: StringProperty(options={"HIDDEN"})
    strength: StringProperty(options={"HIDDEN"})
    assembly: StringProperty(options={"HIDDEN"})
    fights: StringProperty(options={"HIDDEN"})
    freer: StringProperty(options={"HIDDEN"})
    show_joints: BoolProperty(
        name="Show Joints",
        description="Draw pegs, sockets, pockets and rods of the sized joints in the viewport",
        default=True,
    )
    show_sections: BoolProperty(
        name="Show Seams on Skin",
        description="Draw where the active seam crosses the figure, as it is moved",
        default=True,
    )
