"""Adding and placing seams: what the buttons of the panel's seam list do."""

import math

import bpy
from bpy.props import BoolProperty, EnumProperty, IntProperty, StringProperty
from mathutils import Matrix, Vector

from seamwright.errors import BadInput

from . import scene as ours
from .properties import CREASE
from .work import Work, late, leave_edit_mode, select

_AXES = {"X": 0, "Y": 1, "Z": 2}


class SEAMWRIGHT_OT_add_seam(Work, bpy.types.Operator):
    """Add a flat seam to the figure; move and turn it like any object, its arrow is on side A"""

    bl_idname = "seamwright.add_seam"
    bl_label = "Add Seam"

    axis: EnumProperty(
        name="Axis",
        description="Axis of the scene that the seam's plane is square to",
        items=[
            ("Z", "Z", "A level seam, side A above"),
            ("Y", "Y", "An upright seam, side A behind"),
            ("X", "X", "An upright seam, side A to the right"),
        ],
        default="Z",
    )
    at: EnumProperty(
        name="At",
        description="Where the seam's origin goes",
        items=[
            ("CURSOR", "3D Cursor", "Where the 3D cursor is"),
            ("MIDDLE", "Middle of Figure", "The middle of the figure's box"),
        ],
        default="CURSOR",
    )

    def work(self, context):
        figure = ours.figure_of(context)
        context.view_layer.update()
        low, high = ours.bounds(figure)
        place = (low + high) / 2 if self.at == "MIDDLE" else context.scene.cursor.location
        n = _AXES[self.axis]
        u, v = (n + 1) % 3, (n + 2) % 3
        size = high - low
        if not 0 < max(size[:]) < math.inf:
            raise BadInput(
                f"'{figure.name}' has no extent, so that no seam can be put on it; look at its "
                "scale and its vertices."
            )
        margin = 0.2 * max(size[:])
        columns = [Vector() for _ in range(3)]
        columns[0][u] = columns[1][v] = columns[2][n] = 1.0
        matrix = Matrix(columns).transposed().to_4x4()
        matrix.translation = place
        leave_edit_mode(context)
        sides = (size[u] + margin, size[v] + margin)
        seam = ours.add_seam(context, figure, "Seam", matrix, sides)
        ours.choose(context, figure)
        if context.mode == "OBJECT" and ours.is_listed(seam, context):
            select(context, seam)
        return f"'{seam.name}' added to '{figure.name}'."


class SEAMWRIGHT_OT_add_line_seam(Work, bpy.types.Operator):
    """Add a seam along a closed line on the skin, one for each line; \
side A is on its left as it runs, seen from outside"""

    bl_idname = "seamwright.add_line_seam"
    bl_label = "Add Line Seam"

    source: EnumProperty(
        name="From",
        description="Where the line comes from",
        items=[
            ("SELECTED", "Selected Edges", "Closed loops of edges selected in Edit Mode"),
            ("MARKED", "Marked Seams", "Closed loops of the figure's edges marked as seams"),
            ("CURSOR", "Ring at 3D Cursor", "A ring of points on the skin, to be moved as needed"),
            ("OBJECT", "Selected Curves", "Closed curves, or meshes of edges alone, on the skin"),
        ],
        default="SELECTED",
    )
    axis: EnumProperty(
        name="Axis",
        description="Axis of the scene that a ring at the 3D cursor is square to",
        items=[("Z", "Z", "A level ring"), ("Y", "Y", "Upright"), ("X", "X", "Upright")],
        default="Z",
    )
    points: IntProperty(
        name="Points",
        description="How many points a ring at the 3D cursor has",
        default=12,
        min=3,
        soft_max=100,
    )

    def draw(self, _context):
        self.layout.use_property_split = True
        self.layout.prop(self, "source")
        if self.source == "CURSOR":
            self.layout.prop(self, "axis")
            self.layout.prop(self, "points")

    def work(self, context):
        figure = ours.figure_of(context)
        lines, mm = late("line").lines_of(
            context, figure, self.source, _AXES[self.axis], self.points
        )
        leave_edit_mode(context)
        # Along chosen edges the shortest way from vertex to vertex is the edge itself.
        crease = 1.0 if self.source in ("SELECTED", "MARKED") else CREASE
        seams = late("seams").add_lines(context, figure, lines, crease, mm)
        ours.choose(context, figure)
        if context.mode == "OBJECT" and ours.is_listed(seams[0], context):
            select(context, seams[0])
        names = ", ".join(f"'{seam.name}'" for seam in seams)
        return f"{names} added to '{figure.name}'."


