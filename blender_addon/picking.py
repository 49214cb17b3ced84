"""Selecting what is clicked in the panel's lists, and bringing it before the viewer.

Imports no geometry.
"""

from __future__ import annotations

import bpy
from mathutils import Vector

from . import scene as ours

_FRAMED = 8.0
_LEAST_FRAMED = 0.3
"""How far off something is looked at, in halves of its extent; and at least, as a share of the
figure's largest extent, so as not to be inside of it (common practice, no source)."""


def select(context: bpy.types.Context, obj: bpy.types.Object) -> bool:
    """Make an object the only selected and the active one, if that can be; whether it could."""
    if context.mode != "OBJECT" or not ours.is_listed(obj, context):
        return False
    for other in context.view_layer.objects.selected:
        other.select_set(False)
    obj.select_set(True)
    context.view_layer.objects.active = obj
    return True


def look_at(
    context: bpy.types.Context, figure: bpy.types.Object | None, place: Vector, size: float
) -> None:
    """Bring a place, in Blender units, before the viewer of the 3D view that was clicked in.

    size : half the extent of what is there, in Blender units.
    """
    space = context.space_data
    if space is None or space.type != "VIEW_3D" or space.region_3d is None:
        return
    low, high = ours.bounds(figure) if figure else (Vector(), Vector())
    least = _LEAST_FRAMED * max((high - low)[:])
    space.region_3d.view_location = place
    space.region_3d.view_distance = max(_FRAMED * size, least)


def look_at_joint(settings: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Select the seam of the joint that was clicked, and bring it before the viewer."""
    if not 0 <= settings.joint_index < len(settings.joints):
        return
    joint = settings.joints[settings.joint_index]
    seam = context.scene.objects.get(joint.seam)
    if seam is not None:
        select(context, seam)
    look_at(context, settings.figure, Vector(joint.middle), joint.size)


# --- lists of the scene's objects, whose active row is the active object's -----------------


def seam_index(settings: bpy.types.PropertyGroup) -> int:
    """Where among the scene's objects the active seam is; -1 if there is none."""
    return _index(settings.id_data, ours.active_seam(bpy.context))


def piece_index(settings: bpy.types.PropertyGroup) -> int:
    """Where among the scene's objects the active piece is; -1 if there is none."""
    active = bpy.context.view_layer.objects.active
    is_piece = active is not None and active.seamwright.is_piece
    return _index(settings.id_data, active if is_piece else None)


def _index(scene: bpy.types.Scene, obj: bpy.types.Object | None) -> int:
    return -1 if obj is None else scene.objects.find(obj.name)


def pick_seam(settings: bpy.types.PropertyGroup, index: int) -> None:
    """Select the seam at a place among the scene's objects."""
    select(bpy.context, settings.id_data.objects[index])


def pick_piece(settings: bpy.types.PropertyGroup, index: int) -> None:
    """Select the piece at a place among the scene's objects, and bring it before the viewer."""
    piece = settings.id_data.objects[index]
    select(bpy.context, piece)
    low, high = ours.bounds(piece)
    look_at(bpy.context, settings.figure, (low + high) / 2, (high - low).length / 2)


def pick_build(settings: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Select the pieces of the build that was clicked."""
    if context.mode != "OBJECT" or not 0 <= settings.build_index < len(settings.builds):
        return
    figure, number = ours.chosen_figure(context), settings.builds[settings.build_index].number
    for piece in ours.pieces_of(figure, context.scene) if figure else []:
        if ours.is_listed(piece, context):
            piece.select_set(piece.seamwright.build == number)


def pick_none(_settings: bpy.types.PropertyGroup, _index: int) -> None:
    """Rows of this list have buttons only."""


# --- planes that do not hide the figure ----------------------------------------------------


def show_planes(context: bpy.types.Context) -> None:
    """Let the active seam's plane be seen as a surface and all others as wire."""
    figure = ours.chosen_figure(context)
    if figure is None:
        return
    active = ours.active_seam(context)
    for seam in ours.seams_of(figure, context.scene):
        wanted = "TEXTURED" if seam == active else "WIRE"
        if not ours.is_line(seam) and seam.display_type != wanted and not seam.library:
            seam.display_type = wanted
