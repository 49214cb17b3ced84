"""The panel's decisions as the library's `Job`, and a job put into the panel.

The job is the same that the batch reads: what the panel makes, the batch makes from the
saved file. Numbers in the panel are float32, so a job keeps seven digits of a printer's or a
size's value there; a seam keeps all of them for as long as it is not moved.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix, Vector

from seamwright.errors import BadInput
from seamwright.figure import true_factor
from seamwright.job import FigureChoice, Job, read_job, write_job
from seamwright.mesh import Mesh
from seamwright.printer import BUILT_IN, PrinterProfile, printer
from seamwright.seam import Reach, Seam, in_order

from . import scene as ours
from .conversion import mesh_of, named_object, require_scene_choice, typed, unit_of
from .properties import DEFAULT, PRINTER_NUMBERS, take_profile


def job_of(context: bpy.types.Context, figure: bpy.types.Object, source: Mesh) -> Job:
    """What the panel says about a figure, as a job.

    Parameters
    ----------
    source : Mesh
        The figure as `conversion.mesh_of` gives it.

    Raises
    ------
    BadInput
        If a seam's regions are no numbers, or a printer value is out of range.
    """
    settings = figure.seamwright
    choice = FigureChoice(
        object=figure.name,
        scale=typed(settings.scale) if settings.size == "SCALE" else None,
        target_height=typed(settings.target_height) if settings.size == "HEIGHT" else None,
        mend=settings.mend,
    )
    mm = true_mm(context.scene, choice, source)
    objects = ours.seams_of(figure, context.scene)
    names = _names(objects)
    seams = [_seam_of(obj, n, mm, names) for n, obj in enumerate(objects, start=1)]
    return Job(
        settings.job_name or figure.name,
        choice,
        _printer_of(context.scene.seamwright),
        tuple(seams),
        settings.output or None,
    )


def saved(context: bpy.types.Context, figure: bpy.types.Object, path: Path) -> Path:
    """Write the panel's job to a .toml file; returns where. Raises BadInput."""
    if path.suffix.lower() != ".toml":
        path = path.with_name(path.name + ".toml")
    source, _unit = mesh_of(figure, context)
    write_job(job_of(context, figure, source), path)
    return path


def loaded(context: bpy.types.Context, path: Path) -> str:
    """Put a job file into the panel; returns a sentence on it. Raises BadInput."""
    return apply_job(context, read_job(path))


def true_mm(scene: bpy.types.Scene, choice: FigureChoice, source: Mesh) -> float:
    """Millimetres at true size in one Blender unit of the scene."""
    unit, factor = unit_of(scene)
    size = true_factor(
        source, unit=unit, scale=choice.scale, target_height=choice.target_height, up=choice.up
    )
    return size * factor


def _printer_of(settings: bpy.types.PropertyGroup) -> PrinterProfile:
    values: dict[str, Any] = {key: typed(getattr(settings, key)) for key in PRINTER_NUMBERS}
    values["build_volume"] = tuple(typed(x) for x in settings.build_volume)
    if settings.printer_name:
        values["name"] = settings.printer_name
    return printer(settings.profile, **values)


def _names(seams: list[bpy.types.Object]) -> dict[bpy.types.Object, str]:
    """Each seam's name in the job: its object's, or what a job called it if Blender could not."""
    names: dict[bpy.types.Object, str] = {}
    for obj in seams:
        told = json.loads(obj.seamwright.told or "{}")
        as_told = told.get("object") == obj.name and told["name"] not in names.values()
        names[obj] = told["name"] if as_told else obj.name
    return names


def _seam_of(
    obj: bpy.types.Object, number: int, mm: float, names: dict[bpy.types.Object, str]
) -> Seam:
    group, name = obj.seamwright, names[obj]
    told = json.loads(group.told) if group.told else None
    if told and told["mm"] == mm and told["matrix"] == _rows(_matrix(obj)):
        point, normal, near = (told[key] for key in ("point", "normal", "near"))
    else:
        point, normal = _plane(obj, mm)
        near = _carried(obj, told, mm) if told else []
    reach = Reach()
    if group.reach == "nearest":
        reach = Reach("nearest", points=tuple(tuple(p) for p in near or [point]))
    elif group.reach == "disc":
        centre = tuple((near or [point])[0])
        reach = Reach("disc", points=(centre,), radius=typed(group.radius))
    elif group.reach == "regions":
        reach = Reach("regions", regions=_region_numbers(group.regions, name))
    stops = tuple(names[stop.seam] for stop in group.stops_at if stop.seam in names)
    return Seam(number, name, tuple(point), tuple(normal), reach, group.joint, stops)


def _region_numbers(text: str, name: str) -> tuple[int, ...]:
    words = text.replace(",", " ").split()
    if not words or not all(w.isdecimal() and int(w) > 0 for w in words):
        raise BadInput(
            f"Seam '{name}': regions '{text}' are not numbers from 1; write them as 1, 3."
        )
    return tuple(int(w) for w in words)


# --- where a seam lies ------------------------------------------------------------------


def _matrix(obj: bpy.types.Object) -> Matrix:
    """A seam's transform into the scene.

    Blender works out `matrix_world` only for what it shows; a seam that hangs on nothing
    has the same in `matrix_basis`, hidden or not.
    """
    return obj.matrix_world if obj.parent or obj.constraints else obj.matrix_basis


