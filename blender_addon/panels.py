"""The side panel's first and last parts: figure, printer, files."""

import bpy

from . import scene as ours
from .step import Panel, Step, lines, told


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
            told(layout, context, settings.found)


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
        row = layout.row(align=True)
        row.menu("SEAMWRIGHT_MT_profiles", icon="PRESET")
        row.operator("seamwright.keep_profile", text="Keep", icon="ADD")
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


class SEAMWRIGHT_PT_files(Step, bpy.types.Panel):
    bl_label = "Files"
    bl_order = 8

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
    SEAMWRIGHT_PT_files,
)
