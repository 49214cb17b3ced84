"""Seams in the scene as the library's seams, and the library's put into the scene.

A flat seam is a mesh object whose plane is its own; a line seam is a curve through the
line's points.
"""

from __future__ import annotations

from collections.abc import Sequence

import bpy
import numpy as np
from mathutils import Matrix, Vector

from seamwright.errors import BadInput
from seamwright.landmark import numbers_of
from seamwright.line import line_seam
from seamwright.mesh import Mesh
from seamwright.seam import PadChoice, Point, Reach, Seam, SeamLine
from seamwright.section import section
from seamwright.stroke import ROUND

from . import scene as ours
from .choices import choice_of, take_choice
from .conversion import typed
from .line import points_of, tell_points
from .place import carried, names_of, plane_of, tell, told_of

_PAD_SIZE = 0.1
"""Length of a pad's arrow, as a share of the size of its seam (common practice, no source)."""


# --- from the scene -----------------------------------------------------------------------


def seams_of(figure: bpy.types.Object, scene: bpy.types.Scene, mm: float) -> tuple[Seam, ...]:
    """The figure's seams in their order; `mm` at true size in a Blender unit. Raises BadInput."""
    objects = ours.seams_of(figure, scene)
    names = names_of(objects)
    return tuple(
        line_seam_of(obj, number, names[obj], scene, mm)
        if ours.is_line(obj)
        else _flat(obj, number, names, scene, mm)
        for number, obj in enumerate(objects, start=1)
    )


def _flat(
    obj: bpy.types.Object,
    number: int,
    names: dict[bpy.types.Object, str],
    scene: bpy.types.Scene,
    mm: float,
) -> Seam:
    group, name = obj.seamwright, names[obj]
    point, normal = plane_of(obj, mm)
    reach = Reach()
    if group.reach == "nearest":
        reach = Reach("nearest", points=_near(obj, mm) or (point,))
    elif group.reach == "disc":
        centre = (_near(obj, mm) or (point,))[0]
        reach = Reach("disc", points=(centre,), radius=typed(group.radius))
    elif group.reach == "outline":
        if not ours.is_there(group.outline, scene):
            raise BadInput(
                f"Seam '{name}' has no outline for its reach; choose a closed curve round the "
                "limb to cut."
            )
        corners = points_of(group.outline, mm, f"The outline of seam '{name}'")
        reach = Reach("outline", points=corners)
    elif group.reach == "regions":
        reach = Reach("regions", regions=_region_numbers(group.regions, name))
    stops = tuple(names[stop.seam] for stop in group.stops_at if stop.seam in names)
    return Seam(number, name, point, normal, reach, choice_of(obj, scene, mm), stops)


def flat_seam(obj: bpy.types.Object, number: int, scene: bpy.types.Scene, mm: float) -> Seam:
    """A flat seam by itself, as if it stopped at no other. Raises BadInput."""
    return _flat(obj, number, {obj: obj.name}, scene, mm)


def _near(obj: bpy.types.Object, mm: float) -> tuple[Point, ...]:
    """The points told for the reach that the seam has now, carried along with it."""
    told = told_of(obj)
    if not told.get("near") or told.get("mode", obj.seamwright.reach) != obj.seamwright.reach:
        return ()
    return carried(obj, told, mm, told["near"])


def _region_numbers(text: str, name: str) -> tuple[int, ...]:
    words = text.replace(",", " ").split()
    if not words or not all(w.isdecimal() and int(w) > 0 for w in words):
        raise BadInput(
            f"Seam '{name}': regions '{text}' are not numbers from 1; write them as 1, 3."
        )
    return tuple(int(w) for w in words)


def line_seam_of(
    obj: bpy.types.Object, number: int, name: str, scene: bpy.types.Scene, mm: float
) -> Seam:
    """A line seam; `mm` at true size in a Blender unit. Raises BadInput."""
    group = obj.seamwright
    at = way = None
    if ours.is_there(group.pad, scene):
        at, way = plane_of(group.pad, mm)
    pad = PadChoice(
        at if group.pad_at else None,
        way if group.pad_way else None,
        typed(group.pad_radius) if group.pad_radius > 0 else None,
    )
    line = SeamLine(points_of(obj, mm, f"Seam '{name}'"), typed(group.crease), pad)
    return line_seam(number, name, line, choice_of(obj, scene, mm))


# --- into the scene -----------------------------------------------------------------------


def add(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    seam: Seam,
    mm: float,
    side: float = 0.0,
) -> bpy.types.Object:
    """A seam as a new object; where its reach has a point, a flat one stands there.

    side : of a flat seam's square, Blender units.
    """
    if seam.line:
        return _add_line(context, figure, seam, seam.line, mm)
    point, normal = Vector(seam.point), Vector(seam.normal).normalized()
    if seam.reach.points:
        near = Vector(seam.reach.points[0])
        point = near - (near - point).dot(normal) * normal
    turn = normal.to_track_quat("Z", "Y")
    place = Matrix.LocRotScale(point / mm, turn, None)
    obj = ours.add_seam(context, figure, seam.name, place, (side, side))
    settle(context, obj, seam, mm)
    take_choice(context, obj, seam.joint, seam.point, mm)
    return obj


