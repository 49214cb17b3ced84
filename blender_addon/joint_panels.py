"""The panel's parts on joints, rods, assembly and the gauge."""

import bpy

from . import next_step, redraw
from . import scene as ours
from .joint_properties import COUNTED, DIRECTED, SHOWN
from .lists import has_pieces
from .step import Step, lines, out_of_date, says, told


class SEAMWRIGHT_PT_joint(Step, bpy.types.Panel):
    bl_label = "Joint of Seam"
    bl_parent_id = "SEAMWRIGHT_PT_seams"
    bl_order = 2

    @classmethod
    def poll(cls, context):
        return ours.active_jointed(context) is not None or ours.active_seam(context) is not None

    def draw(self, context):
        layout = self.start()
        obj = ours.active_jointed(context) or ours.active_seam(context)
        group = obj.seamwright
        if group.is_joint:
            layout.prop(obj, "name", text="Joint")
            lines(layout, context, f"Left open, it is as seam '{group.seam.name}' says.")
        if group.is_joint:
            of_seam = group.seam.seamwright
            kind = group.bl_rna.properties["joint"].enum_items[of_seam.joint].name
            self.draw_switched(layout, group, "joint", "Kind", f"As Seam: {kind}")
        else:
            layout.prop(group, "joint", text="Kind")
        shown = SHOWN[group.joint]
        column = layout.column(align=True)
        for key in ("footprint", "magnet", "pegs_on"):
            if key in shown:
                column.prop(group, key)
        column = layout.column(align=True)
        for key in COUNTED:
            if key in shown:
                self.draw_switched(column, group, key, left_open=automatic(obj, key))
        for key in ("clearance", "turn"):
            if key in shown:
                self.draw_switched(column, group, key)
        if group.joint in DIRECTED:
            self.draw_direction(layout, context, group)
        if group.is_joint:
            words = "As Seam: Marks" if of_seam.marks else "As Seam: No Marks"
            self.draw_switched(layout, group, "marks", left_open=words)
        else:
            layout.prop(group, "marks")
        self.draw_places(layout, obj)

    def draw_switched(self, layout, group, key, name="", left_open=""):
        """A value with a tick of its own; `left_open` is said in its place while it has none."""
        row = layout.row(align=True, heading=name or group.bl_rna.properties[key].name)
        row.prop(group, f"own_{key}", text="")
        value = row.row(align=True)
        value.active = getattr(group, f"own_{key}")
        if left_open and not value.active:
            value.label(text=left_open)
        else:
            value.prop(group, key, text="Engraved" if key == "marks" else "")

    def draw_direction(self, layout, context, group):
        if ours.is_there(group.direction, context.scene):
            row = layout.row(align=True, heading="Direction")
            select = row.operator(
                "seamwright.select_ours", text=group.direction.name, icon="EMPTY_SINGLE_ARROW"
            )
            select.name = group.direction.name
        else:
            layout.operator("seamwright.add_direction", icon="EMPTY_SINGLE_ARROW")

    def draw_places(self, layout, obj):
        choices = ours.loaded("choices")
        many = choices.places_of(obj) if choices and obj.seamwright.joint_told else 0
        if many:
            row = layout.row(align=True, heading="Places")
            text = f"Forget {ours.counted(many, 'Place')}"
            row.operator("seamwright.forget_places", text=text, icon="X")


def automatic(obj, key):
    """What is said of a number that is left open, with what was chosen for it if that is known."""
    joints = ours.loaded("joints")
    found = joints.sizes_of(obj, key) if joints is not None else ()
    places = 0 if key == "count" else 1
    values = list(dict.fromkeys(f"{value:.{places}f}" for value in found))
    said = "As Seam" if obj.seamwright.is_joint else "Automatic"
    return f"{said}: {', '.join(values)}" if values else said


def joints_line(context, figure):
    """What the step on joints says first."""
    if figure is None:
        return next_step.Line(next_step.NO_FIGURE)
    settings = context.scene.seamwright
    states = [joint.state for joint in settings.joints]
    is_new = bool(states) and settings.joints_mark == redraw.mark_of(figure, context.scene)
    seams = len(redraw.seams_of(figure, context.scene))
    return next_step.joints_line(seams, states, is_new, has_pieces(context, figure))


