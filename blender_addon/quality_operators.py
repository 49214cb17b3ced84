"""Judging and nudging seams before anything is parted."""

import bpy
from bpy.props import EnumProperty, FloatProperty

from . import scene as ours
from .seam_operators import active_seam
from .work import Work, late, leave_edit_mode


class SEAMWRIGHT_OT_list_regions(Work, bpy.types.Operator):
    """Say which regions the active seam's section has, with their numbers, and what parting \
each takes off; of a line seam, what it takes off"""

    bl_idname = "seamwright.list_regions"
    bl_label = "List Regions"

    def work(self, context):
        seam = active_seam(context)
        said = late("quality").regions_of(context, seam)
        context.scene.seamwright.seam_found = said
        return said


class SEAMWRIGHT_OT_seam_quality(Work, bpy.types.Operator):
    """Say how well the active seam is hidden and how sound it is, before anything is parted"""

    bl_idname = "seamwright.seam_quality"
    bl_label = "Seam Quality"

    def work(self, context):
        said = late("quality").quality_of(context, active_seam(context))
        context.scene.seamwright.seam_found = said
        return said


class SEAMWRIGHT_OT_nudge(Work, bpy.types.Operator):
    """Move and tilt flat seams to the best places nearby, never to worse ones"""

    bl_idname = "seamwright.nudge"
    bl_label = "Nudge Seam"

    which: EnumProperty(
        name="Nudge",
        description="Which seams to nudge",
        items=[
            ("ACTIVE", "Active Seam", "Only the active seam"),
            ("ALL", "All Flat Seams", "One after another, each among the others"),
        ],
        default="ACTIVE",
        options={"SKIP_SAVE"},
    )
    shift: FloatProperty(
        name="Shift (mm)",
        description="Most that a seam may move along its normal, in mm at true size; a fiftieth "
        "of the figure's largest extent unless given",
        default=0.0,
        min=0.0,
        soft_max=100.0,
        options={"SKIP_SAVE"},
    )
    tilt: FloatProperty(
        name="Tilt (°)",
        description="Most that a seam may tilt, in degrees",
        default=10.0,
        min=0.0,
        max=45.0,
        options={"SKIP_SAVE"},
    )

    def work(self, context):
        shift = self.shift if self.properties.is_property_set("shift") else None
        only = active_seam(context) if self.which == "ACTIVE" else None
        figure = only.seamwright.figure if only else ours.figure_of(context)
        leave_edit_mode(context)
        said, used = late("quality").nudge(context, figure, only, shift, self.tilt)
        # So that the panel for redoing shows what was used.
        self.shift = used
        context.scene.seamwright.seam_found = "\n".join(line for lines in said for line in lines)
        return " ".join(lines[0] for lines in said)


CLASSES = (SEAMWRIGHT_OT_list_regions, SEAMWRIGHT_OT_seam_quality, SEAMWRIGHT_OT_nudge)
