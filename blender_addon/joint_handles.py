"""Where the handles of the active seam's joints stand, and what dragging one of them decides."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import bpy
import numpy as np
from mathutils import Matrix, Vector

from seamwright.errors import BadInput, SeamwrightError
from seamwright.handles import centres_of, depth_range, needed, room_at, stand_of, width_range
from seamwright.joint import Joint
from seamwright.mesh import FloatArray
from seamwright.places import narrowest

from . import joints, overlay, redraw
from . import scene as ours
from .choices import place_pegs, places_of
from .decisions import mark_of
from .joint_properties import AUTOMATIC
from .joints import Drawn
from .place import point_of
from .previews import thin_walls
from .work import Warned, finished

EDGE_ON = 0.15
"""Sine of the angle between the view and a seam face below which the face counts as seen edge
on (common practice, no source)."""


@dataclass(frozen=True)
class Handle:
    """One handle of a joint.

    what : "width", "depth", "turn" or "place". number : of the peg it stands at.
    matrix : takes it into the scene; its z axis is the way it is dragged, or square to the face.
    value : what it is now.
    """

    what: str
    letter: str
    number: int
    matrix: Matrix
    value: float


@dataclass(frozen=True)
class Held:
    """What is taken hold of: the seam's object or single joint's Empty, all joints it decides for,
    and of these the one whose handle it is."""

    obj: bpy.types.Object
    drawn: Drawn
    joints: tuple[Joint, ...]
    joint: Joint


# --- where they stand -------------------------------------------------------------------------


def handles_of(context: bpy.types.Context) -> list[Handle]:
    """The handles to show: of all joints that the active seam or single joint decides for."""
    obj, drawn = ours.active_jointed(context), overlay.joints_to_draw(context)
    if obj is None or drawn is None or obj.seamwright.figure != ours.chosen_figure(context):
        return []
    shown = _shown(obj, drawn)
    # A place is one joint's.
    places = len(shown) == 1
    return [handle for joint in shown for handle in _handles(joint, drawn.mm, places)]


def _shown(obj: bpy.types.Object, drawn: Drawn) -> tuple[Joint, ...]:
    letters = joints.acted_on(obj)
    return tuple(joint for joint in drawn.joints if joint.letter in letters)


def _handles(joint: Joint, mm: float, places: bool) -> list[Handle]:
    if joint.interface.seat is None:
        return []
    frame, found = joint.frame, []
    follows = any(peg.shape == "section" for peg in joint.pegs)
    if joint.pegs:
        first = joint.pegs[0]
        stand = stand_of(first)
        middle = frame.to_world(stand.centre[None])[0]
        across = _across(joint, stand.turn)
        end = middle + first.depth * joint.way(joint.socket_side)
        found.append(_handle("depth", joint, 0, end, joint.into, first.depth, mm))
        if not follows:
            side = middle + first.width / 2 * across
            found.append(_handle("width", joint, 0, side, across, first.width, mm))
            found.append(_handle("turn", joint, 0, middle, frame.normal, stand.turn, mm, across))
    if places and not follows:
        middles = frame.to_world(centres_of(joint))
        found += [
            _handle("place", joint, k, at, frame.normal, 0.0, mm) for k, at in enumerate(middles)
        ]
    return found


def _across(joint: Joint, turn: float) -> FloatArray:
    """(3,) unit, along a footprint's width."""
    angle = math.radians(turn)
    return np.asarray(np.array([math.cos(angle), math.sin(angle)]) @ joint.frame.axes[:2])


def _handle(
    what: str,
    joint: Joint,
    number: int,
    at: FloatArray,
    way: FloatArray,
    value: float,
    mm: float,
    across: FloatArray | None = None,
) -> Handle:
    """across : (3,) to which x points."""
    z = Vector(way).normalized()
    x = Vector(joint.frame.axes[0] if across is None else across)
    x = x - z * x.dot(z)
    x = x.normalized() if x.length > 1e-6 else z.orthogonal().normalized()
    matrix = Matrix((x, z.cross(x), z)).transposed().to_4x4()
    matrix.translation = Vector(at) / mm
    return Handle(what, joint.letter, number, matrix, float(value))


# --- what dragging one decides ------------------------------------------------------------------


def held(context: bpy.types.Context, letter: str) -> Held:
    """What a handle is of. Raises BadInput if there is no such joint to be dragged."""
    obj, drawn = ours.active_jointed(context), overlay.joints_to_draw(context)
    if obj is None:
        raise BadInput("The active object is no seam and no joint of a figure; select one.")
    shown = _shown(obj, drawn) if drawn is not None else ()
    joint = next((joint for joint in shown if joint.letter == letter), None)
    if drawn is None or joint is None or not (joint.pegs or joint.magnets):
        raise BadInput(f"'{obj.name}' has no joint {letter} to be dragged; size the joints again.")
    return Held(obj, drawn, shown, joint)


def place_of(now: Held, number: int) -> tuple[float, float]:
    """Where a peg stands on its face, mm from the face's middle."""
    x, y = centres_of(now.joint)[number] - _middle(now.joint)
    return float(x), float(y)


def _middle(joint: Joint) -> FloatArray:
    return joint.frame.to_plane(joint.interface.centre[None])[0]


def slid(now: Held, move: Vector) -> tuple[float, float]:
    """How far a move in the scene goes along a joint's face, mm."""
    x, y = now.joint.frame.axes[:2] @ np.array(move) * now.drawn.mm
    return float(x), float(y)


