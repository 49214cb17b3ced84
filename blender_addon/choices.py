"""What the panel says of joints as the library's choices, and the library's put into the panel.

A seam's object has the choice for its joints; an Empty has it for a single one of them. What a
job gave is kept with all its digits, and with what the panel does not show, for as long as the
panel shows the same.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix, Vector

from seamwright.choice import JointAt, JointChoice
from seamwright.errors import BadInput
from seamwright.joint_tables import choice_of as choice_of_table
from seamwright.joint_tables import choice_table
from seamwright.seam import Point

from . import scene as ours
from .conversion import typed
from .joint_properties import AUTOMATIC, COUNTED, DIRECTED, SAID, SHOWN
from .place import carried, plane_of, rows, stands, tell, told_of

_SWITCHED = ("clearance", "turn")
"""Numbers that have a tick of their own, `own_clearance` and `own_turn`."""

_ARROW = 30.0
"""Length of a direction's arrow, mm (common practice, no source)."""


# --- from the panel -----------------------------------------------------------------------


def choice_of(obj: bpy.types.Object, scene: bpy.types.Scene, mm: float) -> JointChoice:
    """What is decided on a seam's object or on a single joint's Empty.

    Raises
    ------
    BadInput
        If it cannot be taken as it is; the sentence names the object.
    """
    group = obj.seamwright
    told = _told(obj)
    was = choice_of_table(told["choice"], f"Joint of '{obj.name}'") if told else JointChoice()
    kept: dict[str, Any] = {}
    if was.kind == group.joint:
        kept = {key: getattr(was, key) for key in choice_table(was)}
    found = {"kind": group.joint, "marks": group.marks}
    for key in SHOWN[group.joint]:
        kept.pop(key, None)
        value = _shown(group, key, getattr(was, key))
        if value is not None:
            found[key] = value
    kept.pop("direction", None)
    if group.joint in DIRECTED and ours.is_there(group.direction, scene):
        found["direction"] = plane_of(group.direction, mm)[1]
    if "at" in kept:
        kept["at"] = carried(obj, told, mm, kept["at"])
    try:
        return JointChoice(**{**kept, **found, "firm": _firm(group, was)})
    except BadInput as error:
        raise BadInput(f"Joint of '{obj.name}': {error}") from error


def _firm(group: bpy.types.PropertyGroup, was: JointChoice) -> tuple[str, ...]:
    """What is as by default and goes over the seam's: what a job gave, and what is ticked."""
    if not group.is_joint:
        return was.firm
    ticked = {"kind": group.kind_said, "marks": group.marks_said, "key": "key" in was.firm}
    return tuple(key for key, is_said in ticked.items() if is_said)


def place_pegs(obj: bpy.types.Object, at: Iterable[Point], mm: float) -> None:
    """Say where the pegs or magnets go, in mm; from now on they go along with the object."""
    group = obj.seamwright
    table = _told(obj).get("choice", {})
    if table.get("kind", AUTOMATIC) != group.joint:
        # What was given for another kind does not count.
        table = {} if group.joint == AUTOMATIC else {"kind": group.joint}
    table["at"] = [list(place) for place in at]
    told = {"choice": table, "mm": mm, "matrix": rows(ours.matrix_of(obj))}
    group.joint_told = json.dumps(told)


def places_of(obj: bpy.types.Object) -> int:
    """How many places are given for the pegs or magnets; 0 where they go is left open."""
    table = _told(obj).get("choice", {})
    is_meant = table.get("kind", AUTOMATIC) == obj.seamwright.joint
    return len(table.get("at", ())) if is_meant else 0


def forget_places(obj: bpy.types.Object) -> None:
    """Let the pegs go where they have room, not where a job or the user said."""
    told = _told(obj)
    if told:
        told["choice"].pop("at", None)
        obj.seamwright.joint_told = json.dumps(told)


def _told(obj: bpy.types.Object) -> dict[str, Any]:
    return json.loads(obj.seamwright.joint_told or "{}")


