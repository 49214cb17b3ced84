"""Sizing joints, deciding for single ones, and rods: what the panel's buttons do."""

import bpy
from bpy.props import EnumProperty, FloatProperty, StringProperty

from seamwright.errors import BadInput, Cancelled, SeamwrightError

from . import scene as ours
from .work import LongWork, Work, late, leave_edit_mode, select


class SEAMWRIGHT_OT_size_joints(LongWork, bpy.types.Operator):
    """Size and judge all joints as the seams are now, without making pieces"""

    bl_idname = "seamwright.size_joints"
    bl_label = "Size Joints"

    def steps(self, context):
        figure = ours.figure_of(context)
        settings = context.scene.seamwright
        ours.choose(context, figure)
        try:
            said = yield from late("joints").sizing(context, figure)
        except Cancelled:
            raise
        except SeamwrightError as error:
            base = late("joints").sized_of(figure)
            ours.clear_joints(settings)
            settings.joints_found = late("joint_handles").why_not(context, figure, base, error)
            raise
        settings.joints_found = said
        return said


class SEAMWRIGHT_OT_override_joint(Work, bpy.types.Operator):
    """Decide for this joint alone: at an Empty in its middle, which is deleted like any object"""

    bl_idname = "seamwright.override_joint"
    bl_label = "Override Joint"

    letter: StringProperty(name="Letter", description="Letter of the joint")

    def work(self, context):
        figure = ours.figure_of(context)
        leave_edit_mode(context)
        name = late("joints").overridden(context, figure, self.letter)
        empty = context.scene.objects[name]
        context.view_layer.update()
        if ours.is_listed(empty, context):
            select(context, empty)
        return f"'{name}' decides for joint {self.letter}."


class SEAMWRIGHT_OT_add_direction(Work, bpy.types.Operator):
    """Say along which direction the pegs run: along the arrow of an Empty to turn"""

    bl_idname = "seamwright.add_direction"
    bl_label = "Give Direction"

    def work(self, context):
        obj = active_jointed(context)
        leave_edit_mode(context)
        empty = late("quality").direction_added(context, obj)
        return f"The pegs of '{obj.name}' run along the arrow of '{empty.name}'."


class SEAMWRIGHT_OT_forget_places(Work, bpy.types.Operator):
    """Let the pegs go where they have room, not to the places that they were given"""

    bl_idname = "seamwright.forget_places"
    bl_label = "Forget Places"

    def work(self, context):
        obj = active_jointed(context)
        late("choices").forget_places(obj)
        return f"The pegs of '{obj.name}' go where they have room."


class SEAMWRIGHT_OT_select_ours(Work, bpy.types.Operator):
    """Select this object, to move it or to change what it does"""

    bl_idname = "seamwright.select_ours"
    bl_label = "Select Object"

    name: StringProperty(name="Name", description="Name of the object")

    def work(self, context):
        obj = context.scene.objects.get(self.name)
        if obj is None or obj.seamwright.figure is None:
            raise BadInput(f"There is no rod or joint '{self.name}' in the scene.")
        if context.mode != "OBJECT":
            raise BadInput("Objects are selected in Object Mode; switch to it.")
        if not ours.is_listed(obj, context):
            raise BadInput(f"'{obj.name}' is in no collection of this view layer; show it.")
        select(context, obj)
        return f"'{obj.name}' selected."


class SEAMWRIGHT_OT_add_rod(Work, bpy.types.Operator):
    """Add a straight rod to be bought, with a channel for it through the pieces; \
move its ends in Edit Mode"""

    bl_idname = "seamwright.add_rod"
    bl_label = "Add Rod"

    along: EnumProperty(
        name="From",
        description="Where the rod runs",
        items=[
            ("SEAM", "Along Seam's Arrow", "Square through the middle of the active seam"),
            (
                "CURSOR",
                "Cursor to Selected",
                "From the 3D cursor to the selected vertices in Edit Mode, or to the origin of "
                "the active object",
            ),
        ],
        default="SEAM",
    )
    length: FloatProperty(
        name="Length (mm)",
        description="Length of a rod along a seam's arrow, half of it on each side, in mm at true "
        "size",
        default=60.0,
        min=1.0,
        soft_max=500.0,
    )
    diameter: FloatProperty(
        name="Diameter (mm)",
        description="Diameter of the bought rod, in mm",
        default=6.0,
        min=0.1,
        soft_max=30.0,
        precision=2,
        step=50,
    )

    def draw(self, _context):
        self.layout.use_property_split = True
        self.layout.prop(self, "along")
        if self.along == "SEAM":
            self.layout.prop(self, "length")
        self.layout.prop(self, "diameter")

    def work(self, context):
        figure = ours.figure_of(context)
        rods = late("rod_places")
        if self.along == "SEAM":
            seam = ours.active_seam(context)
            if seam is None:
                raise BadInput("The active object is no seam of a figure; select a seam.")
            rod, mm = rods.along_seam(context, seam, self.length, self.diameter)
        else:
            rod, mm = rods.to_selected(context, figure, self.diameter)
        leave_edit_mode(context)
        obj = late("rods").add_rod(context, figure, rod, mm)
        ours.choose(context, figure)
        context.view_layer.update()
        if context.mode == "OBJECT" and ours.is_listed(obj, context):
            select(context, obj)
        return f"'{obj.name}' added, {rod.length:.1f} mm long."


def active_jointed(context):
    """The active seam or single joint; raises BadInput if there is none."""
    obj = ours.active_jointed(context)
    if obj is None:
        raise BadInput("The active object is no seam and no joint of a figure; select one.")
    return obj


CLASSES = (
    SEAMWRIGHT_OT_size_joints,
    SEAMWRIGHT_OT_override_joint,
    SEAMWRIGHT_OT_add_direction,
    SEAMWRIGHT_OT_forget_places,
    SEAMWRIGHT_OT_select_ours,
    SEAMWRIGHT_OT_add_rod,
)
