"""What all parts of the side panel share."""

import textwrap


class Panel:
    """A part of the side panel."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Seamwright"


class Step(Panel):
    """A step of the work, or a part of one."""

    bl_parent_id = "SEAMWRIGHT_PT_main"

    def start(self):
        """The layout, as all steps have it."""
        self.layout.use_property_split = True
        self.layout.use_property_decorate = False
        return self.layout


def lines(layout, context, text, less=0):
    """Sentences wrapped to the panel's width, which Blender does not do itself.

    less : how many letters narrower.
    """
    region = context.region
    pixels = 7 * context.preferences.system.ui_scale
    width = max(24, int(region.width / pixels) - 4 - less) if region else 40
    column = layout.column(align=True)
    column.scale_y = 0.8
    for sentence in text.splitlines():
        for line in textwrap.wrap(sentence, width):
            column.label(text=line)
