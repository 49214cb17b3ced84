"""The panel's parts on seams: the list, and what belongs to the active one."""

import bpy

from . import next_step, redraw
from . import scene as ours
from .lists import has_pieces, note_seams
from .step import Step, says, told


def active_flat(context):
    """The figure's active seam if it is flat; None if it is not, or none is."""
    figure, active = ours.chosen_figure(context), redraw.active_seam(context)
    if figure is None or active is None or ours.is_line(active):
        return None
    return active if active.seamwright.figure == figure else None


class SEAMWRIGHT_PT_seams(Step, bpy.types.Panel):
    bl_label = "Seams"
    bl_order = 4

    def draw(self, context):
        layout = self.start()
        figure = ours.chosen_figure(context)
        states = note_seams(context, figure) if figure else None
        says(layout, context, next_step.seams_line(states, has_pieces(context, figure)))
        layout.operator("seamwright.draw_seam", icon="GREASEPENCIL")
        row = layout.row(align=True)
        row.operator("seamwright.add_seam", text="Add at Cursor", icon="ADD").at = "CURSOR"
        row.operator("seamwright.add_seam", text="Add in Middle").at = "MIDDLE"
        layout.operator_menu_enum(
            "seamwright.add_line_seam", "source", text="Add Line Seam", icon="CURVE_DATA"
        )
        if figure is None:
            return
        settings = context.scene.seamwright
        layout.prop(settings, "show_sections")
        seams = redraw.seams_of(figure, context.scene)
        if seams:
            layout.template_list(
                "SEAMWRIGHT_UL_seams", "", context.scene, "objects", settings, "seam_index", rows=6
            )
        active = redraw.active_seam(context)
        if active in seams:
            if ours.is_line(active):
                self.draw_line(layout.box(), context, active)
            layout.operator("seamwright.seam_quality", icon="VIEWZOOM")
        if any(not ours.is_line(seam) for seam in seams):
            row = layout.row(align=True)
            if active in seams and not ours.is_line(active):
                row.operator("seamwright.nudge", icon="SNAP_ON").which = "ACTIVE"
            row.operator("seamwright.nudge", text="Nudge All").which = "ALL"
        if settings.seam_found:
            told(layout, context, settings.seam_found)

    def draw_line(self, layout, context, seam):
        group = seam.seamwright
        layout.operator("seamwright.move_points", icon="EDITMODE_HLT")
        layout.prop(group, "crease")
        if group.joint != "plain":
            column = layout.column(heading="Pad")
            if ours.is_there(group.pad, context.scene):
                column.prop(group, "pad_at")
                column.prop(group, "pad_way")
            else:
                column.operator("seamwright.add_pad", icon="EMPTY_SINGLE_ARROW")
            layout.prop(group, "pad_radius")
        layout.operator("seamwright.list_regions", text="What It Takes Off", icon="LINENUMBERS_ON")


class SEAMWRIGHT_PT_reach(Step, bpy.types.Panel):
    bl_label = "Reach"
    bl_parent_id = "SEAMWRIGHT_PT_seams"
    bl_order = 0
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context):
        return active_flat(context) is not None

    def draw(self, context):
        layout = self.start()
        group = active_flat(context).seamwright
        layout.prop(group, "reach")
        if group.reach == "regions":
            layout.prop(group, "regions")
        elif group.reach == "outline":
            layout.prop(group, "outline")
        elif group.reach == "disc":
            layout.prop(group, "radius")
        if group.reach in ("nearest", "disc"):
            row = layout.row(align=True)
            row.operator("seamwright.reach_at_cursor", icon="PIVOT_CURSOR").also = False
            if group.reach == "nearest":
                row.operator("seamwright.reach_at_cursor", text="Add Point").also = True
        layout.operator("seamwright.list_regions", icon="LINENUMBERS_ON")


class SEAMWRIGHT_PT_stops(Step, bpy.types.Panel):
    bl_label = "Stops At"
    bl_parent_id = "SEAMWRIGHT_PT_seams"
    bl_order = 1
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context):
        active = active_flat(context)
        return (
            active is not None and len(redraw.seams_of(active.seamwright.figure, context.scene)) > 1
        )

    def draw(self, context):
        layout = self.start()
        settings = context.scene.seamwright
        layout.template_list(
            "SEAMWRIGHT_UL_stops", "", context.scene, "objects", settings, "stop_index", rows=4
        )


CLASSES = (SEAMWRIGHT_PT_seams, SEAMWRIGHT_PT_reach, SEAMWRIGHT_PT_stops)
