"""The panel's parts on pieces and builds."""

import bpy

from . import next_step, redraw
from . import scene as ours
from .lists import note_pieces, piece_states
from .step import Step, lines, says, told


class SEAMWRIGHT_PT_pieces(Step, bpy.types.Panel):
    bl_label = "Pieces"
    bl_order = 6

    def draw(self, context):
        layout = self.start()
        figure = ours.chosen_figure(context)
        states = note_pieces(context, figure) if figure else {}
        seams = len(redraw.seams_of(figure, context.scene)) if figure else 0
        says(layout, context, next_step.pieces_line(seams, list(states.values())))
        layout.operator("seamwright.make_pieces", icon="MOD_EXPLODE")
        settings = context.scene.seamwright
        if figure and settings.pieces_found:
            told(layout, context, settings.pieces_found)
        if figure and settings.offer:
            layout.operator("seamwright.take_offer", icon="ADD")
        if "misfit" in states.values():
            layout.operator("seamwright.add_offered_seams", icon="ADD")
        collection = figure and ours.collection_of(figure, context.scene, "PIECES")
        if collection is None or not states:
            return
        layout.template_list(
            "SEAMWRIGHT_UL_pieces", "", context.scene, "objects", settings, "piece_index", rows=5
        )
        active = context.view_layer.objects.active
        if active is not None and active.name in states and active.seamwright.misfit:
            told(layout, context, active.seamwright.misfit)
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
            layout.label(text=next_step.NO_FIGURE)
            return
        settings = context.scene.seamwright
        count = len(settings.builds)
        is_new = bool(count) and redraw.builds_mark(figure, context.scene) == settings.builds_mark
        pieces, misfits, printed = piece_states(context, figure)
        says(layout, context, next_step.builds_line(pieces, misfits, printed, count, is_new))
        layout.operator("seamwright.plan_builds", icon="MESH_GRID")
        if not count:
            return
        layout.template_list(
            "SEAMWRIGHT_UL_builds", "", settings, "builds", settings, "build_index", rows=4
        )
        if 0 <= settings.build_index < count:
            lines(layout.box(), context, settings.builds[settings.build_index].said)
        told(layout, context, settings.builds_found)


class SEAMWRIGHT_PT_build_choice(Step, bpy.types.Panel):
    bl_label = "Gaps, Printers and Groups"
    bl_parent_id = "SEAMWRIGHT_PT_builds"
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context):
        return ours.chosen_figure(context) is not None

    def draw(self, context):
        layout = self.start()
        group = ours.chosen_figure(context).seamwright
        column = layout.column(align=True)
        for key in ("gap", "printer_count", "tipping"):
            column.prop(group, key)
        layout.menu("SEAMWRIGHT_MT_other_printers", icon="ADD")
        for index, item in enumerate(group.other_printers):
            row = layout.row(align=True)
            row.label(text=item.name)
            row.prop(item, "count", text="")
            remove = row.operator("seamwright.remove_other_printer", text="", icon="X")
            remove.index = index
        layout.operator("seamwright.keep_apart", icon="GROUP")
        for index, item in enumerate(group.groups):
            row = layout.row(align=True)
            row.prop(item, "name", text="")
            row.prop(item, "pieces", text="")
            row.operator("seamwright.remove_group", text="", icon="X").index = index


CLASSES = (SEAMWRIGHT_PT_pieces, SEAMWRIGHT_PT_builds, SEAMWRIGHT_PT_build_choice)
