"""Drawing a flat seam as a stroke across a limb, in the viewport."""

import math

import bpy
from bpy.props import BoolProperty, FloatVectorProperty
from bpy_extras import view3d_utils
from mathutils import Vector

from seamwright.errors import BadInput

from . import scene as ours
from .overlay import colour
from .work import Work, late, leave_edit_mode, select

_SHORTEST = 8.0
"""Pixels, at a resolution scale of 1, below which a stroke is a click (common practice, no
source)."""

_STEP = math.radians(15.0)
"""A stroke drawn with Ctrl held runs in steps of this."""

_HINT = "Drag across a limb: Draw Seam     Ctrl: Level or in Steps of 15°     Esc: Cancel"


def _sight(says):
    return FloatVectorProperty(
        description=says, size=3, options={"HIDDEN", "SKIP_SAVE"}, subtype="XYZ"
    )


class SEAMWRIGHT_OT_draw_seam(Work, bpy.types.Operator):
    """Draw a straight stroke across a limb: a flat seam is made through it, along the view. \
It takes the limbs that the stroke goes right across, and side A is on the stroke's left"""

    bl_idname = "seamwright.draw_seam"
    bl_label = "Draw Seam"

    start: _sight("Where the line of sight through the stroke's first end begins, Blender units")
    start_way: _sight("Its direction")
    end: _sight("Where the line of sight through the stroke's last end begins, Blender units")
    end_way: _sight("Its direction")
    every: BoolProperty(
        name="All Under Stroke",
        description="Take all that the stroke touches, also what lies behind and what it only "
        "begins or ends on",
        default=False,
        options={"SKIP_SAVE"},
    )
    flip: BoolProperty(
        name="Side A on Right",
        description="Put side A on the stroke's right",
        default=False,
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context):
        return context.scene is not None

    def draw(self, _context):
        self.layout.use_property_split = True
        self.layout.prop(self, "every")
        self.layout.prop(self, "flip")

    def work(self, context):
        figure = ours.figure_of(context)
        module = late("strokes")
        found, mm = module.stroked_by(
            context, figure, (self.start, self.start_way), (self.end, self.end_way), self.every,
            self.flip,
        )  # fmt: skip
        leave_edit_mode(context)
        seam = module.seam_added(context, figure, found, mm)
        ours.choose(context, figure)
        if context.mode == "OBJECT" and ours.is_listed(seam, context):
            select(context, seam)
        regions = ours.counted(len(found.taken), "region")
        return f"'{seam.name}' takes {regions} of {len(found.whole.regions)}."

    # --- drawing it -------------------------------------------------------------------------

    def invoke(self, context, _event):
        if context.area is None or context.area.type != "VIEW_3D":
            self.report({"ERROR"}, "Seams are drawn in a 3D view; call this from one.")
            return {"CANCELLED"}
        if self.bl_idname in _running(context):
            # Called again, say from the menu of operators: two would draw two seams.
            return {"CANCELLED"}
        if ours.chosen_figure(context) is None:
            try:
                ours.selected_figure(context)
            except BadInput as error:
                self.report({"ERROR"}, str(error))
                return {"CANCELLED"}
        self._area, self._region, self._ends = context.area, None, []
        self._handle = bpy.types.SpaceView3D.draw_handler_add(
            self._draw, (context,), "WINDOW", "POST_PIXEL"
        )
        context.window.cursor_modal_set("CROSSHAIR")
        context.workspace.status_text_set(_HINT)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context, event):
        if event.type in {"ESC", "RIGHTMOUSE"} and event.value == "PRESS":
            self.cancel(context)
            return {"CANCELLED"}
        if event.type == "LEFTMOUSE" and event.value == "PRESS":
            self._region = _region_at(self._area, event.mouse_x, event.mouse_y)
            if self._region is None:
                self.cancel(context)
                return {"CANCELLED"}
            at = self._at(event)
            self._ends = [at, at]
            return {"RUNNING_MODAL"}
        if self._ends and event.type in {"MOUSEMOVE", "INBETWEEN_MOUSEMOVE"}:
            self._ends[1] = _in_steps(self._ends[0], self._at(event), event.ctrl)
            self._area.tag_redraw()
            return {"RUNNING_MODAL"}
        if self._ends and event.type == "LEFTMOUSE" and event.value == "RELEASE":
            self._ends[1] = _in_steps(self._ends[0], self._at(event), event.ctrl)
            return self._drawn(context)
        # Until the stroke begins the view may still be turned.
        return {"RUNNING_MODAL"} if self._ends else {"PASS_THROUGH"}

    def cancel(self, context):
        bpy.types.SpaceView3D.draw_handler_remove(self._handle, "WINDOW")
        context.window.cursor_modal_restore()
        context.workspace.status_text_set(None)
        self._area.tag_redraw()

    def _at(self, event):
        return Vector((event.mouse_x - self._region.x, event.mouse_y - self._region.y))

    def _drawn(self, context):
        """What to return now that the stroke is drawn; a click is none."""
        first, last = self._ends
        scale = context.preferences.system.ui_scale
        if (last - first).length < _SHORTEST * scale:
            self._ends = []
            self._area.tag_redraw()
            return {"RUNNING_MODAL"}
        view = _view_of(self._area, self._region)
        for at, name in ((first, "start"), (last, "end")):
            origin = view3d_utils.region_2d_to_origin_3d(self._region, view, at)
            way = view3d_utils.region_2d_to_vector_3d(self._region, view, at)
            setattr(self, name, origin)
            setattr(self, f"{name}_way", way)
        self.cancel(context)
        return self.execute(context)

    def _draw(self, context):
        """The stroke while it is drawn, and an A on the side that will be side A."""
        if len(self._ends) < 2 or context.region != self._region:
            return
        import blf  # noqa: PLC0415  (there is nothing to draw on in the background)
        import gpu  # noqa: PLC0415
        from gpu_extras.batch import batch_for_shader  # noqa: PLC0415

        first, last = self._ends
        scale = context.preferences.system.ui_scale
        shader = gpu.shader.from_builtin("POLYLINE_UNIFORM_COLOR")
        ends = [(*first, 0.0), (*last, 0.0)]
        batch = batch_for_shader(shader, "LINES", {"pos": ends})
        gpu.state.blend_set("ALPHA")
        shader.bind()
        shader.uniform_float("viewportSize", (self._region.width, self._region.height))
        shader.uniform_float("lineWidth", 3.0 * scale)
        shader.uniform_float("color", colour(context, "taken"))
        batch.draw(shader)
        gpu.state.blend_set("NONE")
        along = last - first
        if along.length < _SHORTEST * scale:
            return
        left = Vector((-along.y, along.x)).normalized() * 20.0 * scale
        at = (first + last) / 2 + left
        blf.size(0, 16 * scale)
        blf.color(0, *colour(context, "taken"))
        wide, high = blf.dimensions(0, "A")
        blf.position(0, at.x - wide / 2, at.y - high / 2, 0)
        blf.draw(0, "A")


