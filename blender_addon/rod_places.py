"""Where a new rod runs: along a seam's arrow, or from the 3D cursor to what is selected."""

from __future__ import annotations

import bpy
from mathutils import Vector

from seamwright.errors import BadInput
from seamwright.landmark import landmark, numbers_of
from seamwright.rod import Rod
from seamwright.seam import Point

from . import scene as ours
from .conversion import typed
from .place import point_of
from .quality import job_now, looked_at
from .rods import ends_along, free_name


def along_seam(
    context: bpy.types.Context, obj: bpy.types.Object, length: float, diameter: float
) -> tuple[Rod, float]:
    """A rod square through the largest region a seam takes, where that is widest, and mm at
    true size in a Blender unit. Raises BadInput."""
    seam, drawn, wholes, job, mm = looked_at(context, obj)
    if seam.line:
        frame = drawn[seam.name].frame
        middle, way = point_of(frame.origin), point_of(frame.normal)
    else:
        whole = wholes[seam.name]
        middle = landmark(whole, min(numbers_of(seam, whole))).point
        way = seam.normal
    start, end = ends_along(middle, way, typed(length))
    return Rod(free_name(job), start, end, typed(diameter)), mm


def to_selected(
    context: bpy.types.Context, figure: bpy.types.Object, diameter: float
) -> tuple[Rod, float]:
    """A rod from the 3D cursor to the selected vertices, or to the active object's origin.

    Raises
    ------
    BadInput
        If nothing fitting is selected, or it is where the cursor is.
    """
    job, mm = job_now(context, figure)
    ends = (context.scene.cursor.location, _selected(context, figure))
    start, end = (_mm(place, mm) for place in ends)
    rod = Rod(free_name(job), start, end, typed(diameter))
    if not rod.length > typed(diameter):
        raise BadInput(
            "The 3D cursor is where the selection is, so the rod has no length; put the cursor "
            "where the rod starts."
        )
    return rod, mm


def _mm(place: Vector, mm: float) -> Point:
    return point_of(round(typed(x) * mm, 3) + 0.0 for x in place)


def _selected(context: bpy.types.Context, figure: bpy.types.Object) -> Vector:
    active = context.view_layer.objects.active
    if active is None:
        raise BadInput("Nothing is selected; select where the rod ends.")
    if active.mode != "EDIT":
        if active == figure:
            raise BadInput(
                "The figure itself is selected; select vertices of it in Edit Mode, or an Empty "
                "where the rod ends."
            )
        return ours.matrix_of(active).translation
    active.update_from_editmode()
    if active.type != "MESH":
        raise BadInput(f"'{active.name}' is no mesh; select vertices of a mesh.")
    chosen = [v.co for v in active.data.vertices if v.select]
    if not chosen:
        raise BadInput(f"No vertex of '{active.name}' is selected; select where the rod ends.")
    return ours.matrix_of(active) @ (sum(chosen, Vector()) / len(chosen))
