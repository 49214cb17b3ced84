"""Handles on the active seam's joints in the viewport, and the operator that they call.

Imports no geometry: what does is loaded once joints were sized.
"""

import math

import bpy
from bpy.props import EnumProperty, FloatProperty, FloatVectorProperty, IntProperty, StringProperty
from bpy_extras import view3d_utils
from mathutils import Vector, geometry

from seamwright.errors import BadInput, SeamwrightError

from . import overlay, redraw
from . import scene as ours
from .work import Work, is_busy, late

WHAT = [
    ("width", "Width", "Across the widest peg"),
    ("depth", "Depth", "From the seam face to the end of the pegs"),
    ("turn", "Turn", "Of the footprints about the seam's arrow"),
    ("place", "Place", "Of one peg or magnet on its face"),
]

SNAPS = {"width": (0.5, 0.1), "depth": (0.5, 0.1), "turn": (5.0, 1.0), "place": (1.0, 0.1)}
"""Steps with Ctrl, and with Shift as well; mm, or degrees as Blender has them."""

FINE = {"width": 0.05, "depth": 0.05, "turn": 0.1, "place": 0.01}
"""Steps without."""

PRECISE = 0.1
"""How far things go with Shift, over how far the mouse goes: as Blender has it."""

_SHOWN = {
    "width": ("GIZMO_GT_arrow_3d", "gizmo_secondary"),
    "depth": ("GIZMO_GT_arrow_3d", "gizmo_secondary"),
    "turn": ("GIZMO_GT_dial_3d", "gizmo_secondary"),
    "place": ("GIZMO_GT_move_3d", "gizmo_primary"),
}
"""Each handle's type and colour, by Blender's names."""