def _plane(obj: bpy.types.Object, mm: float) -> tuple[list[float], list[float]]:
    """A seam's point, mm at true size, and unit normal, from its transform.

    Rounded to a millionth of a mm and to 1e-7, far below what float32 holds of them, so
    that a seam along an axis is exactly that.
    """
    matrix = np.array(_matrix(obj), dtype=np.float64)
    length = float(np.linalg.norm(matrix[:3, 2]))
    if not length > 0:
        raise BadInput(f"Seam '{obj.name}' is scaled to nothing along its z axis; undo that.")
    normal = np.round(matrix[:3, 2] / length, 7) + 0.0
    point = [round(typed(x) * mm, 6) + 0.0 for x in matrix[:3, 3]]
    return point, normal.tolist()


def _remember(obj: bpy.types.Object, seam: Seam, mm: float) -> None:
    """Keep a job's own digits of a seam for as long as nobody moves it."""
    obj.seamwright.told = json.dumps(
        {
            "name": seam.name,
            "object": obj.name,
            "point": seam.point,
            "normal": seam.normal,
            "near": seam.reach.points,
            "mm": mm,
            "matrix": _rows(_matrix(obj)),
        }
    )


def _carried(obj: bpy.types.Object, told: dict[str, Any], mm: float) -> list[list[float]]:
    """The points of reach that a job gave, moved and turned as the seam was since."""
    moved = _rigid(_matrix(obj)) @ _rigid(Matrix(told["matrix"])).inverted()
    points = [moved @ (Vector(p) / told["mm"]) * mm for p in told["near"]]
    return [[round(x, 3) + 0.0 for x in p] for p in points]


def _rigid(matrix: Matrix) -> Matrix:
    place, turn, _scale = matrix.decompose()
    return Matrix.LocRotScale(place, turn, None)


def _rows(matrix: Matrix) -> list[list[float]]:
    return [list(row) for row in matrix]


# --- a job into the panel -----------------------------------------------------------------


def apply_job(context: bpy.types.Context, job: Job) -> str:
    """Put a job into the panel, in place of what was decided about its figure.

    Nothing is changed unless all of the job can be taken.

    Returns
    -------
    One sentence on what was done.

    Raises
    ------
    BadInput
        If the job's object is not there, or the job turns the figure, which is done on
        the object in Blender.
    """
    scene = context.scene
    require_scene_choice(job)
    in_order(job.seams)  # refuses seams that stop at nothing or in a ring
    if job.figure.object is not None:
        figure = named_object(job.figure.object, scene)
    else:
        figure = ours.figure_of(context)
    source, _unit = mesh_of(figure, context)
    mm = true_mm(scene, job.figure, source)

    scene.seamwright.figure = figure
    settings = figure.seamwright
    settings.job_name = "" if job.name == figure.name else job.name
    settings.output = job.output or ""
    settings.mend = job.figure.mend
    settings.size = "SOURCE"
    if job.figure.scale is not None:
        settings.size, settings.scale = "SCALE", job.figure.scale
    if job.figure.target_height is not None:
        settings.size, settings.target_height = "HEIGHT", job.figure.target_height
    _take_printer(scene.seamwright, job.printer)
    ours.remove(ours.seams_of(figure, scene))
    side = 1.2 * float(source.size.max()) / unit_of(scene)[1]
    added = {seam.name: _add(context, figure, seam, mm, side) for seam in job.seams}
    for seam in job.seams:
        for name in seam.stops_at:
            added[seam.name].seamwright.stops_at.add().seam = added[name]
    seams = ours.counted(len(job.seams), "seam")
    said = f"{seams} taken from job '{job.name}' for object '{figure.name}'."
    now = job_of(context, figure, source)
    if now != replace(job, figure=now.figure) or _sizes(now) != _sizes(job):
        said += " Numbers of more than seven digits were rounded."
    return said


def _sizes(job: Job) -> tuple[float | None, float | None]:
    return job.figure.scale, job.figure.target_height


def _take_printer(settings: bpy.types.PropertyGroup, profile: PrinterProfile) -> None:
    known = profile.name in BUILT_IN
    settings.profile = profile.name if known else DEFAULT.name
    settings.printer_name = "" if known else profile.name
    take_profile(settings, profile)


def _add(
    context: bpy.types.Context, figure: bpy.types.Object, seam: Seam, mm: float, side: float
) -> bpy.types.Object:
    """A seam of the job as an object; with reach "nearest" it stands at the reach's point."""
    point, normal = Vector(seam.point), Vector(seam.normal).normalized()
    if seam.reach.points:
        near = Vector(seam.reach.points[0])
        point = near - (near - point).dot(normal) * normal
    turn = normal.to_track_quat("Z", "Y")
    place = Matrix.LocRotScale(point / mm, turn, Vector((side, side, side / 4)))
    obj = ours.add_seam(context, figure, seam.name, place)
    group = obj.seamwright
    group.reach, group.joint = seam.reach.mode, seam.joint
    group.radius = seam.reach.radius or group.radius
    group.regions = ", ".join(str(n) for n in seam.reach.regions) or "1"
    _remember(obj, seam, mm)
    return obj
