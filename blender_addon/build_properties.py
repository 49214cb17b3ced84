"""What the user decides about builds, and what is found of them.

No `from __future__ import annotations` here: Blender reads these annotations.
"""

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    StringProperty,
)

from . import picking

GAP = 5.0
TIPPING = 10.0
"""As `seamwright.build_choice` has them, which would import numpy with it."""


class SEAMWRIGHT_PG_group(bpy.types.PropertyGroup):
    """Pieces that are kept apart from all others on builds. Its name is the group's."""

    pieces: StringProperty(
        name="Pieces",
        description="Numbers of the pieces that share no build with others, such as 3, 4",
        override={"LIBRARY_OVERRIDABLE"},
    )


class SEAMWRIGHT_PG_other_printer(bpy.types.PropertyGroup):
    """Another printer that pieces may go to. Its name is its profile's."""

    values: StringProperty(options={"HIDDEN"}, override={"LIBRARY_OVERRIDABLE"})
    count: IntProperty(
        name="Printers",
        description="How many of this other printer print at once",
        default=1,
        min=1,
        soft_max=20,
        override={"LIBRARY_OVERRIDABLE"},
    )


class SEAMWRIGHT_PG_found_build(bpy.types.PropertyGroup):
    """One build as it was planned."""

    number: IntProperty(options={"HIDDEN"})
    printer: StringProperty(options={"HIDDEN"})
    time: StringProperty(options={"HIDDEN"})
    material: StringProperty(options={"HIDDEN"})
    said: StringProperty(options={"HIDDEN"})


class BuildSettings:
    """How a figure's pieces go on builds, and a piece's place among them."""

    gap: FloatProperty(
        name="Gap (mm)",
        description="Kept free between pieces on a build, or between their brims, in mm",
        default=GAP,
        min=0.0,
        soft_max=30.0,
        step=50,
        override={"LIBRARY_OVERRIDABLE"},
    )
    printer_count: IntProperty(
        name="Printers",
        description="How many printers of this kind print at once",
        default=1,
        min=1,
        soft_max=20,
        override={"LIBRARY_OVERRIDABLE"},
    )
    tipping: FloatProperty(
        name="Tipping (°)",
        description="How far the standing figure should tip without falling, in degrees",
        default=TIPPING,
        min=0.1,
        max=45.0,
        step=100,
        override={"LIBRARY_OVERRIDABLE"},
    )
    groups: CollectionProperty(
        name="Kept Apart",
        description="Pieces that share no build with others, such as those of a colour",
        type=SEAMWRIGHT_PG_group,
        override={"LIBRARY_OVERRIDABLE", "USE_INSERTION"},
    )
    other_printers: CollectionProperty(
        name="Other Printers",
        description="Printers besides the figure's own that pieces may go to",
        type=SEAMWRIGHT_PG_other_printer,
        override={"LIBRARY_OVERRIDABLE", "USE_INSERTION"},
    )
    written: StringProperty(options={"HIDDEN"}, override={"LIBRARY_OVERRIDABLE"})
    # A piece.
    volume: FloatProperty(description="Of a piece, cm³", options={"HIDDEN"})
    build: IntProperty(description="Build that the piece lies on", options={"HIDDEN"})
    printed: BoolProperty(
        name="Printed",
        description="Tick the piece off as printed: it is left out when builds are planned, for "
        "as long as it stays the same solid",
    )


def _build_chosen(self: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    picking.pick_build(self, context)


class FoundBuilds:
    """What was found of pieces and builds, for the scene's group to have."""

    builds: CollectionProperty(
        name="Builds", description="The builds as planned", type=SEAMWRIGHT_PG_found_build
    )
    build_index: IntProperty(
        name="Build", description="The build whose pieces are selected", default=-1,
        update=_build_chosen,
    )  # fmt: skip
    builds_found: StringProperty(options={"HIDDEN"})
    builds_mark: StringProperty(options={"HIDDEN"})
    pieces_mark: StringProperty(options={"HIDDEN"})
    seam_index: IntProperty(
        name="Seam",
        description="The seam that is selected",
        get=picking.seam_index,
        set=picking.pick_seam,
    )
    stop_index: IntProperty(
        name="Stops At",
        description="Click a seam to stop at it, or to run on through it",
        get=lambda _self: -1,
        set=picking.pick_none,
    )
    piece_index: IntProperty(
        name="Piece",
        description="The piece that is selected and looked at",
        get=picking.piece_index,
        set=picking.pick_piece,
    )
    place: FloatVectorProperty(
        description="The place that was last asked for, in Blender units",
        size=3,
        options={"HIDDEN"},
    )
    place_of: StringProperty(options={"HIDDEN"})


CLASSES = (SEAMWRIGHT_PG_group, SEAMWRIGHT_PG_other_printer, SEAMWRIGHT_PG_found_build)