class SEAMWRIGHT_OT_drag_joint(Work, bpy.types.Operator):
    """Drag a size, the turn or a place of the active seam's joints. Ctrl snaps, Shift is \
precise, Esc puts all back"""

    bl_idname = "seamwright.drag_joint"
    bl_label = "Drag Joint"
    bl_options = {"REGISTER", "UNDO", "GRAB_CURSOR", "BLOCKING"}

    what: EnumProperty(name="What", description="What of the joint is dragged", items=WHAT)
    letter: StringProperty(name="Letter", description="Letter of the joint")
    number: IntProperty(
        name="Peg", description="Which of the joint's pegs or magnets, from 0", min=0
    )
    value: FloatProperty(
        name="Value",
        description="Width or depth in mm, or turn in degrees (no unit of its own)",
        precision=2,
    )
    place: FloatVectorProperty(
        name="Place (mm)",
        description="Of the peg or magnet on its face, from the face's middle, in mm",
        size=2,
        precision=2,
    )

    def draw(self, _context):
        layout = self.layout
        layout.use_property_split = True
        names = {key: name for key, name, _said in WHAT}
        if self.what == "place":
            layout.prop(self, "place")
        else:
            unit = "°" if self.what == "turn" else "mm"
            layout.prop(self, "value", text=f"{names[self.what]} ({unit})")

    def work(self, context):
        handles = late("joint_handles")
        now = handles.held(context, self.letter)
        self.check_number(now)
        self.decide(now)
        return handles.sized_again(context, self.told())

    def decide(self, now):
        """Put it into the panel, and keep what was taken, for the redo panel."""
        decided = late("joint_handles").decide(
            now, self.what, self.number, self.value, tuple(self.place)
        )
        self.value, self.place, self._limit = decided

    def check_number(self, now):
        """Raise if the joint has no such peg."""
        many = len(now.joint.pegs) or len(now.joint.magnets)
        if self.number >= many:
            raise BadInput(f"Joint {self.letter} has no peg {self.number}; it has {many}.")
        if self.what != "place" and not now.joint.pegs:
            raise BadInput(f"Joint {self.letter} has magnets, whose size is bought; drag places.")

    def told(self):
        """What it was dragged to, as one sentence."""
        if self.what == "place":
            said = f"Place of peg {self.number + 1}: {self.place[0]:.2f}, {self.place[1]:.2f} mm"
        elif self.what == "turn":
            said = f"Turn: {self.value:.1f}°"
        else:
            said = f"{self.what.capitalize()}: {self.value:.2f} mm"
        return f"{said}, {self._limit}." if self._limit else f"{said}."

    # --- by the mouse ------------------------------------------------------------------

    def invoke(self, context, event):
        if is_busy() or context.region_data is None:
            return {"CANCELLED"}
        try:
            handles = late("joint_handles")
            self._now = handles.held(context, self.letter)
            self.check_number(self._now)
        except SeamwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        key = (self.what, self.letter, self.number)
        found = [h for h in handles.handles_of(context) if (h.what, h.letter, h.number) == key]
        if not found:
            return {"CANCELLED"}
        self._handle = found[0]
        self._from = found[0].value
        self._start = handles.place_of(self._now, self.number)
        group = self._now.obj.seamwright
        self._was = {key: getattr(group, key) for key in _KEPT}
        self._mouse = self._last = Vector((event.mouse_region_x, event.mouse_region_y))
        self._begun = self.grasped(context, self._mouse)
        self._angle, self._limit, self._moved = 0.0, "", False
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context, event):
        if event.type in {"ESC", "RIGHTMOUSE"} and event.value == "PRESS":
            self.cancel(context)
            return {"CANCELLED"}
        done = {"LEFTMOUSE": "RELEASE", "RET": "PRESS", "NUMPAD_ENTER": "PRESS"}
        if done.get(event.type) == event.value:
            return self.let_go(context)
        if event.type in {"MOUSEMOVE", "INBETWEEN_MOUSEMOVE"} or "CTRL" in event.type:
            self.follow(context, event)
        return {"RUNNING_MODAL"}

    def cancel(self, context):
        """Put all back."""
        group = self._now.obj.seamwright
        for key, value in self._was.items():
            setattr(group, key, value)
        self.tidy(context)

    def let_go(self, context):
        """Keep what it was dragged to."""
        self.tidy(context)
        if not self._moved:
            return {"CANCELLED"}
        try:
            said = late("joint_handles").sized_again(context, self.told())
        except SeamwrightError as error:
            # Undone it would be as before; what was dragged to is in the panel.
            said = str(error)
        return self.tell(said)

    def tidy(self, context):
        redraw.begin()
        context.area.header_text_set(None)
        overlay.redraw(context)

    def follow(self, context, event):
        """Take the mouse's move over into the panel."""
        at = Vector((event.mouse_region_x, event.mouse_region_y))
        step = at - self._last
        self._last = at
        self._mouse = self._mouse + step * (PRECISE if event.shift else 1.0)
        snap = SNAPS[self.what][event.shift] if event.ctrl else FINE[self.what]
        self.drag_to(context, self.grasped(context, self._mouse), snap)
        context.area.header_text_set(
            f"{self.told()}    Ctrl: Snap    Shift: Precise    Esc: Cancel"
        )
        overlay.redraw(context)

    def drag_to(self, context, grasped, snap):
        """Decide by where the mouse is now, in steps of `snap`."""
        if grasped is None or self._begun is None:
            return
        if self.what == "place":
            move = late("joint_handles").slid(self._now, grasped - self._begun)
            self.place = [stepped(a + b, snap) for a, b in zip(self._start, move, strict=True)]
        elif self.what == "turn":
            # Round and round, and not back by a turn at half a circle.
            more = grasped - self._begun - self._angle
            self._angle += (more + 180.0) % 360.0 - 180.0
            self.value = stepped(self._from + self._angle, snap)
        else:
            mm = self._now.drawn.mm * (2.0 if self.what == "width" else 1.0)
            if self.what == "depth":
                mm *= self.straight()
            self.value = stepped(self._from + (grasped - self._begun) * mm, snap)
        redraw.begin()
        self.decide(self._now)
        self._moved = True
        redraw.begin()

    def straight(self):
        """How far square to its face a peg goes for each mm along its length."""
        joint = self._now.joint
        return abs(float(joint.into @ joint.frame.normal))

    def grasped(self, context, mouse):
        """What the mouse points at: a length along an arrow, Blender units; degrees about a dial;
        a place of the scene. None where the view runs along what is dragged."""
        region, view = context.region, context.region_data
        start = view3d_utils.region_2d_to_origin_3d(region, view, mouse)
        ray = view3d_utils.region_2d_to_vector_3d(region, view, mouse)
        matrix = self._handle.matrix
        middle, way = matrix.translation, matrix.col[2].to_3d()
        if self.what in ("width", "depth"):
            return along(middle, way, start, ray)
        if abs(ray.dot(way)) >= late("joint_handles").EDGE_ON:
            point = geometry.intersect_line_plane(start, start + ray, middle, way)
            if point is None or self.what == "place":
                return point
            x, y = ((point - middle).dot(matrix.col[axis].to_3d()) for axis in (0, 1))
            return math.degrees(math.atan2(y, x))
        if self.what == "turn":
            # Seen edge on, a dial is turned as a wheel is under the hand.
            return 0.5 * mouse.x
        return geometry.intersect_line_plane(start, start + ray, middle, ray)


