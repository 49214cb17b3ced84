"""The panel's parts on pieces and builds."""

import bpy

from . import decisions
from . import scene as ours
from .lists import note_pieces
from .step import Step, lines, out_of_date, told


class SEAMWRIGHT_PT_pieces(Step, bpy.types.Panel):
    bl_label = "Pieces"
    bl_order = 6

    def draw(self, context):
        layout = self.start()
        layout.operator("seamwright.make_pieces", icon="MOD_EXPLODE")
        settings = context.scene.seamwright
        if settings.pieces_found:
            told(layout, context, settings.pieces_found)
        if settings.offer:
            layout.operator("seamwright.take_offer", icon="ADD")
        figure = ours.chosen_figure(context)
        collection = figure and ours.collection_of(figure, context.scene, "PIECES")
        if collection is None:
            return
        if "old" in note_pieces(context, figure).values():
            out_of_date(layout, "make the pieces again")
        layout.template_list(
            "SEAMWRIGHT_UL_pieces", "", context.scene, "objects", settings, "piece_index", rows=5
        )
        layout.prop(collection.seamwright, "explode", slider=True)
        hidden = ours.is_listed(figure, context) and figure.hide_get()
        word, icon = ("Show Figure", "HIDE_OFF") if hidden else ("Hide Figure", "HIDE_ON")
        layout.operator("seamwright.show_figure", text=word, icon=icon)


class SEAMWRIGHT_PT_builds(Step, bpy.types.Panel):
    bl_label = "Builds"
    bl_order = 7
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.start()
        figure = ours.chosen_figure(context)
        if figure is None:
            layout.label(text="Choose a figure first.")
            return
        group, settings = figure.seamwright, context.scene.seamwright
        column = layout.column(align=True)
        for key in ("gap", "printer_count", "tipping"):
            column.prop(group, key)
        layout.operator("seamwright.keep_apart", icon="GROUP")
        for index, item in enumerate(group.groups):
            row = layout.row(align=True)
            row.prop(item, "name", text="")
            row.prop(item, "pieces", text="")
            row.operator("seamwright.remove_group", text="", icon="X").index = index
        layout.operator("seamwright.plan_builds", icon="MESH_GRID")
        if not settings.builds:
            return
        if settings.builds_mark != decisions.builds_mark(figure, context.scene):
            out_of_date(layout, "plan the builds again")
        layout.template_list(
            "SEAMWRIGHT_UL_builds", "", settings, "builds", settings, "build_index", rows=4
        )
        if 0 <= settings.build_index < len(settings.builds):
            lines(layout.box(), context, settings.builds[settings.build_index].said)
        told(layout, context, settings.builds_found)


CLASSES = (SEAMWRIGHT_PT_pieces, SEAMWRIGHT_PT_builds)
