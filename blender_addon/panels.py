"""The side panel, in the order of the work: figure, seams, pieces, files."""

import bpy

from . import scene as ours
from .step import Panel, Step, lines


def state(context):
    """What there is, and what to do next: two plain sentences."""
    figure = ours.chosen_figure(context)
    if figure is None:
        return "No figure is chosen.", "Next: select the sculpt, then Use Selected."
    seams = len(ours.seams_of(figure, context.scene))
    pieces = len(ours.pieces_of(figure, context.scene))
    found = f"{figure.name}: {ours.counted(seams, 'seam')}, {ours.counted(pieces, 'piece')}."
    if not seams:
        return found, "Next: add a seam where the figure comes apart."
    if not pieces:
        return found, "Next: place the seams, then Make Pieces."
    return found, "Next: look at the pieces, then Write Files."


class SEAMWRIGHT_PT_main(Panel, bpy.types.Panel):
    bl_label = "Seamwright"

    def draw(self, context):
        for sentence in state(context):
            lines(self.layout, context, sentence)


class SEAMWRIGHT_PT_figure(Step, bpy.types.Panel):
    bl_label = "Figure"
    bl_order = 1

    def draw(self, context):
        layout = self.start()
        settings = context.scene.seamwright
        layout.prop(settings, "figure")
        layout.operator("seamwright.use_selected", icon="EYEDROPPER")
        figure = ours.chosen_figure(context)
        if figure is None:
            return
        group = figure.seamwright
        layout.prop(group, "job_name")
        layout.prop(group, "size")
        if group.size == "SCALE":
            layout.prop(group, "scale")
        elif group.size == "HEIGHT":
            layout.prop(group, "target_height")
        layout.prop(group, "mend")
        layout.operator("seamwright.inspect", icon="VIEWZOOM")
        if settings.found:
            lines(layout.box(), context, settings.found)


class SEAMWRIGHT_PT_markings(Step, bpy.types.Panel):
    bl_label = "Keep-Clear Area and Natural Lines"
    bl_order = 2
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.start()
        figure = ours.chosen_figure(context)
        if figure is None:
            layout.label(text="Choose a figure first.")
            return
        group = figure.seamwright
        layout.operator_menu_enum(
            "seamwright.add_keep_clear", "kind", text="Keep Clear", icon="ADD"
        )
        for index, item in enumerate(group.keep_clear):
            self.draw_item(layout.box(), figure, item, index)
        column = layout.column(heading="Natural Lines")
        for key in ("natural_seams", "natural_creases", "natural_face_sets"):
            column.prop(group, key)

    def draw_item(self, layout, figure, item, index):
        row = layout.row(align=True)
        row.prop(item, "kind", text="")
        row.operator("seamwright.remove_keep_clear", text="", icon="X").index = index
        if item.kind == "vertex_group":
            layout.prop_search(item, "source", figure, "vertex_groups", text="Name")
        elif item.kind == "property" and figure.type == "MESH":
            layout.prop_search(item, "source", figure.data, "attributes", text="Name")
        elif item.kind == "face_set":
            row = layout.row(align=True)
            row.prop(item, "number")
            row.operator("seamwright.take_face_set", text="", icon="EYEDROPPER").index = index
        elif item.kind == "ball":
            row = layout.row(align=True)
            row.prop(item, "radius")
            row.operator("seamwright.ball_to_cursor", text="", icon="PIVOT_CURSOR").index = index
        if item.kind in ("vertex_group", "mask", "property"):
            layout.prop(item, "above")


class SEAMWRIGHT_PT_printer(Step, bpy.types.Panel):
    bl_label = "Printer"
    bl_order = 3
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.start()
        settings = context.scene.seamwright
        layout.prop(settings, "profile")
        layout.prop(settings, "printer_name")
        layout.column().prop(settings, "build_volume")
        layout.prop(settings, "shape")
        column = layout.column(align=True)
        for key in ("margin", "brim", "lift"):
            column.prop(settings, key)
        column = layout.column(align=True)
        for key in ("clearance", "seating_gap", "wall", "draft", "lead_in", "relief"):
            column.prop(settings, key)
        column = layout.column(align=True)
        for key in ("nozzle", "layer_height", "density"):
            column.prop(settings, key)
        column = layout.column(align=True)
        for key in ("material", "shell", "infill", "glue", "safety"):
            column.prop(settings, key)


