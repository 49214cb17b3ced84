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

from seamwright.figure import true_size
from seamwright.job import Job, read_job, write_job
from seamwright.mesh import Mesh
from seamwright.printer import BUILT_IN, PrinterProfile
from seamwright.seam import in_order

from . import scene as ours
from .builds import builds_of, take_builds
from .choices import add_joint, joints_at
from .conversion import mesh_of, named_object, require_scene_choice, typed
from .keep_clear import keep_clear_of, natural_lines_of, take_markings
from .place import names_of, size_of, true_mm
from .printer_properties import DEFAULT, profile_of, take_profile
from .rods import add_rod, rods_of
from .seams import add, seams_of, side_of


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
    scene = context.scene
    names = names_of(ours.seams_of(figure, scene))
    profile = profile_of(scene.seamwright, typed)
    return Job(
        settings.job_name or figure.name,
        choice,
        profile,
        seams_of(figure, scene, mm),
        settings.output or None,
        joints_at(figure, scene, names, mm),
        rods_of(figure, scene, mm),
        builds_of(figure, names, profile),
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
    source, unit = mesh_of(figure, context)
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
    former = [*ours.seams_of(figure, scene), *ours.joints_of(figure, scene)]
    ours.remove([*former, *ours.companions_of(former), *ours.rods_of(figure, scene)])
    choice = job.figure
    sized = true_size(
        source, unit=unit, scale=choice.scale, target_height=choice.target_height, up=choice.up
    )
    most = 1.2 * float(sized.size.max())
    added = {
        seam.name: add(context, figure, seam, mm, min(side_of(sized, seam) or most, most) / mm)
        for seam in job.seams
    }
    for seam in job.seams:
        for name in seam.stops_at:
            added[seam.name].seamwright.stops_at.add().seam = added[name]
    for one in job.joints:
        seam = next(seam for seam in job.seams if seam.name == one.seam)
        add_joint(context, added[one.seam], one, seam.point, mm)
    for rod in job.rods:
        add_rod(context, figure, rod, mm)
    take_builds(figure, job.builds, added)
    seams = ours.counted(len(job.seams), "seam")
    said = f"{seams} taken from job '{job.name}' for object '{figure.name}'."
    said += ours.said_of_link(figure)
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
