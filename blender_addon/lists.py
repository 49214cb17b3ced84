"""The panel's lists: joints as they were sized, by letter, seam, kind and how they hold."""

import bpy

ICONS = {"holds": "CHECKMARK", "weak": "ERROR", "plain": "MESH_PLANE"}
"""By the words that stand beside them."""


class SEAMWRIGHT_UL_joints(bpy.types.UIList):
    """Joints in the order of their letters."""

    bl_idname = "SEAMWRIGHT_UL_joints"

    def draw_item(
        self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0
    ):
        row = layout.row(align=True)
        # In shares of the row: letter 0.11, seam 0.29, kind 0.25, and how it holds, whose word
        # is to be read in a narrow panel too.
        split = row.split(factor=0.11, align=True)
        split.label(text=item.name)
        split = split.split(factor=0.33, align=True)
        split.label(text=item.seam)
        split = split.split(factor=0.42, align=True)
        split.label(text=item.kind)
        split.label(text=item.state, icon=ICONS[item.state])


CLASSES = (SEAMWRIGHT_UL_joints,)
