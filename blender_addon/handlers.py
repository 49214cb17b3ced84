"""What runs by itself: marks forget what changed, and the active seam is followed.

Imports no geometry: that is imported when there is a seam to follow.
"""

import time

import bpy
from bpy.app.handlers import persistent

from seamwright.errors import SeamwrightError

from . import decisions, overlay, picking, redraw
from . import scene as ours
from .work import is_busy, late

_SOON = 0.02
"""Seconds after a change at which it is looked at, so that several changes are looked at once."""

_REST = 0.25
"""Seconds without a change after which a seam is taken to be at rest (common practice, no
source)."""

_LONGEST = 1.0
"""Seconds that are left between two looks at most, however long a look takes."""

_due = {"lines": ""}
_spent = [0.0]
"""Seconds that the last look took: as long is left to the user before the next."""


@persistent
def _changed(_scene, graph):
    decisions.changed(graph)
    redraw.begin()
    wake()


@persistent
def _undone(_scene, _graph=None):
    decisions.forget()
    redraw.begin()
    wake()


@persistent
def _loaded(*_what):
    forget()
    wake()


def wake():
    """Look soon at what may have changed: not all that does is told to handlers."""
    if not bpy.app.background and not bpy.app.timers.is_registered(_tick):
        pause = min(max(_SOON, _spent[0]), _LONGEST)
        bpy.app.timers.register(_tick, first_interval=pause)


def _tick():
    """Follow the active seam; returns in how many seconds to look again, or None."""
    if is_busy():
        return _REST
    start = time.perf_counter()
    try:
        picking.show_planes(bpy.context)
        return follow(bpy.context)
    except SeamwrightError:
        # What is wrong with the figure or a seam is said when a button asks for it.
        forget_followed()
        return None
    finally:
        _spent[0] = time.perf_counter() - start


def follow(context):
    """Look where the figure's seams are now; seconds until it is worth looking again, or None."""
    scene = context.scene
    figure = ours.chosen_figure(context) if scene is not None else None
    if figure is None or not scene.seamwright.show_sections or figure.mode != "OBJECT":
        forget_followed()
        return None
    seams = ours.seams_of(figure, scene)
    if not seams:
        forget_followed()
        return None
    live = late("live")
    before = live.version[0]
    active = ours.active_seam(context)
    flat = active in seams and not ours.is_line(active) and context.mode == "OBJECT"
    if flat:
        live.follow(context, figure, active)
    else:
        live.stop_following()
    again = _lines_drawn(context, live, figure)
    moved = live.version[0] != before
    if flat and not moved and _is_at_rest(context):
        live.keep_reach(context, figure, active)
    # The others one at a time, so that nothing waits for them.
    more = not moved and not again and _is_at_rest(context)
    more = more and live.draw_flat(context, figure, active if flat else None)
    if moved or more:
        overlay.redraw(context)
    if more:
        return _SOON
    return _REST if again or (flat and (moved or not _is_at_rest(context))) else None


def _lines_drawn(context, live, figure):
    """Draw lines that have been at rest since the last look; whether to look again."""
    due = live.lines_are_due(figure, context.scene)
    if due and due == _due["lines"]:
        live.draw_lines(context, figure)
        due = ""
    _due["lines"] = due
    return bool(due)


def _is_at_rest(context):
    """Whether the user is at nothing that may still be cancelled, such as dragging.

    A Blender that does not tell is taken to be at something.
    """
    windows = context.window_manager.windows
    return not any(len(getattr(window, "modal_operators", "?")) for window in windows)


def forget_followed():
    """Let go of what was followed."""
    live = ours.loaded("live")
    if live is not None and (live.section_now() or live.lines_now() or live.flat_now()):
        live.forget()
        overlay.redraw(bpy.context)


def forget():
    """Let go of all that is kept in memory."""
    decisions.forget()
    redraw.forget()
    for name in ("pieces", "joints", "live"):
        module = ours.loaded(name)
        if module is not None:
            module.forget()
    overlay.forget()


_HANDLERS = (
    ("depsgraph_update_post", _changed),
    ("undo_post", _undone),
    ("redo_post", _undone),
    ("load_post", _loaded),
)


def attach() -> None:
    """Start to listen to what changes in the file."""
    for name, handler in _HANDLERS:
        getattr(bpy.app.handlers, name).append(handler)


def detach() -> None:
    """Stop listening, and let go of what is kept."""
    for name, handler in _HANDLERS:
        getattr(bpy.app.handlers, name).remove(handler)
    if bpy.app.timers.is_registered(_tick):
        bpy.app.timers.unregister(_tick)
    forget()
