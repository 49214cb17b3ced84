"""What is drawn over the viewport: the active seam's section, line seams' lines, joints and rods,
and places that went wrong.

Lines are kept for the graphics card until what they are of changes. Imports no geometry.
"""

import re
import sys
import textwrap
from collections.abc import Callable
from functools import partial
from typing import Any

import blf
import bpy
from bpy_extras import view3d_utils
from mathutils import Matrix, Vector

from . import decisions
from . import scene as ours

_COLOURS = {
    "taken": ("view_3d", "object_active"),
    "left": ("view_3d", "wire"),
    "line": ("view_3d", "object_active"),
    "peg": ("view_3d", "object_selected"),
    "socket": ("view_3d", "empty"),
    "rod": ("view_3d", "bone_pose"),
    "weak": ("console", "line_error"),
    "words": ("view_3d", "space", "text_hi"),
}
"""Where in the user's theme each colour is. What is weak has a word beside it as well."""

_WIDTHS = {"taken": 3.0, "line": 3.0, "peg": 2.0, "weak": 3.0}
"""Pixels, at a resolution scale of 1; others are one and a half wide."""

_WORDS = 56
"""Letters in a line of words."""

_HIDDEN = 0.35
"""Alpha of lines over the skin where the figure is before them."""

_NEARER = Matrix.Identity(4)
_NEARER[2][3] = -2e-4
"""Draws a little nearer than the skin that a line lies in, as a share of the depth that can be
told apart at all (common practice, no source)."""

_PLACE = re.compile(r"\((-?[\d.]+), (-?[\d.]+), (-?[\d.]+)\) mm")
"""A place as our sentences write it, see `seamwright.seam.place`."""

_handles: list[Any] = []
_told: list[Callable[[], None]] = []
_batches: dict[str, tuple[Any, Any]] = {}


def redraw(context):
    """Let every 3D view draw itself anew."""
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


def forget():
    """Let go of what is kept for the graphics card."""
    _batches.clear()


def attach(drawing: Callable[[], None]) -> None:
    """Draw over every 3D view from now on; `drawing` is told of it."""
    _told.append(drawing)
    add = bpy.types.SpaceView3D.draw_handler_add
    _handles.append(add(_draw_lines, (), "WINDOW", "POST_VIEW"))
    _handles.append(add(_draw_words, (), "WINDOW", "POST_PIXEL"))


def detach() -> None:
    """Draw no more."""
    while _handles:
        bpy.types.SpaceView3D.draw_handler_remove(_handles.pop(), "WINDOW")
    _told.clear()
    forget()


# --- what there is to draw --------------------------------------------------------------------


def joints_to_draw(context):
    """The joints as they were sized, if that is asked for and they are not out of date."""
    figure, module = ours.chosen_figure(context), _loaded("joints")
    if figure is None or module is None or not context.scene.seamwright.show_joints:
        return None
    drawn = module.drawn_of(figure)
    if drawn is None or drawn.mark != decisions.mark_of(figure, context.scene):
        return None
    return drawn


def lines_to_draw(context):
    """What to draw by name: a key that tells its lines from others, and what gives them."""
    found = {}
    live = _loaded("live")
    if live is not None and context.scene.seamwright.show_sections:
        section = live.section_now()
        if section is not None:
            key = ("section", live.version[0])
            found["taken"] = key, lambda: section.taken
            found["left"] = key, lambda: section.left
        shown = [
            kept
            for name, kept in live.lines_now().items()
            if (obj := context.scene.objects.get(name)) is not None and obj.visible_get()
        ]
        if shown:
            key = ("line", *(kept.key for kept in shown))
            found["line"] = key, lambda: [part for kept in shown for part in kept.line]
    drawn = joints_to_draw(context)
    if drawn is not None:
        for what in ("socket", "rod", "peg", "weak"):
            key = (drawn.mark, drawn.made)
            found[what] = key, partial(_part, drawn, what)
    return found


def _part(drawn, what):
    return _loaded("joints").lines_of(drawn)[what]


def words_to_draw(context):
    """Words at places of the scene, Blender units: what they are of, the words, the place."""
    found = []
    live = _loaded("live")
    section = live.section_now() if live is not None else None
    if section is not None and context.scene.seamwright.show_sections:
        found.append(("taken", section.said, section.middle))
    if joints_to_draw(context) is not None:
        for joint in context.scene.seamwright.joints:
            weak = joint.state == "weak"
            words = f"{joint.name} weak" if weak else joint.name
            found.append(("weak" if weak else "words", words, joint.middle))
    return found


