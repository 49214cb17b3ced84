"""The keep-clear area and the natural lines: what the panel lists, as the library takes it."""

from __future__ import annotations

from collections.abc import Sequence

import bpy
import numpy as np
from mathutils import Matrix, Vector

from seamwright.errors import BadInput
from seamwright.markings import KeepClear, LineKind

from . import scene as ours
from .conversion import mesh_of, typed
from .markings import FACE_SET
from .place import plane_of, point_of, size_of, stands, tell, told_of, true_mm

NATURAL: tuple[tuple[str, LineKind], ...] = (
    ("natural_seams", "seams"),
    ("natural_creases", "creases"),
    ("natural_face_sets", "face sets"),
)
"""The panel's ticks, and what they are in a job."""


def natural_lines_of(figure: bpy.types.Object) -> tuple[LineKind, ...]:
    """What is ticked on the figure."""
    return tuple(kind for key, kind in NATURAL if getattr(figure.seamwright, key))


def painted_of(figure: bpy.types.Object) -> tuple[KeepClear, ...]:
    """What is kept clear by marks on the figure itself: all but the balls.

    Raises
    ------
    BadInput
        If a name is missing, or a limit is not one of painted values.
    """
    items = figure.seamwright.keep_clear
    return tuple(_painted(figure, item) for item in items if item.kind != "ball")


def keep_clear_of(
    figure: bpy.types.Object, scene: bpy.types.Scene, mm: float
) -> tuple[KeepClear, ...]:
    """All that is kept clear, in the panel's order; `mm` at true size in a Blender unit.

    Raises
    ------
    BadInput
        As `painted_of`, or if a ball's Empty is gone.
    """
    return tuple(
        _ball(item, scene, mm) if item.kind == "ball" else _painted(figure, item)
        for item in figure.seamwright.keep_clear
    )


def _painted(figure: bpy.types.Object, item: bpy.types.PropertyGroup) -> KeepClear:
    if item.kind == "face_set":
        return KeepClear("face_set", number=item.number)
    above = typed(item.above)
    if item.kind != "property" and not 0 <= above < 1:
        raise BadInput(
            f"The keep-clear area of '{figure.name}' asks for values above {above:g}; painted "
            "values go from 0 to 1, so give 0 or more and less than 1."
        )
    if item.kind == "mask":
        return KeepClear("mask", above=above)
    if not item.source.strip():
        what = "vertex group" if item.kind == "vertex_group" else "attribute"
        raise BadInput(
            f"The keep-clear area of '{figure.name}' names no {what}; choose one or take that "
            "line out of the list."
        )
    return KeepClear(item.kind, name=item.source, above=above)


def _ball(item: bpy.types.PropertyGroup, scene: bpy.types.Scene, mm: float) -> KeepClear:
    if not ours.is_there(item.ball, scene):
        raise BadInput(
            "A ball of the keep-clear area has lost its Empty; take it out of the list, or add "
            "it anew."
        )
    told = told_of(item.ball)
    exact = stands(item.ball, told, mm) and typed(told["radius"]) == typed(item.radius)
    radius = float(told["radius"]) if exact else typed(item.radius)
    return KeepClear("ball", centre=plane_of(item.ball, mm)[0], radius=radius)


def new_item(figure: bpy.types.Object) -> bpy.types.PropertyGroup:
    """A new item of the list, with a name of its own: library overrides know items by it."""
    items = figure.seamwright.keep_clear
    number = 1 + max((int(item.name) for item in items if item.name.isdecimal()), default=0)
    item = items.add()
    item.name = str(number)
    return item


def add_ball(
    context: bpy.types.Context, figure: bpy.types.Object, choice: KeepClear, mm: float
) -> None:
    """List a ball, with an Empty at its middle."""
    item = new_item(figure)
    item.kind = "ball"
    empty = ours.new_empty("Keep clear", "SPHERE", choice.radius / mm)
    empty.matrix_basis = Matrix.Translation(Vector(choice.centre) / mm)
    item.ball = ours.add_companion(context, figure, empty)
    item.radius = choice.radius
    empty.empty_display_size = choice.radius / mm
    tell(empty, mm, point=choice.centre, normal=(0.0, 0.0, 1.0), radius=choice.radius)


def ball_at_cursor(context: bpy.types.Context, figure: bpy.types.Object) -> None:
    """List a ball about the 3D cursor, a tenth of the figure's largest extent in radius."""
    source = mesh_of(figure, context)[0]
    mm = true_mm(context.scene, size_of(figure), source)
    low, high = ours.bounds(figure)
    radius = float(f"{mm * max((high - low)[:]) / 10:.2g}")
    at = point_of(round(typed(x) * mm, 6) + 0.0 for x in context.scene.cursor.location)
    add_ball(context, figure, KeepClear("ball", centre=at, radius=radius), mm)


def take_markings(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    keep_clear: Sequence[KeepClear],
    natural_lines: Sequence[LineKind],
    mm: float,
) -> None:
    """Put what a job marks into the panel, in place of what was there."""
    group = figure.seamwright
    for key, kind in NATURAL:
        setattr(group, key, kind in natural_lines)
    clear(figure)
    for choice in keep_clear:
        if choice.kind == "ball":
            add_ball(context, figure, choice, mm)
            continue
        item = new_item(figure)
        item.kind, item.source = choice.kind, choice.name
        item.number, item.above = choice.number, choice.above


def clear(figure: bpy.types.Object) -> None:
    """Take everything out of the list, with the balls' Empties."""
    items = figure.seamwright.keep_clear
    balls = [item.ball for item in items if item.ball is not None]
    items.clear()
    ours.remove(balls)


def face_set_chosen(figure: bpy.types.Object) -> int:
    """The number of the face set of the figure's active face, or of its first selected one.

    Raises
    ------
    BadInput
        If there are no face sets, or no face is selected.
    """
    if figure.type != "MESH":
        raise BadInput(f"'{figure.name}' is no mesh, so it has no face sets.")
    if figure.mode != "EDIT":
        return _face_set(figure, figure.data)
    # While a mesh is edited its attributes are empty; a copy has them.
    figure.update_from_editmode()
    copy = figure.data.copy()
    try:
        return _face_set(figure, copy)
    finally:
        bpy.data.meshes.remove(copy)


def _face_set(figure: bpy.types.Object, data: bpy.types.Mesh) -> int:
    attribute = data.attributes.get(FACE_SET)
    if attribute is None:
        raise BadInput(f"'{figure.name}' has no face sets; make some in Sculpt Mode.")
    selected = np.zeros(len(data.polygons), dtype=np.bool_)
    data.polygons.foreach_get("select", selected)
    if not selected.any():
        raise BadInput(
            f"No face of '{figure.name}' is selected; select one of the face set in Edit Mode."
        )
    face = int(np.argmax(selected))
    active = data.polygons.active
    if active is not None and 0 <= active < len(selected) and selected[active]:
        face = active
    return int(attribute.data[face].value)
