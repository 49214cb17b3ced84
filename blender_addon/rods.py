"""Rods in the scene as the library's rods, and the library's put into the scene.

A rod is a curve of two points, as thick as the rod, from its one end to its other.
"""

from __future__ import annotations

import bpy
import numpy as np
from mathutils import Vector

from seamwright.errors import BadInput
from seamwright.job import Job
from seamwright.rod import Rod
from seamwright.seam import Point

from . import scene as ours
from .conversion import typed
from .line import local_points, placed, shape_of
from .place import names_of, point_of, stands, tell, told_of


def rods_of(figure: bpy.types.Object, scene: bpy.types.Scene, mm: float) -> tuple[Rod, ...]:
    """The figure's rods in their order; `mm` at true size in a Blender unit. Raises BadInput."""
    objects = ours.rods_of(figure, scene)
    names = names_of(objects)
    return tuple(_rod(obj, names[obj], mm) for obj in objects)


def _rod(obj: bpy.types.Object, name: str, mm: float) -> Rod:
    if obj.mode == "EDIT":
        obj.update_from_editmode()
    splines = obj.data.splines
    local = local_points(obj) if len(splines) == 1 else np.zeros((0, 3))
    if len(local) != 2:
        raise BadInput(f"Rod '{name}' is not one curve of two points; leave its two ends in it.")
    group, told = obj.seamwright, told_of(obj)
    diameter = _exact(group.diameter, told.get("diameter"))
    gap = _exact(group.clearance, told.get("clearance")) if group.own_clearance else None
    if "points" in told and stands(obj, told, mm) and told["shape"] == shape_of(local):
        start, end = (point_of(p) for p in told["points"])
    else:
        start, end = (point_of(p) for p in np.round(placed(local, obj) * mm, 3) + 0.0)
    return Rod(name, start, end, diameter, gap)


def _exact(shown: float, was: float | None) -> float:
    return was if was is not None and float(np.float32(was)) == shown else typed(shown)


def add_rod(
    context: bpy.types.Context, figure: bpy.types.Object, rod: Rod, mm: float
) -> bpy.types.Object:
    """A rod as a new object."""
    others = ours.rods_of(figure, context.scene)
    obj = ours.straight_curve(rod.name, [Vector(p) / mm for p in (rod.start, rod.end)])
    obj.data.use_fill_caps = True
    obj.data.materials.append(ours.material("sky blue"))
    obj.color = obj.data.materials[0].diffuse_color
    obj.show_in_front = True
    ours.add_companion(context, figure, obj)
    group = obj.seamwright
    group.is_rod = True
    group.number = 1 + max((o.seamwright.number for o in others), default=0)
    group.own_clearance = rod.clearance is not None
    if rod.clearance is not None:
        group.clearance = rod.clearance
    group.diameter = rod.diameter
    ours.size_rod(obj, context.scene)
    points = (rod.start, rod.end)
    tell(
        obj, mm, name=rod.name, points=points, shape=shape_of(local_points(obj)),
        diameter=rod.diameter, clearance=rod.clearance,
    )  # fmt: skip
    return obj


def free_name(job: Job, name: str = "Rod") -> str:
    """A name that no rod of a job has."""
    taken = {rod.name for rod in job.rods}
    number = 1
    while f"{name} {number}" in taken:
        number += 1
    return f"{name} {number}"


def ends_along(middle: Point, way: Point, length: float) -> tuple[Point, Point]:
    """Both ends of a rod of `length` mm about a middle, to a thousandth of a mm."""
    half = np.asarray(way) / float(np.linalg.norm(way)) * length / 2
    start, end = (np.round(np.asarray(middle) + sign * half, 3) + 0.0 for sign in (-1, 1))
    return point_of(start), point_of(end)
