"""The panel's decisions as the library's `Job`, and a job put into the panel.

The job is the same that the batch reads: what the panel makes, the batch makes from the
saved file. Numbers in the panel are float32, so a job keeps seven digits of a printer's or a
size's value there; a seam keeps all of them for as long as it is not moved.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import bpy

from seamwright.job import Job, read_job, write_job
from seamwright.mesh import Mesh
from seamwright.printer import BUILT_IN, PrinterProfile, printer
from seamwright.seam import in_order

from . import scene as ours
from .conversion import mesh_of, named_object, require_scene_choice, typed, unit_of
from .keep_clear import keep_clear_of, natural_lines_of, take_markings
from .place import size_of, true_mm
from .properties import DEFAULT, PRINTER_NUMBERS, take_profile
from .seams import add, seams_of


def job_of(context: bpy.types.Context, figure: bpy.types.Object, source: Mesh) -> Job:
    """What the panel says about a figure, as a job.

    Parameters
    ----------
    source : Mesh
        The figure as `conversion.mesh_of` gives it.

    Raises
    ------
    BadInput
        If a seam, a keep-clear area or a printer value cannot be taken as it is.
    """
    settings = figure.seamwright
    size = size_of(figure)
    mm = true_mm(context.scene, size, source)
    choice = replace(
        size,
        mend=settings.mend,
        keep_clear=keep_clear_of(figure, context.scene, mm),
        natural_lines=natural_lines_of(figure),
    )
    return Job(
        settings.job_name or figure.name,
        choice,
        _printer_of(context.scene.seamwright),
        seams_of(figure, context.scene, mm),
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


def _printer_of(settings: bpy.types.PropertyGroup) -> PrinterProfile:
    values: dict[str, Any] = {key: typed(getattr(settings, key)) for key in PRINTER_NUMBERS}
    values["build_volume"] = tuple(typed(x) for x in settings.build_volume)
    values["material"] = settings.material
    if settings.printer_name:
        values["name"] = settings.printer_name
    return printer(settings.profile, **values)


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
    take_markings(context, figure, job.figure.keep_clear, job.figure.natural_lines, mm)
    former = ours.seams_of(figure, scene)
    ours.remove([*former, *ours.companions_of(former)])
    side = 1.2 * float(source.size.max()) / unit_of(scene)[1]
    added = {seam.name: add(context, figure, seam, mm, side) for seam in job.seams}
    for seam in job.seams:
        for name in seam.stops_at:
            added[seam.name].seamwright.stops_at.add().seam = added[name]
    seams = ours.counted(len(job.seams), "seam")
    said = f"{seams} taken from job '{job.name}' for object '{figure.name}'."
    now = job_of(context, figure, source)
    if now != replace(job, figure=now.figure) or _figures(now) != _figures(job):
        said += " Numbers of more than seven digits were rounded."
    return said


def _figures(job: Job) -> tuple[Any, ...]:
    """What of a figure's choice the panel holds as numbers, or in no order."""
    choice = job.figure
    return choice.scale, choice.target_height, choice.keep_clear, set(choice.natural_lines)


def _take_printer(settings: bpy.types.PropertyGroup, profile: PrinterProfile) -> None:
    known = profile.name in BUILT_IN
    settings.profile = profile.name if known else DEFAULT.name
    settings.printer_name = "" if known else profile.name
    take_profile(settings, profile)