def decide(
    now: Held, what: str, number: int, value: float, at: Sequence[float]
) -> tuple[float, tuple[float, float], str]:
    """Put what a handle was dragged to into the panel, as far as it can go.

    value : mm, or degrees of a turn. at : mm from the face's middle, of a place.

    Returns
    -------
    Both as they were taken, and what kept them from going farther, in words, or nothing.
    """
    group = now.obj.seamwright
    if what == "place":
        kept, said = _put(now, number, at)
        return value, kept, said
    if what == "turn":
        value = (value + 180.0) % 360.0 - 180.0
        group.own_turn, group.turn = True, value
        return value, (at[0], at[1]), ""
    value, said = _held_back(now, what, value)
    setattr(group, what, value)
    return value, (at[0], at[1]), said


def _held_back(now: Held, what: str, value: float) -> tuple[float, str]:
    """A width or depth as far as it can go, mm, and why no farther, in words."""
    low, high, why = _range(now, what)
    if value > high + 1e-6:
        return high, why
    if value < low - 1e-6:
        what = "thinnest peg that prints sound" if what == "width" else "shallowest peg"
        return low, f"{low:.4g} mm is the {what}"
    if what == "width" and value > _widest(now, fixed=True):
        return value, "too wide for where they are: other places, or fewer pegs, are tried"
    return value, ""


def _widest(now: Held, fixed: bool) -> float:
    """How wide pegs can be, mm: where they are, or where there is most room."""
    pegged = [joint for joint in now.joints if joint.pegs]
    is_open, profile = now.obj.seamwright.footprint == AUTOMATIC, now.drawn.job.printer
    return min(width_range(joint, fixed, profile, is_open)[1] for joint in pegged)


def _range(now: Held, what: str) -> tuple[float, float, str]:
    """From where to where a size goes, mm, and why no farther, in words."""
    pegged = [joint for joint in now.joints if joint.pegs]
    profile = now.drawn.job.printer
    if what == "depth":
        ranges = [depth_range(joint, profile) for joint in pegged]
        low, high = max(r[0] for r in ranges), min(r[1] for r in ranges)
    else:
        low, high = narrowest(profile), _widest(now, fixed=places_of(now.obj) > 0)
    # As it is shown, so that it still fits.
    low = math.ceil(low * 100) / 100
    high = max(low, math.floor(high * 100) / 100) if math.isfinite(high) else high
    if what == "depth":
        return low, high, f"{high:.4g} mm is as deep as a draft of {profile.draft:g}° lets it go"
    return low, high, f"{high:.4g} mm is the widest that leaves {profile.wall:g} mm of wall"


def _put(now: Held, number: int, at: Sequence[float]) -> tuple[tuple[float, float], str]:
    """Put one peg or magnet somewhere else on its face, as near as there is room."""
    joint, profile = now.joint, now.drawn.job.printer
    centres, said = centres_of(joint), ""
    wanted, need = _middle(joint) + np.array(at[:2]), needed(joint, profile)
    if room_at(joint, wanted) < need:
        said = f"no nearer to the rim, where {profile.wall:g} mm of wall are wanted"
        wanted = _slid_along(joint, centres[number], wanted, need)
    centres[number] = wanted
    places = np.round(joint.frame.to_world(centres), 3) + 0.0
    place_pegs(now.obj, [point_of(place) for place in places], now.drawn.mm)
    x, y = (float(v) for v in wanted - _middle(joint))
    return (x, y), said


def _slid_along(joint: Joint, start: FloatArray, wanted: FloatArray, need: float) -> FloatArray:
    """A place with room on the way from one place to another, and on along the rim."""
    if room_at(joint, start) < need:
        # It has none where it is: let it go where there is more.
        return wanted if room_at(joint, wanted) > room_at(joint, start) else start
    for way in (np.ones(2), np.array([1.0, 0.0]), np.array([0.0, 1.0])):
        start = _last(joint, start, start + way * (wanted - start), need)
    return start


def _last(joint: Joint, start: FloatArray, end: FloatArray, need: float) -> FloatArray:
    """The last place with room on the straight way between two."""
    if room_at(joint, end) >= need:
        return end
    low, high = 0.0, 1.0
    for _ in range(12):
        share = (low + high) / 2
        has_room = room_at(joint, start + share * (end - start)) >= need
        low, high = (share, high) if has_room else (low, share)
    return np.asarray(start + low * (end - start))


# --- after it -----------------------------------------------------------------------------------


def sized_again(context: bpy.types.Context, said: str) -> str:
    """What was dragged to, and what the joints came to if sizing them again is quick."""
    figure = ours.figure_of(context)
    settings = context.scene.seamwright
    redraw.begin()
    if not joints.is_quick(figure):
        return f"{said} Size the joints again to see whether there is room."
    base = joints.sized_of(figure)
    try:
        settings.joints_found = finished(joints.sizing(context, figure))
    except SeamwrightError as error:
        # What is listed stays, out of date, so that it can be dragged back.
        settings.joints_found = why_not(context, figure, base, error)
        return Warned(f"{said} {error}")
    return said


def why_not(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    base: Drawn | None,
    error: SeamwrightError,
) -> str:
    """What went wrong with sizing, with the places where walls would be too thin, a line each."""
    mark = mark_of(figure, context.scene)
    thin = thin_walls(figure, base, mark) if base is not None else []
    return "\n".join((str(error), *thin))