def side_of(mesh: Mesh, seam: Seam) -> float:
    """Side of a square about a flat seam's place that holds what it takes of a figure, mm; 0 if
    that is not known.

    mesh : the figure at true size.
    """
    if seam.line:
        return 0.0
    whole = section(mesh, seam.frame)
    try:
        taken = numbers_of(seam, whole)
    except BadInput:
        return 0.0
    middle = (seam.reach.points or (seam.point,))[0]
    outlines = [whole.frame.to_world(whole.regions[number - 1].outline) for number in taken]
    far = [float(np.linalg.norm(outline - middle, axis=1).max()) for outline in outlines]
    return 2 * ROUND * max(far, default=0.0)


def settle(context: bpy.types.Context, obj: bpy.types.Object, seam: Seam, mm: float) -> None:
    """Give a flat seam's object the reach of a seam, whose plane it stands in already."""
    group = obj.seamwright
    group.reach = seam.reach.mode
    if seam.reach.mode == "disc":
        group.radius = seam.reach.radius
    if seam.reach.mode == "regions":
        group.regions = ", ".join(str(n) for n in seam.reach.regions)
    if seam.reach.mode == "outline":
        _draw_outline(context, obj, seam.reach.points, mm)
    near = seam.reach.points if seam.reach.mode in ("nearest", "disc") else ()
    tell(
        obj, mm, name=seam.name, point=seam.point, normal=seam.normal, near=near,
        mode=seam.reach.mode,
    )  # fmt: skip


def _draw_outline(
    context: bpy.types.Context, obj: bpy.types.Object, corners: tuple[Point, ...], mm: float
) -> None:
    group = obj.seamwright
    if ours.is_there(group.outline, context.scene):
        return
    curve = ours.closed_curve(f"{obj.name} outline", [Vector(p) / mm for p in corners])
    group.outline = ours.add_companion(context, group.figure, curve)
    tell_points(curve, corners, mm, curve.name)


def require_movable(obj: bpy.types.Object) -> None:
    """Raise if constraints would put a seam's object back."""
    if obj.constraints:
        raise BadInput(
            f"Seam '{obj.name}' has constraints, which would put it back; apply or remove them."
        )


def move(obj: bpy.types.Object, seam: Seam, mm: float) -> None:
    """Put a flat seam's object into a seam's plane by the least move and turn."""
    normal, point = Vector(seam.normal).normalized(), Vector(seam.point) / mm
    was = ours.matrix_of(obj).copy()
    turn = was.col[2].to_3d().rotation_difference(normal).to_matrix()
    now = (turn @ was.to_3x3()).to_4x4()
    now.translation = was.translation - (was.translation - point).dot(normal) * normal
    if obj.parent:
        obj.matrix_world = now
    else:
        obj.matrix_basis = now


def add_lines(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    lines: Sequence[tuple[Point, ...]],
    crease: float,
    mm: float,
) -> list[bpy.types.Object]:
    """A new line seam for each of some lines; Blender numbers their names. Raises BadInput."""
    seams = [line_seam(1, "Seam", SeamLine(points, crease)) for points in lines]
    objects = [add(context, figure, seam, mm) for seam in seams]
    for obj, points in zip(objects, lines, strict=True):
        tell_points(obj, points, mm, obj.name)
    return objects


def _add_line(
    context: bpy.types.Context, figure: bpy.types.Object, seam: Seam, line: SeamLine, mm: float
) -> bpy.types.Object:
    points = [Vector(p) / mm for p in line.points]
    obj = ours.add_line_seam(context, figure, seam.name, points)
    group = obj.seamwright
    group.crease = line.crease
    group.pad_radius = line.pad.radius or 0.0
    tell_points(obj, line.points, mm, seam.name)
    take_choice(context, obj, seam.joint, seam.point, mm)
    if line.pad.at is not None or line.pad.direction is not None:
        add_pad(context, obj, seam, line, mm)
    return obj


def add_pad(
    context: bpy.types.Context, obj: bpy.types.Object, seam: Seam, line: SeamLine, mm: float
) -> bpy.types.Object:
    """The Empty of a line seam's pad: where the line asks for it, else amid the line."""
    group = obj.seamwright
    choice = line.pad
    at, way = choice.at or seam.point, choice.direction or seam.normal
    size = _PAD_SIZE * max(max(xs) - min(xs) for xs in zip(*line.points, strict=True)) / mm
    empty = ours.new_empty(f"{obj.name} pad", "SINGLE_ARROW", size)
    turn = Vector(way).normalized().to_track_quat("Z", "Y")
    empty.matrix_basis = Matrix.LocRotScale(Vector(at) / mm, turn, None)
    group.pad = ours.add_companion(context, group.figure, empty)
    group.pad_at, group.pad_way = choice.at is not None, choice.direction is not None
    tell(empty, mm, point=at, normal=way)
    return empty
