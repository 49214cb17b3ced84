"""What the buttons of the keep-clear list do."""

import bpy
from bpy.props import EnumProperty, IntProperty

from seamwright.errors import BadInput

from . import scene as ours
from .properties import KEEP_CLEAR_KINDS
from .work import Work, late, leave_edit_mode


class SEAMWRIGHT_OT_add_keep_clear(Work, bpy.types.Operator):
    """Add something that no seam may cross to the keep-clear area"""

    bl_idname = "seamwright.add_keep_clear"
    bl_label = "Add Keep-Clear Area"

    kind: EnumProperty(
        name="Kind",
        description="What marks the area; a ball goes to the 3D cursor, a face set is that of "
        "the active or first selected face",
        items=KEEP_CLEAR_KINDS,
        default="vertex_group",
    )

    def work(self, context):
        figure = ours.figure_of(context)
        items = figure.seamwright.keep_clear
        if self.kind == "ball":
            leave_edit_mode(context)
            late("keep_clear").ball_at_cursor(context, figure)
        else:
            source, number = "", 0
            if self.kind == "face_set":
                number = late("keep_clear").face_set_chosen(figure)
            elif self.kind == "vertex_group" and figure.vertex_groups.active is not None:
                source = figure.vertex_groups.active.name
            item = late("keep_clear").new_item(figure)
            item.kind, item.source, item.number = self.kind, source, number
        ours.choose(context, figure)
        return f"The keep-clear area of '{figure.name}' has {ours.counted(len(items), 'line')}."


class _Listed(Work):
    index: IntProperty(
        name="Index", description="Which line of the list, counting from 0", default=0, min=0
    )

    def item(self, figure):
        items = figure.seamwright.keep_clear
        if self.index >= len(items):
            raise BadInput(f"The keep-clear area of '{figure.name}' has no line {self.index}.")
        return items[self.index]


class SEAMWRIGHT_OT_remove_keep_clear(_Listed, bpy.types.Operator):
    """Take this line out of the keep-clear area"""

    bl_idname = "seamwright.remove_keep_clear"
    bl_label = "Remove Keep-Clear Area"

    def work(self, context):
        figure = ours.figure_of(context)
        ball = self.item(figure).ball
        figure.seamwright.keep_clear.remove(self.index)
        if ball is not None:
            ours.remove([ball])
        return f"Taken out of the keep-clear area of '{figure.name}'."


class SEAMWRIGHT_OT_take_face_set(_Listed, bpy.types.Operator):
    """Keep the face set of the active or first selected face clear"""

    bl_idname = "seamwright.take_face_set"
    bl_label = "Take Face Set"

    def work(self, context):
        figure = ours.figure_of(context)
        item = self.item(figure)
        item.kind, item.number = "face_set", late("keep_clear").face_set_chosen(figure)
        return f"Face set {item.number} of '{figure.name}' is kept clear."


class SEAMWRIGHT_OT_ball_to_cursor(_Listed, bpy.types.Operator):
    """Put this ball of the keep-clear area at the 3D cursor"""

    bl_idname = "seamwright.ball_to_cursor"
    bl_label = "Ball to Cursor"

    def work(self, context):
        figure = ours.figure_of(context)
        ball = self.item(figure).ball
        if not ours.is_there(ball, context.scene):
            raise BadInput("The ball has lost its Empty; take it out of the list and add it anew.")
        ball.location = context.scene.cursor.location
        return f"'{ball.name}' is at the 3D cursor."


CLASSES = (
    SEAMWRIGHT_OT_add_keep_clear,
    SEAMWRIGHT_OT_remove_keep_clear,
    SEAMWRIGHT_OT_take_face_set,
    SEAMWRIGHT_OT_ball_to_cursor,
)
