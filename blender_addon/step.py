"""What all parts of the side panel share."""

import textwrap
from functools import lru_cache

from .overlay import names_place


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
    width = _letters(context) - less
    column = layout.column(align=True)
    column.scale_y = 0.8
    for line in _wrapped(text, width):
        column.label(text=line)


def _letters(context):
    """How many letters go into a line of the panel."""
    region = context.region
    pixels = 7 * context.preferences.system.ui_scale
    return max(28, int(region.width / pixels) - 4) if region else 40


@lru_cache(maxsize=256)
def _wrapped(text, width):
    # Asked again at every redraw.
    return [line for sentence in text.splitlines() for line in textwrap.wrap(sentence, width)]


def says(layout, context, line):
    """What the step found and what is next, see `next_step`: a line of its own for each where the
    panel is too narrow for both."""
    words, less = line.words, 3 if line.is_amiss else 0
    if len(words) > _letters(context) - less:
        words = words.replace(" Next: ", "\nNext: ")
    if line.is_amiss:
        layout = layout.row(align=True)
        layout.label(text="", icon="ERROR")
    lines(layout, context, words, less)


def told(layout, context, text):
    """Sentences in a box; each that names a place has a button that shows it."""
    sentences = text.splitlines()
    box = layout.box()
    if len(sentences) == 1:
        lines(box, context, text)
        if names_place(text):
            box.operator("seamwright.show_place", icon="ZOOM_SELECTED").sentence = text
        return
    for sentence in sentences:
        if not names_place(sentence):
            lines(box, context, sentence)
            continue
        row = box.row(align=True)
        lines(row, context, sentence, less=4)
        row.operator("seamwright.show_place", text="", icon="ZOOM_SELECTED").sentence = sentence


def out_of_date(layout, words):
    """Say that what is shown is of decisions that were changed since, and what to do."""
    row = layout.row()
    row.alert = True
    row.label(text=f"Out of date: {words}.", icon="ERROR")
