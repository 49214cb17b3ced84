"""The side panel's first and last parts: figure, printer, files."""

from pathlib import Path

import bpy

from . import next_step, redraw
from . import scene as ours
from .lists import piece_states
from .step import Panel, Step, lines, says, told

BOOK = "book.html"
"""As `seamwright.results` writes it."""


def state(context):
    """What there is, and what to do next: two plain sentences."""
    figure = ours.chosen_figure(context)
    if figure is None:
        return "No figure is chosen.", "Next: select the sculpt, then Use Selected."
    seams = len(redraw.seams_of(figure, context.scene))
    pieces = len(redraw.pieces_of(figure, context.scene))
    found = f"{figure.name}: {ours.counted(seams, 'seam')}, {ours.counted(pieces, 'piece')}."
    if not seams:
        return found, "Next: add a seam where the figure comes apart."
    if not pieces:
        return found, "Next: place the seams, then Make Pieces."
    return found, "Next: look at the pieces, then Write Files."


class SEAMWRIGHT_PT_main(Panel, bpy.types.Panel):
    bl_label = "Seamwright"

    def draw(self, context):
        redraw.begin()
        for sentence in state(context):
            lines(self.layout, context, sentence)


class SEAMWRIGHT_PT_figure(Step, bpy.types.Panel):
    bl_label = "Figure"
    bl_order = 1

    def draw(self, context):
        layout = self.start()
        settings = context.scene.seamwright
        figure = ours.chosen_figure(context)
        height = ours.shown_height(figure, context.scene) if figure else None
        says(layout, context, next_step.figure_line(height, bool(settings.found)))
        layout.prop(settings, "figure")
        layout.operator("seamwright.use_selected", icon="EYEDROPPER")
        if figure is None:
            return
        group = figure.seamwright
        layout.prop(group, "job_name", placeholder=figure.name)
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
        layout.prop(settings, "printer_name", placeholder=settings.profile)
        layout.column().prop(settings, "build_volume")
        layout.prop(settings, "shape")


class _PrinterPart(Step):
    """Some of the printer's numbers."""

    bl_parent_id = "SEAMWRIGHT_PT_printer"
    bl_options = {"DEFAULT_CLOSED"}

    def draw_numbers(self, context, *keys):
        column = self.start().column(align=True)
        for key in keys:
            column.prop(context.scene.seamwright, key)


class SEAMWRIGHT_PT_printer_room(_PrinterPart, bpy.types.Panel):
    bl_label = "Kept Free"
    bl_order = 0

    def draw(self, context):
        self.draw_numbers(context, "margin", "brim", "lift")


class SEAMWRIGHT_PT_printer_joints(_PrinterPart, bpy.types.Panel):
    bl_label = "Clearance and Walls"
    bl_order = 1

    def draw(self, context):
        self.draw_numbers(context, "clearance", "seating_gap", "wall", "draft", "lead_in", "relief")


class SEAMWRIGHT_PT_printer_material(_PrinterPart, bpy.types.Panel):
    bl_label = "Layers, Material and Strength"
    bl_order = 2

    def draw(self, context):
        self.draw_numbers(context, "nozzle", "layer_height", "material", "density")
        self.draw_numbers(context, "shell", "infill", "glue", "safety")


def files_line(context, figure, is_there):
    """What the last step says first; `is_there` is whether its result folder is."""
    if figure is None:
        return next_step.Line(next_step.NO_FIGURE)
    group = figure.seamwright
    is_new = is_there and redraw.builds_mark(figure, context.scene) == group.written_mark
    misfits = piece_states(context, figure)[1]
    return next_step.files_line(misfits, Path(group.written).name, is_there, is_new)


class SEAMWRIGHT_PT_files(Step, bpy.types.Panel):
    bl_label = "Files and Assembly Book"
    bl_order = 8

    def draw(self, context):
        layout = self.start()
        figure = ours.chosen_figure(context)
        written = figure.seamwright.written if figure else ""
        is_there = bool(written) and redraw.is_there(Path(written))
        says(layout, context, files_line(context, figure, is_there))
        layout.operator("seamwright.write_files", icon="EXPORT")
        if is_there:
            self.draw_written(layout, Path(written))
        row = layout.row(align=True)
        row.operator("seamwright.save_job", icon="FILE_TICK")
        row.operator("seamwright.load_job", icon="FILE_FOLDER")
        if figure is not None:
            layout.prop(figure.seamwright, "output", placeholder="named after the job")

    def draw_written(self, layout, folder):
        row, book = layout.row(align=True), folder / BOOK
        if redraw.is_there(book):
            row.operator("wm.path_open", text="Open Book", icon="DOCUMENTS").filepath = str(book)
        row.operator("wm.path_open", text="Open Folder", icon="FILE_FOLDER").filepath = str(folder)


CLASSES = (
    SEAMWRIGHT_PT_main,
    SEAMWRIGHT_PT_figure,
    SEAMWRIGHT_PT_markings,
    SEAMWRIGHT_PT_printer,
    SEAMWRIGHT_PT_printer_room,
    SEAMWRIGHT_PT_printer_joints,
    SEAMWRIGHT_PT_printer_material,
    SEAMWRIGHT_PT_files,
)