def _shown(group: bpy.types.PropertyGroup, key: str, was: Any) -> Any:
    """What the panel shows for a key, with the digits it was told; None where it is left open."""
    value = getattr(group, key)
    if key in _SWITCHED:
        value = value if getattr(group, f"own_{key}") else None
    elif value == (0 if key in COUNTED else AUTOMATIC):
        value = None
    if not isinstance(value, float):
        return value
    return was if was is not None and float(np.float32(was)) == value else typed(value)


# --- into the panel -----------------------------------------------------------------------


def take_choice(
    context: bpy.types.Context,
    obj: bpy.types.Object,
    choice: JointChoice,
    middle: Point,
    mm: float,
) -> None:
    """Put a choice on a seam's object or a single joint's Empty.

    middle : mm, where an arrow for its direction goes.
    """
    group = obj.seamwright
    group.joint, group.marks = choice.kind, choice.marks
    for key, kept in (("kind", SAID["joint"]), ("marks", SAID["marks"])):
        setattr(group, kept, group.is_joint and choice.says(key))
    for key in COUNTED:
        setattr(group, key, getattr(choice, key) or 0)
    for key in ("footprint", "pegs_on", "magnet"):
        setattr(group, key, getattr(choice, key) or AUTOMATIC)
    for key in _SWITCHED:
        value = getattr(choice, key)
        setattr(group, f"own_{key}", value is not None)
        if value is not None:
            setattr(group, key, value)
    table = choice_table(choice)
    told = {"choice": table, "mm": mm, "matrix": rows(ours.matrix_of(obj))}
    group.joint_told = json.dumps(told) if table else ""
    if choice.direction is not None:
        add_direction(context, obj, middle, choice.direction, mm)


def add_direction(
    context: bpy.types.Context, obj: bpy.types.Object, middle: Point, way: Point, mm: float
) -> bpy.types.Object:
    """The Empty whose arrow the pegs of a joint run along; `middle` mm, in its face."""
    group = obj.seamwright
    empty = ours.new_empty(f"{obj.name} direction", "SINGLE_ARROW", _ARROW / mm)
    turn = Vector(way).normalized().to_track_quat("Z", "Y")
    empty.matrix_basis = Matrix.LocRotScale(Vector(middle) / mm, turn, None)
    group.direction = ours.add_companion(context, group.figure, empty)
    tell(empty, mm, point=middle, normal=way)
    return empty


# --- single joints ------------------------------------------------------------------------


def joints_at(
    figure: bpy.types.Object,
    scene: bpy.types.Scene,
    names: dict[bpy.types.Object, str],
    mm: float,
) -> tuple[JointAt, ...]:
    """The choices for single joints in their order; `names` are the seams'. Raises BadInput."""
    return tuple(
        JointAt(names[obj.seamwright.seam], _near(obj, mm), choice_of(obj, scene, mm))
        for obj in ours.joints_of(figure, scene)
    )


def _near(obj: bpy.types.Object, mm: float) -> Point | None:
    told = told_of(obj)
    if told.get("only") and stands(obj, told, mm):
        return None
    return plane_of(obj, mm)[0]


def add_joint(
    context: bpy.types.Context,
    seam: bpy.types.Object,
    one: JointAt,
    middle: Point,
    mm: float,
) -> bpy.types.Object:
    """An Empty that decides for one of a seam's joints.

    middle : mm, where the Empty goes if the choice names no place, as the seam has one joint.
    """
    figure = seam.seamwright.figure
    at = middle if one.near is None else one.near
    others = ours.joints_of(figure, context.scene)
    obj = ours.new_empty(f"{seam.name} joint", "PLAIN_AXES", _ARROW / mm)
    obj.show_name = True
    obj.matrix_basis = Matrix.Translation(Vector(at) / mm)
    group = obj.seamwright
    group.is_joint, group.seam = True, seam
    group.number = 1 + max((o.seamwright.number for o in others), default=0)
    ours.add_companion(context, figure, obj)
    tell(obj, mm, point=at, normal=(0.0, 0.0, 1.0), only=one.near is None)
    take_choice(context, obj, one.choice, at, mm)
    return obj