def _running(context):
    """What the user is at in this window, as far as Blender tells."""
    return {operator.bl_idname for operator in getattr(context.window, "modal_operators", ())}


def _in_steps(first, last, is_stepped):
    """The end of a stroke, put to the nearest step of its turn if that is asked for."""
    along = last - first
    if not is_stepped or not along.length:
        return last
    turn = round(math.atan2(along.y, along.x) / _STEP) * _STEP
    return first + along.length * Vector((math.cos(turn), math.sin(turn)))


def _region_at(area, x, y):
    """The part of a 3D view that shows the scene at a place of the window; None if none does."""
    for region in area.regions:
        beside = any(
            other.type in {"UI", "TOOLS", "HEADER", "TOOL_HEADER"}
            and other.width > 1
            and 0 <= x - other.x < other.width
            and 0 <= y - other.y < other.height
            for other in area.regions
        )
        inside = 0 <= x - region.x < region.width and 0 <= y - region.y < region.height
        if region.type == "WINDOW" and inside and not beside:
            return region
    return None


def _view_of(area, region):
    """How a region of a 3D view, which may be divided into four, looks at the scene."""
    windows = [r for r in area.regions if r.type == "WINDOW"]
    space = area.spaces.active
    quads = list(space.region_quadviews)
    return quads[windows.index(region)] if len(quads) == len(windows) > 1 else space.region_3d


CLASSES = (SEAMWRIGHT_OT_draw_seam,)
