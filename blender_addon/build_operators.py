"""Planning builds, keeping pieces apart, and looking at places: what the panel's buttons do."""

import bpy
from bpy.props import BoolProperty, IntProperty, StringProperty
from mathutils import Vector

from seamwright.errors import BadInput
from seamwright.printer import BUILT_IN

from . import overlay, picking, preferences
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


class SEAMWRIGHT_OT_add_offered_seams(LongWork, bpy.types.Operator):
    """Add the parallel seams that would make pieces fit the printer, each through that piece \
alone"""

    bl_idname = "seamwright.add_offered_seams"
    bl_label = "Add Offered Seams"

    def steps(self, context):
        figure = ours.figure_of(context)
        with failure_told(context, figure):
            said = yield from late("cures").adding(context, figure)
        context.scene.seamwright.pieces_found = said
        return said


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


class _Removing(Work):
    """Removes a line of one of the figure's lists."""

    index: IntProperty(name="Index", description="Which line of the list, counting from 0")

    def removed(self, context, key, noun):
        """Remove it; returns its name."""
        held = getattr(ours.figure_of(context).seamwright, key)
        if not 0 <= self.index < len(held):
            raise BadInput(f"There is no {noun} {self.index}; there are {len(held)}.")
        name = held[self.index].name
        held.remove(self.index)
        return name


class SEAMWRIGHT_OT_remove_group(_Removing, bpy.types.Operator):
    """Let these pieces share builds with others again"""

    bl_idname = "seamwright.remove_group"
    bl_label = "Remove Group"

    def work(self, context):
        name = self.removed(context, "groups", "group")
        return f"The pieces of '{name}' share builds with others."


class SEAMWRIGHT_OT_add_other_printer(Work, bpy.types.Operator):
    """Let the figure's pieces go to this printer as well"""

    bl_idname = "seamwright.add_other_printer"
    bl_label = "Add Other Printer"

    name: StringProperty(name="Name", description="Name of a printer profile")
    own: BoolProperty(name="Own", description="It is one of the profiles of your own")
    count: IntProperty(
        name="Printers",
        description="How many of this other printer print at once",
        default=1,
        min=1,
    )

    def work(self, context):
        figure = ours.figure_of(context)
        if self.own:
            profile = preferences.own_profile(context, self.name)
        elif self.name in BUILT_IN:
            profile = BUILT_IN[self.name]
        else:
            raise BadInput(f"There is no printer profile '{self.name}'; choose another.")
        late("builds").add_printer(context, figure, profile, self.count)
        return f"Pieces may go to '{profile.name}' as well."


class SEAMWRIGHT_OT_remove_other_printer(_Removing, bpy.types.Operator):
    """Let no piece go to this printer"""

    bl_idname = "seamwright.remove_other_printer"
    bl_label = "Remove Other Printer"

    def work(self, context):
        return f"No piece goes to '{self.removed(context, 'other_printers', 'other printer')}'."


class SEAMWRIGHT_MT_other_printers(bpy.types.Menu):
    """The printer profiles that pieces may go to as well."""

    bl_idname = "SEAMWRIGHT_MT_other_printers"
    bl_label = "Add Other Printer"

    def draw(self, context):
        for own, names in ((False, BUILT_IN), (True, preferences.own_names(context))):
            for name in names:
                add = self.layout.operator("seamwright.add_other_printer", text=name)
                add.name, add.own = name, own


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
        mm = overlay.true_mm(figure, context.scene)
        x, y, z = (round(float(v) * mm, 1) + 0.0 for v in places[0])
        return f"({x:.1f}, {y:.1f}, {z:.1f}) mm is in the middle of the view."


CLASSES = (
    SEAMWRIGHT_OT_plan_builds,
    SEAMWRIGHT_OT_add_offered_seams,
    SEAMWRIGHT_OT_keep_apart,
    SEAMWRIGHT_OT_remove_group,
    SEAMWRIGHT_OT_add_other_printer,
    SEAMWRIGHT_OT_remove_other_printer,
    SEAMWRIGHT_MT_other_printers,
    SEAMWRIGHT_OT_show_place,
)