_KEPT = ("width", "depth", "own_turn", "turn", "joint_told")
"""What dragging may change."""


def along(middle, way, start, ray):
    """How far along a line through `middle` a ray passes it nearest; None if they run alike."""
    if abs(way.dot(ray)) > 0.999:
        return None
    near = geometry.intersect_line_line(middle, middle + way, start, start + ray)
    return None if near is None else (near[0] - middle).dot(way)


def stepped(value, step):
    """A value in whole steps, as it would be typed."""
    return round(round(value / step) * step, 3)


class SEAMWRIGHT_GGT_joint(bpy.types.GizmoGroup):
    """Handles on the joints of the active seam"""

    bl_label = "Joint"
    bl_space_type = "VIEW_3D"
    bl_region_type = "WINDOW"
    bl_options = {"3D", "PERSISTENT", "SHOW_MODAL_ALL"}

    @classmethod
    def poll(cls, context):
        space = context.space_data
        if context.mode != "OBJECT" or is_busy() or ours.loaded("joints") is None:
            return False
        if space is None or space.type != "VIEW_3D" or not space.show_gizmo_context:
            return False
        if not space.overlay.show_overlays or not context.scene.seamwright.show_joints:
            return False
        return ours.active_jointed(context) is not None

    def setup(self, _context):
        self.shown = {}

    def refresh(self, context):
        self.place(context)

    def draw_prepare(self, context):
        self.place(context)

    def place(self, context):
        """Put each handle where it is now, and hide those that are of nothing any more."""
        found = late("joint_handles").handles_of(context)
        seen = set()
        for handle in found:
            key = (handle.what, handle.letter, handle.number)
            seen.add(key)
            if key not in self.shown:
                self.shown[key] = self.added(context, *key)
            gizmo = self.shown[key]
            gizmo.hide = False
            # What is being dragged goes along with the mouse by itself.
            if not gizmo.is_modal:
                gizmo.matrix_basis = handle.matrix
        for key, gizmo in self.shown.items():
            if key not in seen:
                gizmo.hide = True

    def added(self, context, what, letter, number):
        """A new handle."""
        kind, colour = _SHOWN[what]
        gizmo = self.gizmos.new(kind)
        theme = context.preferences.themes[0].user_interface
        gizmo.color = getattr(theme, colour)[:3]
        gizmo.color_highlight = theme.gizmo_hi[:3]
        gizmo.alpha, gizmo.alpha_highlight = 0.8, 1.0
        gizmo.use_draw_modal = what != "place"
        if what in ("width", "depth"):
            gizmo.draw_style = "NORMAL" if what == "depth" else "BOX"
            gizmo.length, gizmo.scale_basis = 0.4, 1.2
        elif what == "turn":
            gizmo.draw_options = {"CLIP"} if hasattr(gizmo, "draw_options") else set()
            gizmo.scale_basis = 0.7
            gizmo.line_width = 2.0
        else:
            gizmo.draw_options = {"FILL", "ALIGN_VIEW"}
            gizmo.scale_basis = 0.09
        props = gizmo.target_set_operator("seamwright.drag_joint")
        props.what, props.letter, props.number = what, letter, number
        return gizmo


CLASSES = (SEAMWRIGHT_OT_drag_joint, SEAMWRIGHT_GGT_joint)