def places_to_draw(context):
    """Places that what went wrong or is warned of names, Blender units."""
    figure, settings = ours.chosen_figure(context), context.scene.seamwright
    if figure is None:
        return []
    told = "\n".join(
        (
            settings.found,
            settings.seam_found,
            settings.builds_found,
            settings.pieces_found,
            settings.joints_found,
        )
    )
    # What was asked for is marked for as long as the panel says it.
    said = [settings.place_of] if settings.place_of in told else []
    if settings.show_joints:
        said += [settings.pieces_found, settings.joints_found]
    return places_in("\n".join(said), figure, context.scene)


def places_in(said, figure, scene):
    """The places that sentences name, Blender units."""
    mm = ours.shown_mm(figure, scene)
    return [Vector([float(x) / mm for x in found.groups()]) for found in _PLACE.finditer(said)]


def names_place(sentence):
    """Whether a sentence names a place."""
    return _PLACE.search(sentence) is not None


def _loaded(name):
    return sys.modules.get(f"{__package__}.{name}")


# --- drawing it ---------------------------------------------------------------------------------


def colour(context, what, alpha=1.0):
    """A colour of ours out of the user's theme, see `_COLOURS`."""
    value = context.preferences.themes[0]
    for name in _COLOURS[what]:
        value = getattr(value, name)
    return (*value[:3], alpha)


def _is_wanted(context):
    return context.scene is not None and context.space_data.overlay.show_overlays


def _draw_lines():
    import gpu  # noqa: PLC0415  (there is none in the background)
    from gpu_extras.batch import batch_for_shader  # noqa: PLC0415

    context = bpy.context
    for drawing in _told:
        drawing()
    if not _is_wanted(context):
        return
    wanted = lines_to_draw(context)
    for what in [what for what in _batches if what not in wanted]:
        del _batches[what]
    if not wanted:
        return
    shader = gpu.shader.from_builtin("POLYLINE_UNIFORM_COLOR")
    scale = context.preferences.system.ui_scale
    gpu.state.blend_set("ALPHA")
    for what, (key, lines) in wanted.items():
        if what not in _batches or _batches[what][0] != key:
            ends = [tuple(end) for part in lines() for end in part]
            made = batch_for_shader(shader, "LINES", {"pos": ends}) if ends else None
            _batches[what] = key, made
        batch = _batches[what][1]
        if batch is None:
            continue
        shader.bind()
        shader.uniform_float("viewportSize", (context.region.width, context.region.height))
        shader.uniform_float("lineWidth", scale * _WIDTHS.get(what, 1.5))
        on_skin = what in ("taken", "left", "line")
        gpu.state.depth_test_set("NONE")
        shader.uniform_float("color", colour(context, what, _HIDDEN if on_skin else 0.9))
        batch.draw(shader)
        if on_skin:
            with gpu.matrix.push_pop_projection():
                gpu.matrix.load_projection_matrix(_NEARER @ gpu.matrix.get_projection_matrix())
                gpu.state.depth_test_set("LESS_EQUAL")
                shader.uniform_float("color", colour(context, what))
                batch.draw(shader)
    gpu.state.depth_test_set("NONE")
    gpu.state.blend_set("NONE")


def _draw_words():
    context = bpy.context
    if not _is_wanted(context):
        return
    region, view = context.region, context.space_data.region_3d
    font, scale = 0, context.preferences.system.ui_scale
    blf.size(font, 14 * scale)
    blf.enable(font, blf.SHADOW)
    blf.shadow(font, 5, 0.0, 0.0, 0.0, 0.8)
    for what, words, place in words_to_draw(context):
        at = view3d_utils.location_3d_to_region_2d(region, view, Vector(place))
        if at is None:
            continue
        blf.color(font, *colour(context, what))
        wrapped = [part for line in words.splitlines() for part in textwrap.wrap(line, _WORDS)]
        # Below the place, where no joint's letter is.
        first = 1 if what == "taken" else 0
        for number, line in enumerate(wrapped, start=first):
            blf.position(font, at.x + 6 * scale, at.y + (6 - 18 * number) * scale, 0)
            blf.draw(font, line)
    # Crosses, for those who do not see their colour.
    blf.size(font, 32 * scale)
    blf.color(font, *colour(context, "weak"))
    for place in places_to_draw(context):
        at = view3d_utils.location_3d_to_region_2d(region, view, place)
        if at is not None:
            wide, high = blf.dimensions(font, "×")
            blf.position(font, at.x - wide / 2, at.y - high / 2, 0)
            blf.draw(font, "×")
    blf.disable(font, blf.SHADOW)
