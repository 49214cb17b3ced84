"""Where objects of ours stand, in mm at true size.

What a job said of an object is kept on it with all its digits, as `told`, for as long as
nobody moves it; what Blender holds is float32.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix, Vector

from seamwright.errors import BadInput
from seamwright.figure import true_factor
from seamwright.job import FigureChoice
from seamwright.mesh import Mesh
from seamwright.seam import Point

from .conversion import typed, unit_of
from .scene import matrix_of


def size_of(figure: bpy.types.Object) -> FigureChoice:
    """How the panel says that a figure gets its true size, with nothing else decided."""
    settings = figure.seamwright
    return FigureChoice(
        object=figure.name,
        scale=typed(settings.scale) if settings.size == "SCALE" else None,
        target_height=typed(settings.target_height) if settings.size == "HEIGHT" else None,
    )


def true_mm(scene: bpy.types.Scene, choice: FigureChoice, source: Mesh) -> float:
    """Millimetres at true size in one Blender unit of the scene."""
    unit, factor = unit_of(scene)
    size = true_factor(
        source, unit=unit, scale=choice.scale, target_height=choice.target_height, up=choice.up
    )
    return size * factor


def rows(matrix: Matrix) -> list[list[float]]:
    """A matrix as JSON keeps it."""
    return [list(row) for row in matrix]


def told_of(obj: bpy.types.Object) -> dict[str, Any]:
    """What was told of an object, whether or not it was moved since; {} if nothing was."""
    return json.loads(obj.seamwright.told or "{}")


def tell(obj: bpy.types.Object, mm: float, **said: Any) -> None:
    """Keep what is said of an object for as long as it stands where it does now."""
    matrix = rows(matrix_of(obj))
    obj.seamwright.told = json.dumps({**said, "object": obj.name, "mm": mm, "matrix": matrix})


def stands(obj: bpy.types.Object, told: dict[str, Any], mm: float) -> bool:
    """Whether an object still stands as it was told, at the same true size."""
    return bool(told) and told["mm"] == mm and told["matrix"] == rows(matrix_of(obj))


def plane_of(obj: bpy.types.Object, mm: float) -> tuple[Point, Point]:
    """An object's origin, mm at true size, and the unit direction of its z axis.

    As told, or rounded to a millionth of a mm and to 1e-7, far below what float32 holds of
    them, so that an object along an axis is exactly that.

    Raises
    ------
    BadInput
        If the object is scaled to nothing.
    """
    told = told_of(obj)
    if "point" in told and stands(obj, told, mm):
        return point_of(told["point"]), point_of(told["normal"])
    matrix = np.array(matrix_of(obj), dtype=np.float64)
    length = float(np.linalg.norm(matrix[:3, 2]))
    if not length > 0:
        raise BadInput(f"'{obj.name}' is scaled to nothing along its z axis; undo that.")
    normal = np.round(matrix[:3, 2] / length, 7) + 0.0
    return point_of(round(typed(x) * mm, 6) + 0.0 for x in matrix[:3, 3]), point_of(normal)


def names_of(objects: list[bpy.types.Object]) -> dict[bpy.types.Object, str]:
    """Each one's name in the job: its object's, or what a job called it if Blender could not."""
    names: dict[bpy.types.Object, str] = {}
    for obj in objects:
        told = told_of(obj)
        others = {*names.values(), *(o.name for o in objects if o != obj)}
        as_told = told.get("object") == obj.name and told["name"] not in others
        names[obj] = told["name"] if as_told else obj.name
    return names


def carried(
    obj: bpy.types.Object, told: dict[str, Any], mm: float, near: Iterable[Iterable[float]]
) -> tuple[Point, ...]:
    """Points that were told of a seam, moved and turned as the seam was since."""
    if stands(obj, told, mm):
        return tuple(point_of(p) for p in near)
    moved = _rigid(matrix_of(obj)) @ _rigid(Matrix(told["matrix"])).inverted()
    points = [moved @ (Vector(p) / told["mm"]) * mm for p in near]
    return tuple(point_of(round(x, 3) + 0.0 for x in p) for p in points)


def _rigid(matrix: Matrix) -> Matrix:
    place, turn, _scale = matrix.decompose()
    return Matrix.LocRotScale(place, turn, None)


def point_of(numbers: Iterable[float]) -> Point:
    """Three numbers as the library's point."""
    x, y, z = (float(n) for n in numbers)
    return (x, y, z)
