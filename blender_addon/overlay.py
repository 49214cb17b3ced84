"""What is drawn over the viewport: the active seam's section, line seams' lines, joints and rods,
and places that went wrong.

Lines are kept for the graphics card until what they are of changes. Imports no geometry.
"""

import re
import textwrap
from collections.abc import Callable
from functools import partial
from itertools import product
from typing import Any

import blf
import bpy
from bpy_extras import view3d_utils
from mathutils import Matrix, Vector

from . import redraw as looked_up
from . import scene as ours

_SEAM = "seam" if "seam" in bpy.types.ThemeView3D.bl_rna.properties else "edge_seam"
"""Blender 5 and 4 call it thus."""

_COLOURS = {
    "taken": ("view_3d", "object_active"),
    "left": ("view_3d", "wire"),
    "arrow": ("view_3d", "object_active"),
    "line": ("view_3d", "object_active"),
    "other": ("view_3d", _SEAM),
    "peg": ("view_3d", "object_selected"),
    "socket": ("view_3d", "empty"),
    "rod": ("view_3d", "bone_pose"),
    "weak": ("console", "line_error"),
    "words": ("view_3d", "space", "text_hi"),
    "picked": ("view_3d", "object_active"),
}
"""Where in the user's theme each colour is. What is weak has a word beside it as well."""

_WIDTHS = {"taken": 3.0, "line": 3.0, "other": 2.0, "arrow": 2.0, "peg": 2.0, "weak": 3.0}
"""Pixels, at a resolution scale of 1; others are one and a half wide."""

_WORDS = 56
"""Letters in a line of words."""

_ARROW = 0.2
"""Length of the arrow to side A, as a share of the longer side of its seam's rectangle (common
practice, no source)."""

_ON_SKIN = ("taken", "left", "line", "other")
"""Lines that lie in the skin, and are faint where the figure is before them."""

_SHADE = 0.5
"""Alpha of the dark box behind words that may lie on the figure."""

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
    figure, module = ours.chosen_figure(context), ours.loaded("joints")
    if figure is None or module is None or not context.scene.seamwright.show_joints:
        return None
    if stand_apart(context):
        return None
    drawn = module.drawn_of(figure)
    if drawn is None or drawn.mark != looked_up.mark_of(figure, context.scene):
        return None
    return drawn


def stand_apart(context):
    """Whether the figure's pieces are shown apart, so that nothing of theirs is where it was."""
    figure = ours.chosen_figure(context)
    pieces = ours.collection_of(figure, context.scene, "PIECES") if figure else None
    if pieces is None or not pieces.seamwright.explode:
        return False
    return any(piece.visible_get() for piece in pieces.objects if piece.seamwright.is_piece)


def lines_to_draw(context):
    """What to draw by name: a key that tells its lines from others, and what gives them."""
    found = {}
    live = ours.loaded("live")
    if live is not None and context.scene.seamwright.show_sections:
        found = _seam_lines(context, live)
    arrow = arrow_to_draw(context)
    if arrow is not None:
        found["arrow"] = arrow, lambda: _arrow_lines(arrow)
    drawn = joints_to_draw(context)
    if drawn is not None:
        for what in ("socket", "rod", "peg", "weak"):
            key = (drawn.mark, drawn.made)
            found[what] = key, partial(_part, drawn, what)
    return found


def _seam_lines(context, live):
    """Where the active seam crosses the skin, and where all others do."""
    found, active = {}, ours.active_seam(context)
    section = live.section_now()
    # Among pieces that are pulled apart, a section would stand in the air.
    apart = stand_apart(context)
    if section is not None and not apart:
        key = ("section", live.version[0])
        found["taken"] = key, lambda: section.taken
        found["left"] = key, lambda: section.left
    shown, others = [], []
    seams = () if apart else (*live.lines_now().items(), *live.flat_now().items())
    for name, kept in seams:
        obj = context.scene.objects.get(name)
        if obj is None or not obj.visible_get():
            continue
        if obj != active:
            others.append((name, kept))
        elif section is None:
            shown.append((name, kept))
    for what, some in (("line", shown), ("other", others)):
        if some:
            key = (what, live.version[0], *(name for name, _kept in some))
            found[what] = key, partial(_all_lines, some)
    return found


def _all_lines(some):
    import numpy as np  # noqa: PLC0415  (the lines are its arrays, so it is there)

    return np.concatenate([kept.line for _name, kept in some])


def arrow_to_draw(context):
    """The arrow to side A of the active flat seam: its ends and a direction across, Blender
    units; None if there is none to draw."""
    seam = ours.active_seam(context)
    if seam is None or ours.is_line(seam) or seam.type != "MESH" or not seam.visible_get():
        return None
    if stand_apart(context):
        return None
    # Seams of older files have an arrow of their own.
    if len(seam.data.vertices) != 4:
        return None
    place = ours.matrix_of(seam)
    across, up = (place.col[axis].to_3d().normalized() for axis in (0, 2))
    long = _ARROW * max(seam.dimensions[:])
    start = place.to_translation()
    return start, start + long * up, long * across


