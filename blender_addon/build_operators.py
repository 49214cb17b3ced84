"""Planning builds, keeping pieces apart, and looking at places: what the panel's buttons do."""

import bpy
from bpy.props import IntProperty, StringProperty
from mathutils import Vector

from seamwright.errors import BadInput

from . import overlay, picking
from . import scene as ours
from .work import LongWork, Work, failure_told, late, leave_edit_mode


class SEAMWRIGHT_OT_plan_builds(LongWork, bpy.types.Operator):
    """Choose how each piece lies and put those that are not ticked off on builds, without \
writing files"""

    bl_idname = "seamwright.plan_builds"
    bl_label = "Plan Builds"

    def steps(self, context):
        figure = ours.figure_of(context)
        pieces = late("pieces")
        with failure_told(context, figure):
            result, plan = yield from pieces.planning(context, figure)
        leave_edit_mode(context)
        ours.choose(context, figure)
        pieces.show_anew(context, figure, result)
        late("joints").take_result(context, figure, result)
        late("builds").take_plan(context, figure, plan)
        return plan.packing.sentence


class SEAMWRIGHT_OT_keep_apart(Work, bpy.types.Operator):
    """Let the selected pieces share no build with others, such as those of one colour"""

    bl_idname = "seamwright.keep_apart"
    bl_label = "Keep Apart"

    name: StringProperty(
        name="Name",
        description="Name of the group; pieces are added to one that there is",
        default="colour",
    )

    def invoke(self, context, _event):
        return context.window_manager.invoke_props_dialog(self)

    def draw(self, _context):
        self.layout.use_property_split = True
        self.layout.prop(self, "name")

    def work(self, context):
        figure = ours.figure_of(context)
        pieces = ours.pieces_of(figure, context.scene)
        chosen = set(context.view_layer.objects.selected)
        numbers = [piece.seamwright.number for piece in pieces if piece in chosen]
        if not numbers:
            raise BadInput("No piece of the figure is selected; select those to keep apart.")
        name = self.name.strip()
        if not name:
            raise BadInput("The group has no name; give it one, such as its colour.")
        late("builds").keep_apart(figure, name, numbers)
        return f"{ours.counted(len(numbers), 'piece')} kept apart as '{name}'."


class SEAMWRIGHT_OT_remove_group(Work, bpy.types.Operator):
    """Let these pieces share builds with others again"""

    bl_idname = "seamwright.remove_group"
    bl_label = "Remove Group"

    index: IntProperty(name="Index", description="Which group, counting from 0")

    def work(self, context):
        groups = ours.figure_of(context).seamwright.groups
        if not 0 <= self.index < len(groups):
            raise BadInput(f"There is no group {self.index}; there are {len(groups)}.")
        name = groups[self.index].name
        groups.remove(self.index)
        return f"The pieces of '{name}' share builds with others."


class SEAMWRIGHT_OT_show_place(Work, bpy.types.Operator):
    """Bring the place that this sentence names before you, marked by a cross, and select the \
seam that it names"""

    bl_idname = "seamwright.show_place"
    bl_label = "Show Place"

    sentence: StringProperty(name="Sentence", description="What was said", options={"HIDDEN"})

    def work(self, context):
        figure, settings = ours.figure_of(context), context.scene.seamwright
        places = overlay.places_in(self.sentence, figure, context.scene)
        if not places:
            raise BadInput("Nothing that was said names a place; make the pieces to see.")
        settings.place, settings.place_of = places[0], self.sentence
        for seam in ours.seams_of(figure, context.scene):
            if f"'{seam.name}'" in self.sentence:
                picking.select(context, seam)
                break
        picking.look_at(context, figure, Vector(places[0]), 0.0)
        overlay.redraw(context)
        mm = ours.shown_mm(figure, context.scene)
        x, y, z = (round(float(v) * mm, 1) + 0.0 for v in places[0])
        return f"({x:.1f}, {y:.1f}, {z:.1f}) mm is in the middle of the view."


CLASSES = (
    SEAMWRIGHT_OT_plan_builds,
    SEAMWRIGHT_OT_keep_apart,
    SEAMWRIGHT_OT_remove_group,
    SEAMWRIGHT_OT_show_place,
)