class SEAMWRIGHT_PT_joints(Step, bpy.types.Panel):
    bl_label = "Joints"
    bl_order = 5

    def draw(self, context):
        layout = self.start()
        settings, figure = context.scene.seamwright, ours.chosen_figure(context)
        says(layout, context, joints_line(context, figure))
        row = layout.row(align=True)
        row.operator("seamwright.size_joints", icon="DRIVER_DISTANCE")
        row.prop(settings, "show_joints", text="", icon="HIDE_OFF", toggle=True)
        if figure is None:
            return
        if settings.joints:
            layout.template_list(
                "SEAMWRIGHT_UL_joints", "", settings, "joints", settings, "joint_index", rows=4
            )
            if 0 <= settings.joint_index < len(settings.joints):
                self.draw_joint(layout.box(), context, settings.joints[settings.joint_index])
        if settings.joints_found:
            told(layout, context, settings.joints_found)
        self.draw_overrides(layout, context, figure)

    def draw_joint(self, layout, context, joint):
        lines(layout, context, f"Joint {joint.name}\n{joint.said}")
        if joint.remedies:
            layout.label(text="What would hold:", icon="ERROR")
            for remedy in joint.remedies.splitlines():
                lines(layout, context, f"• {remedy}")
        operator = layout.operator("seamwright.override_joint", icon="EMPTY_AXIS")
        operator.letter = joint.name

    def draw_overrides(self, layout, context, figure):
        overrides = ours.joints_of(figure, context.scene)
        if not overrides:
            return
        layout.label(text="Decided for themselves:")
        column = layout.column(align=True)
        for obj in overrides:
            column.operator(
                "seamwright.select_ours", text=obj.name, icon="EMPTY_AXIS"
            ).name = obj.name


class SEAMWRIGHT_PT_rods(Step, bpy.types.Panel):
    bl_label = "Rods"
    bl_parent_id = "SEAMWRIGHT_PT_seams"
    bl_order = 3
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.start()
        layout.operator_menu_enum("seamwright.add_rod", "along", text="Add Rod", icon="ADD")
        figure = ours.chosen_figure(context)
        if figure is None:
            return
        active = context.view_layer.objects.active
        rods = ours.rods_of(figure, context.scene)
        for rod in rods:
            row = layout.row(align=True)
            picked = "RADIOBUT_ON" if rod == active else "RADIOBUT_OFF"
            row.operator("seamwright.select_ours", text="", icon=picked).name = rod.name
            row.prop(rod, "name", text="")
            row.prop(rod, "hide_viewport", text="")
        if active in rods:
            box = layout.box()
            group = active.seamwright
            box.prop(group, "diameter")
            row = box.row(align=True, heading="Clearance (mm)")
            row.prop(group, "own_clearance", text="")
            value = row.row(align=True)
            value.active = group.own_clearance
            value.prop(group, "clearance", text="")


class SEAMWRIGHT_PT_assembly(Step, bpy.types.Panel):
    bl_label = "Assembly and Strength"
    bl_parent_id = "SEAMWRIGHT_PT_pieces"
    bl_order = 1
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context):
        settings = context.scene.seamwright
        return bool(settings.assembly or settings.fights)

    def draw(self, context):
        layout = self.start()
        settings = context.scene.seamwright
        figure = ours.chosen_figure(context)
        if figure is None:
            return
        if settings.joints_mark != redraw.mark_of(figure, context.scene):
            out_of_date(layout, "make the pieces again")
        for fight in settings.fights.splitlines():
            self.draw_warning(layout, context, fight)
        if settings.strength:
            text = settings.strength
            weak = [joint for joint in settings.joints if joint.state == "weak"]
            lines(layout.box(), context, f"Strength: {text}.")
            for joint in weak:
                better = joint.remedies.replace("\n", "; ") or "move the seam"
                self.draw_warning(
                    layout, context, f"Joint {joint.name} is weak. What would hold: {better}."
                )
        for number, step in enumerate(settings.assembly.splitlines(), start=1):
            row = layout.row()
            index = row.column()
            index.alignment = "RIGHT"
            index.ui_units_x = 1.2
            index.label(text=f"{number}.")
            lines(row, context, step, less=1)
        if settings.freer:
            lines(layout.box(), context, settings.freer)

    def draw_warning(self, layout, context, sentence):
        row = layout.box().row()
        row.label(text="", icon="ERROR")
        lines(row, context, sentence, less=3)


class SEAMWRIGHT_PT_gauge(Step, bpy.types.Panel):
    bl_label = "Gauge"
    bl_parent_id = "SEAMWRIGHT_PT_printer"
    bl_order = 3
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.start()
        row = layout.row(align=True)
        row.operator("seamwright.make_gauge", icon="EXPORT")
        row.operator("seamwright.it_fitted", icon="CHECKMARK")
        found = context.scene.seamwright.gauge_found
        if found:
            lines(layout.box(), context, found)


CLASSES = (
    SEAMWRIGHT_PT_joint,
    SEAMWRIGHT_PT_rods,
    SEAMWRIGHT_PT_gauge,
    SEAMWRIGHT_PT_joints,
    SEAMWRIGHT_PT_assembly,
)