def _arrow_lines(arrow):
    start, end, across = arrow
    back = 0.2 * (start - end)
    barbs = [end + back + 0.1 * side * across for side in (-1, 1)]
    return [(start, end), *((end, barb) for barb in barbs)]


def _part(drawn, what):
    return ours.loaded("joints").lines_of(drawn)[what]


def words_to_draw(context):
    """Words at places of the scene, Blender units: what they are of, the words, the place."""
    found = []
    arrow = arrow_to_draw(context)
    if arrow is not None:
        found.append(("arrow", "side A", arrow[1]))
    if joints_to_draw(context) is not None:
        for joint in context.scene.seamwright.joints:
            weak = joint.state == "weak"
            words = f"{joint.name} weak" if weak else joint.name
            found.append(("weak" if weak else "words", words, joint.middle))
    return found


def section_to_tell(context):
    """What there is to say of the active flat seam's section, the (8, 3) corners of the box
    round what it takes, Blender units, and whether it takes anything; None if nothing is."""
    live = ours.loaded("live")
    section = live.section_now() if live is not None else None
    is_wanted = context.scene.seamwright.show_sections and not stand_apart(context)
    if section is None or not is_wanted:
        return None
    if not len(section.taken):
        return section.said, [section.middle] * 8, False
    low, high = section.taken.min(axis=(0, 1)), section.taken.max(axis=(0, 1))
    return section.said, list(product(*zip(low, high, strict=True))), True


def pieces_to_name(context):
    """The figure's shown pieces: what each is, its words, its place, the selected ones first.

    Where Blender shows an object's name, ours would be in its way.
    """
    figure = ours.chosen_figure(context)
    found = []
    for piece in ours.pieces_of(figure, context.scene) if figure else []:
        if piece.show_name or not piece.visible_get():
            continue
        group, picked = piece.seamwright, piece.select_get()
        words = ours.piece_label(piece) if picked else str(group.number)
        words = f"{words} misfit" if group.misfit else words
        what = "weak" if group.misfit else "picked" if picked else "words"
        found.append((not picked, what, words, piece.matrix_world.to_translation()))
    return [rest for _later, *rest in sorted(found, key=lambda one: one[0])]


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
    named = [[float(x) for x in found.groups()] for found in _PLACE.finditer(said)]
    if not named:
        return []
    mm = true_mm(figure, scene)
    return [Vector(place) / mm for place in named]


def true_mm(figure, scene):
    """Millimetres at true size in one Blender unit: exactly, if the figure was made ready as it
    is now."""
    pieces = ours.loaded("pieces")
    return (pieces and pieces.mm_of(figure, scene)) or ours.shown_mm(figure, scene)


def names_place(sentence):
    """Whether a sentence names a place."""
    return _PLACE.search(sentence) is not None


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
    looked_up.begin()
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
            ends = _ends(lines())
            made = batch_for_shader(shader, "LINES", {"pos": ends}) if len(ends) else None
            _batches[what] = key, made
        batch = _batches[what][1]
        if batch is None:
            continue
        shader.bind()
        shader.uniform_float("viewportSize", (context.region.width, context.region.height))
        shader.uniform_float("lineWidth", scale * _WIDTHS.get(what, 1.5))
        on_skin = what in _ON_SKIN
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


def _ends(lines):
    """The ends of lines one after another: an array's as one array, which is quick to hand on."""
    if hasattr(lines, "reshape"):
        return lines.reshape(-1, 3).astype("float32")
    return [tuple(end) for part in lines for end in part]


def _draw_words():
    context = bpy.context
    if not _is_wanted(context):
        return
    font, scale = 0, context.preferences.system.ui_scale
    blf.size(font, 14 * scale)
    blf.enable(font, blf.SHADOW)
    blf.shadow(font, 5, 0.0, 0.0, 0.0, 0.8)
    boxes = {}
    for what, words, place in words_to_draw(context):
        at = _on_screen(context, place)
        if at is not None:
            x, y = at.x + 6 * scale, at.y + 6 * scale
            blf.color(font, *colour(context, what))
            blf.position(font, x, y, 0)
            blf.draw(font, words)
            boxes[what, words] = (x, y, *blf.dimensions(font, words))
    arrow = [box for (what, _words), box in boxes.items() if what == "arrow"]
    told = _draw_section_words(context, font, scale, arrow)
    _draw_piece_words(context, font, scale, [*boxes.values(), *told])
    # Crosses, for those who do not see their colour.
    blf.size(font, 32 * scale)
    blf.color(font, *colour(context, "weak"))
    for place in places_to_draw(context):
        at = _on_screen(context, place)
        if at is not None:
            wide, high = blf.dimensions(font, "×")
            blf.position(font, at.x - wide / 2, at.y - high / 2, 0)
            blf.draw(font, "×")
    blf.disable(font, blf.SHADOW)