class SEAMWRIGHT_OT_select_seam(Work, bpy.types.Operator):
    """Select this seam, to move it or to change what it does"""

    bl_idname = "seamwright.select_seam"
    bl_label = "Select Seam"

    name: StringProperty(name="Name", description="Name of the seam's object")

    def work(self, context):
        seam = context.scene.objects.get(self.name)
        if seam is None or not seam.seamwright.is_seam:
            raise BadInput(f"There is no seam '{self.name}' in the scene.")
        if context.mode != "OBJECT":
            raise BadInput("Seams are selected in Object Mode; switch to it.")
        if not ours.is_listed(seam, context):
            raise BadInput(f"Seam '{seam.name}' is in no collection of this view layer; show it.")
        select(context, seam)
        return f"'{seam.name}' selected."


def active_seam(context):
    """The active seam; raises BadInput if there is none, or if its figure is gone."""
    seam = ours.active_seam(context)
    if seam is None:
        raise BadInput("The active object is no seam of a figure; select a seam.")
    if not ours.is_there(seam.seamwright.figure, context.scene):
        raise BadInput(
            f"The figure of seam '{seam.name}' is not in this scene; undo its removal, or delete "
            "the seam."
        )
    return seam


class SEAMWRIGHT_OT_stop_at(Work, bpy.types.Operator):
    """Let the active seam end at this one, or run on through it"""

    bl_idname = "seamwright.stop_at"
    bl_label = "Stop at Seam"

    name: StringProperty(name="Name", description="Name of the seam's object to stop at")

    def work(self, context):
        seam = active_seam(context)
        if ours.is_line(seam):
            raise BadInput(f"Seam '{seam.name}' ends at its line, so it stops at no other.")
        others = ours.seams_of(seam.seamwright.figure, context.scene)
        other = next((o for o in others if o.name == self.name and o != seam), None)
        if other is None:
            raise BadInput(f"The figure has no other seam '{self.name}' to stop at.")
        stops = seam.seamwright.stops_at
        at = next((n for n, stop in enumerate(stops) if stop.seam == other), None)
        if at is not None:
            stops.remove(at)
            return f"'{seam.name}' runs through '{other.name}'."
        stops.add().seam = other
        return f"'{seam.name}' stops at '{other.name}'."


class SEAMWRIGHT_OT_reach_at_cursor(Work, bpy.types.Operator):
    """Let the active seam's reach go by the 3D cursor: the region nearest it, or a disc round it"""

    bl_idname = "seamwright.reach_at_cursor"
    bl_label = "Reach at Cursor"

    also: BoolProperty(
        name="Add",
        description="Keep the points that the reach has, so that it takes a region for each",
        default=False,
    )

    def work(self, context):
        return late("quality").reach_at_cursor(context, active_seam(context), self.also)


class SEAMWRIGHT_OT_move_points(Work, bpy.types.Operator):
    """Move, extrude or delete the active line seam's points in Edit Mode, snapped to the skin"""

    bl_idname = "seamwright.move_points"
    bl_label = "Move Points"

    def work(self, context):
        seam = active_seam(context)
        if not ours.is_line(seam):
            raise BadInput(f"Seam '{seam.name}' is flat; move and turn its object instead.")
        if context.mode != "OBJECT":
            raise BadInput("Points are moved from Object Mode on; switch to it.")
        if not seam.visible_get():
            raise BadInput(f"Seam '{seam.name}' is hidden; show it.")
        select(context, seam)
        bpy.ops.object.mode_set(mode="EDIT")
        tools = context.scene.tool_settings
        tools.use_snap, tools.snap_elements = True, {"FACE"}
        return f"Points of '{seam.name}' snap to the skin; Tab ends it."


class SEAMWRIGHT_OT_add_pad(Work, bpy.types.Operator):
    """Say where the flat pad for the active line seam's pegs goes: at an Empty to move"""

    bl_idname = "seamwright.add_pad"
    bl_label = "Place Pad"

    def work(self, context):
        seam = active_seam(context)
        leave_edit_mode(context)
        pad = late("quality").pad_added(context, seam)
        return f"The pad of '{seam.name}' goes where '{pad.name}' is."


CLASSES = (
    SEAMWRIGHT_OT_add_seam,
    SEAMWRIGHT_OT_add_line_seam,
    SEAMWRIGHT_OT_select_seam,
    SEAMWRIGHT_OT_stop_at,
    SEAMWRIGHT_OT_reach_at_cursor,
    SEAMWRIGHT_OT_move_points,
    SEAMWRIGHT_OT_add_pad,
)