class SEAMWRIGHT_PT_seams(Step, bpy.types.Panel):
    bl_label = "Seams"
    bl_order = 4

    def draw(self, context):
        layout = self.start()
        row = layout.row(align=True)
        row.operator("seamwright.add_seam", text="Add at Cursor", icon="ADD").at = "CURSOR"
        row.operator("seamwright.add_seam", text="Add in Middle").at = "MIDDLE"
        layout.operator_menu_enum(
            "seamwright.add_line_seam", "source", text="Add Line Seam", icon="CURVE_DATA"
        )
        figure = ours.chosen_figure(context)
        if figure is None:
            return
        layout.prop(context.scene.seamwright, "show_sections")
        active = ours.active_seam(context)
        seams = ours.seams_of(figure, context.scene)
        for seam in seams:
            row = layout.row(align=True)
            picked = "RADIOBUT_ON" if seam == active else "RADIOBUT_OFF"
            row.operator("seamwright.select_seam", text="", icon=picked).name = seam.name
            row.prop(seam, "name", text="")
            row.prop(seam, "hide_viewport", text="")
        if active in seams:
            box = layout.box()
            if ours.is_line(active):
                self.draw_line(box, context, active)
            else:
                self.draw_seam(box, active, [s for s in seams if s != active])
            box.operator("seamwright.seam_quality", icon="VIEWZOOM")
        if any(not ours.is_line(seam) for seam in seams):
            row = layout.row(align=True)
            if active in seams and not ours.is_line(active):
                row.operator("seamwright.nudge", icon="SNAP_ON").which = "ACTIVE"
            row.operator("seamwright.nudge", text="Nudge All").which = "ALL"
        found = context.scene.seamwright.seam_found
        if found:
            lines(layout.box(), context, found)

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

    def draw_seam(self, layout, seam, others):
        group = seam.seamwright
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
        if others:
            layout.label(text="Stops at:")
        stops = [stop.seam for stop in group.stops_at]
        column = layout.column(align=True)
        for other in others:
            icon = "CHECKBOX_HLT" if other in stops else "CHECKBOX_DEHLT"
            column.operator("seamwright.stop_at", text=other.name, icon=icon).name = other.name


class SEAMWRIGHT_PT_pieces(Step, bpy.types.Panel):
    bl_label = "Pieces"
    bl_order = 6

    def draw(self, context):
        layout = self.start()
        layout.operator("seamwright.make_pieces", icon="MOD_EXPLODE")
        settings = context.scene.seamwright
        if settings.pieces_found:
            lines(layout.box(), context, settings.pieces_found)
        if settings.offer:
            layout.operator("seamwright.take_offer", icon="ADD")
        figure = ours.chosen_figure(context)
        collection = figure and ours.collection_of(figure, context.scene, "PIECES")
        if collection is None:
            return
        layout.prop(collection.seamwright, "explode", slider=True)
        hidden = ours.is_listed(figure, context) and figure.hide_get()
        word, icon = ("Show Figure", "HIDE_OFF") if hidden else ("Hide Figure", "HIDE_ON")
        layout.operator("seamwright.show_figure", text=word, icon=icon)


class SEAMWRIGHT_PT_files(Step, bpy.types.Panel):
    bl_label = "Files"
    bl_order = 7

    def draw(self, context):
        layout = self.start()
        layout.operator("seamwright.write_files", icon="EXPORT")
        row = layout.row(align=True)
        row.operator("seamwright.save_job", icon="FILE_TICK")
        row.operator("seamwright.load_job", icon="FILE_FOLDER")
        figure = ours.chosen_figure(context)
        if figure is not None:
            layout.prop(figure.seamwright, "output")


CLASSES = (
    SEAMWRIGHT_PT_main,
    SEAMWRIGHT_PT_figure,
    SEAMWRIGHT_PT_markings,
    SEAMWRIGHT_PT_printer,
    SEAMWRIGHT_PT_seams,
    SEAMWRIGHT_PT_pieces,
    SEAMWRIGHT_PT_files,
)