def _on_screen(context, place):
    region, view = context.region, context.region_data
    return view3d_utils.location_3d_to_region_2d(region, view, Vector(place))


def _draw_section_words(context, font, scale, arrow):
    """Draw what is told of the section beside it, clear of the limb and of the boxes of the
    arrow's words; the boxes that takes."""
    told = section_to_tell(context)
    seen = [_on_screen(context, corner) for corner in told[1]] if told else []
    if not seen or None in seen:
        return []
    seen = [at.to_tuple() for at in seen]
    if told[2] and not _in_view(seen, context.region):
        return []
    seen += [(x + across, y) for x, y, wide, _high in arrow for across in (0, wide)]
    said = [part for line in told[0].splitlines() for part in textwrap.wrap(line, _WORDS)]
    wide = max(blf.dimensions(font, line)[0] for line in said)
    step = 18 * scale
    x, y = beside(seen, (wide, step * len(said)), _open(context), 12 * scale)
    _shade((x - 6 * scale, y - 4 * scale, wide + 12 * scale, step * len(said) + 4 * scale))
    blf.color(font, *colour(context, "taken"))
    for number, line in enumerate(said, start=1):
        blf.position(font, x, y + step * (len(said) - number) + 4 * scale, 0)
        blf.draw(font, line)
    return [(x, y, wide, step * len(said))]


def _shade(box):
    """Darken a box of the region, so that words on it are read whatever lies behind."""
    import gpu  # noqa: PLC0415  (there is none in the background)
    from gpu_extras.batch import batch_for_shader  # noqa: PLC0415

    x, y, wide, high = box
    corners = [(x, y), (x + wide, y), (x, y + high), (x + wide, y + high)]
    shader = gpu.shader.from_builtin("UNIFORM_COLOR")
    gpu.state.blend_set("ALPHA")
    shader.bind()
    shader.uniform_float("color", (0.0, 0.0, 0.0, _SHADE))
    batch_for_shader(shader, "TRI_STRIP", {"pos": corners}).draw(shader)
    gpu.state.blend_set("NONE")


def _open(context):
    """Where on a 3D view's region nothing of Blender's lies over it: left, low, right, high."""
    region = context.region
    left, low, right, high = 0, 0, region.width, region.height
    for other in context.area.regions if context.preferences.system.use_region_overlap else []:
        if other.width <= 1 or other.height <= 1:
            continue
        x, y = other.x - region.x, other.y - region.y
        if other.type == "UI":
            right = min(right, x)
        elif other.type == "TOOLS":
            left = max(left, x + other.width)
        elif other.type in ("HEADER", "TOOL_HEADER"):
            # They lie along the upper edge or, if the user flipped them, along the lower.
            if y > region.height / 2:
                high = min(high, y)
            else:
                low = max(low, y + other.height)
    return left, low, right, high


def _in_view(seen, region):
    """Whether the box round (x, y) corners has a part in a region."""
    across, up = zip(*seen, strict=True)
    inside = min(across) < region.width and max(across) > 0
    return inside and min(up) < region.height and max(up) > 0


def beside(seen, size, view, gap):
    """Where words go beside something: to its right, or its left if there is no room, always in
    the view, and below its middle, where the outline of a seam seen edge on runs.

    seen : (x, y) of its corners on the screen; size : of the words; view : left, low, right, high;
    all in pixels. Returns the lower left corner of the words.
    """
    across, up = zip(*seen, strict=True)
    left, low, right, high = view
    wide, tall = size
    x = max(across) + gap
    if x + wide > right:
        x = min(across) - gap - wide
    y = (min(up) + max(up)) / 2 - tall - gap / 3
    return (
        min(max(x, left + gap), max(right - gap - wide, left + gap)),
        min(max(y, low + gap), max(high - gap - tall, low + gap)),
    )


def _draw_piece_words(context, font, scale, taken):
    """Draw pieces' numbers amid them, as far as none lies on words that are there already."""
    blf.size(font, 16 * scale)
    for what, words, place in pieces_to_name(context):
        at = _on_screen(context, place)
        if at is None:
            continue
        wide, high = blf.dimensions(font, words)
        box = (at.x - wide / 2, at.y - high / 2, wide, high)
        if any(_overlap(box, other) for other in taken):
            continue
        taken.append(box)
        blf.color(font, *colour(context, what))
        blf.position(font, box[0], box[1], 0)
        blf.draw(font, words)


def _overlap(one, other):
    return (
        one[0] < other[0] + other[2]
        and other[0] < one[0] + one[2]
        and one[1] < other[1] + other[3]
        and other[1] < one[1] + one[3]
    )
