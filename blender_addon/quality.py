"""What is known of a seam before it is cut, and the better place nearby: asked of the library."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, replace
from typing import Any

import bpy

from seamwright.errors import BadInput
from seamwright.freeing import StillTied
from seamwright.job import Job
from seamwright.markings import carried
from seamwright.mesh import Mesh
from seamwright.nudge import SHIFT_SHARE
from seamwright.nudges import nudged_seams
from seamwright.pieces import sections
from seamwright.quality import line_quality, quality
from seamwright.reach import region_facts
from seamwright.run import Figure
from seamwright.seam import PadChoice, Reach, Seam, in_order, reached
from seamwright.section import Section
from seamwright.span import Spans, effect, spans
from seamwright.surface import Surface, prepared

from . import scene as ours
from .choices import add_direction
from .conversion import mesh_of
from .job import job_of
from .pieces import ready
from .place import names_of, plane_of, point_of, size_of, true_mm
from .seams import add_pad, move, require_movable, settle


def regions_of(context: bpy.types.Context, obj: bpy.types.Object) -> str:
    """The regions of a flat seam's section and what each takes off; the same of a line seam."""
    figure, job, _mm = ready(context, obj.seamwright.figure)
    seam = _seam_at(context, obj, job)
    drawn, wholes = sections_for(figure.mesh, job.seams, seam)
    if seam.line:
        return f"Seam '{seam.name}':\n{effect(drawn, seam)}"
    facts = [facts.line for facts in region_facts(wholes[seam.name])]
    return "\n".join((f"Seam '{seam.name}':", *(facts or ["the plane meets no material"])))


def quality_of(context: bpy.types.Context, obj: bpy.types.Object) -> str:
    """How well a seam is hidden and how sound it is, in sentences, as the command says it."""
    figure, job, _mm = ready(context, obj.seamwright.figure)
    seam = _seam_at(context, obj, job)
    drawn, wholes = sections_for(figure.mesh, job.seams, seam)
    if seam.line:
        span = drawn[seam.name]
        said = line_quality(_surface(figure, drawn.figure), span.line).lines()
    else:
        whole = wholes[seam.name]
        surface = _surface(figure, whole.crossing.mesh)
        said = quality(surface, whole, reached(seam, whole), wall=job.printer.wall).lines()
    return "\n".join((f"Seam '{seam.name}':", *said))


def looked_at(
    context: bpy.types.Context, obj: bpy.types.Object
) -> tuple[Seam, Spans, dict[str, Section], Job, float]:
    """A seam with the lines drawn and the sections that it needs, the job it is of, and mm at
    true size in a Blender unit. Raises BadInput."""
    figure, job, mm = ready(context, obj.seamwright.figure)
    seam = _seam_at(context, obj, job)
    return seam, *sections_for(figure.mesh, job.seams, seam), job, mm


def _seam_at(context: bpy.types.Context, obj: bpy.types.Object, job: Job) -> Seam:
    return job.seams[ours.seams_of(obj.seamwright.figure, context.scene).index(obj)]


def sections_for(
    mesh: Mesh, seams: tuple[Seam, ...], seam: Seam
) -> tuple[Spans, dict[str, Section]]:
    """The lines drawn, and the sections, of a seam and those it stops at and no others.

    seams : all of the figure's. Raises BadInput.
    """
    by_name = {s.name: s for s in seams}
    wanted, ahead = {seam.name}, list(seam.stops_at)
    while ahead:
        name = ahead.pop()
        if name in by_name and name not in wanted:
            wanted.add(name)
            ahead += by_name[name].stops_at
    needed = in_order(tuple(s for s in seams if s.name in wanted))
    drawn = spans(mesh, needed)
    return drawn, sections(mesh, needed, drawn)


def _surface(figure: Figure, mesh: Mesh) -> Surface:
    """The facts of the figure, or of it as parted or drawn on, with what is marked on it."""
    marked = figure.markings
    if mesh is not figure.mesh:
        marked = carried(marked, figure.mesh, mesh)
    return prepared(mesh, marked)


# --- nudging --------------------------------------------------------------------------------


def nudge(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    only: bpy.types.Object | None,
    shift: float | None,
    tilt: float,
) -> tuple[tuple[tuple[str, ...], ...], float]:
    """Put flat seams at the best places nearby.

    Parameters
    ----------
    only : the seam to nudge; all flat ones if None.
    shift, tilt : most mm at true size and degrees; a share of the figure if shift is None.

    Returns
    -------
    said : for each seam looked at what was done, in sentences.
    shift : the bound that was used, mm.

    Raises
    ------
    BadInput
        If a seam cannot be parted where it is, or cannot be moved.
    """
    prepared_figure, job, mm = ready(context, figure)
    objects = ours.seams_of(figure, context.scene)
    flat = [seam.name for seam in job.seams if not seam.line]
    if not flat:
        raise BadInput("The figure has no flat seam to nudge; add one.")
    names = flat if only is None else [_seam_at(context, only, job).name]
    if shift is None:
        shift = SHIFT_SHARE * float(prepared_figure.mesh.size.max())
    seams, done = nudged_seams(
        prepared_figure.mesh, prepared_figure.markings, job.seams, names,
        shift=shift, tilt=tilt, wall=job.printer.wall,
    )  # fmt: skip
    changed = [
        (obj, now) for obj, was, now in zip(objects, job.seams, seams, strict=True) if now != was
    ]
    for obj, _seam in changed:
        require_movable(obj)
    for obj, seam in changed:
        move(obj, seam, mm)
    context.view_layer.update()
    for obj, seam in changed:
        settle(context, obj, seam, mm)
    return tuple(nudged.lines() for nudged in done), shift


def job_now(context: bpy.types.Context, figure: bpy.types.Object) -> tuple[Job, float]:
    """What the panel says about a figure, and mm at true size in one Blender unit."""
    source = mesh_of(figure, context)[0]
    mm = true_mm(context.scene, size_of(figure), source)
    return job_of(context, figure, source), mm


# --- further regions that would free a piece ------------------------------------------------


def offer_of(error: Exception, context: bpy.types.Context, figure: bpy.types.Object) -> str:
    """What an error offers to part as well, as the scene keeps it; empty if it offers nothing."""
    if not isinstance(error, StillTied) or not error.offer.reaches:
        return ""
    objects = ours.seams_of(figure, context.scene)
    by_name = {name: obj.name for obj, name in names_of(objects).items()}
    job, _mm = job_now(context, figure)
    return json.dumps(
        {
            "figure": figure.name,
            "seams": _mark(job),
            "reaches": [[by_name[n], asdict(reach)] for n, reach in error.offer.reaches],
        }
    )


def take_offer(context: bpy.types.Context, figure: bpy.types.Object, offer: str) -> str:
    """Give seams the reach that was offered; returns a sentence on it.

    Raises
    ------
    BadInput
        If the seams are no longer those for which it was offered.
    """
    kept = json.loads(offer)
    job, mm = job_now(context, figure)
    if kept["figure"] != figure.name or kept["seams"] != _mark(job):
        raise BadInput("The seams were changed since the offer; make the pieces again.")
    objects = ours.seams_of(figure, context.scene)
    seams = {obj.name: (obj, seam) for obj, seam in zip(objects, job.seams, strict=True)}
    for name, reach in kept["reaches"]:
        obj, seam = seams[name]
        settle(context, obj, replace(seam, reach=_reach(reach)), mm)
    told = " and ".join(f"'{name}'" for name, _reach_now in kept["reaches"])
    return f"The offered regions were taken into the reach of {told}; make the pieces again."


def _mark(job: Job) -> str:
    """What tells a job's seams from any others."""
    return hashlib.sha256(repr(job.seams).encode()).hexdigest()


def _reach(kept: dict[str, Any]) -> Reach:
    points = tuple(point_of(p) for p in kept["points"])
    return Reach(kept["mode"], points, tuple(kept["regions"]), kept["radius"])


# --- places from the 3D cursor ----------------------------------------------------------------


def reach_at_cursor(context: bpy.types.Context, obj: bpy.types.Object, also: bool) -> str:
    """Let a flat seam's reach go by the 3D cursor; `also` keeps the points it has.

    Raises
    ------
    BadInput
        If the reach is not told by points.
    """
    figure = obj.seamwright.figure
    mode = obj.seamwright.reach
    if ours.is_line(obj) or mode not in ("nearest", "disc"):
        raise BadInput(
            f"The reach of '{obj.name}' has no point; choose Nearest Regions or Inside a Disc."
        )
    job, mm = job_now(context, figure)
    seam = _seam_at(context, obj, job)
    cursor = point_of(round(x * mm, 6) + 0.0 for x in context.scene.cursor.location)
    points = (*seam.reach.points, cursor) if also and mode == "nearest" else (cursor,)
    settle(context, obj, replace(seam, reach=replace(seam.reach, points=points)), mm)
    return f"The reach of '{obj.name}' has {ours.counted(len(points), 'point')}."


def pad_added(context: bpy.types.Context, obj: bpy.types.Object) -> bpy.types.Object:
    """An Empty amid a line seam's line, at which its pad then goes. Raises BadInput."""
    job, mm = job_now(context, obj.seamwright.figure)
    seam = _seam_at(context, obj, job)
    if seam.line is None:
        raise BadInput(f"Seam '{obj.name}' is flat; only a line seam has a pad.")
    if ours.is_there(obj.seamwright.pad, context.scene):
        raise BadInput(f"Seam '{obj.name}' has its pad '{obj.seamwright.pad.name}'; move that.")
    free = replace(seam.line, pad=PadChoice(radius=seam.line.pad.radius))
    empty = add_pad(context, obj, seam, free, mm)
    obj.seamwright.pad_at = True
    return empty


def direction_added(context: bpy.types.Context, obj: bpy.types.Object) -> bpy.types.Object:
    """An Empty in the face of a seam's joints, or of one, along whose arrow the pegs then run:
    square to the face to begin with. Raises BadInput."""
    if ours.is_there(obj.seamwright.direction, context.scene):
        raise BadInput(f"'{obj.name}' has its direction '{obj.seamwright.direction.name}'.")
    job, mm = job_now(context, obj.seamwright.figure)
    group = obj.seamwright
    seam = _seam_at(context, group.seam if group.is_joint else obj, job)
    middle = plane_of(obj, mm)[0] if group.is_joint else seam.point
    return add_direction(context, obj, middle, seam.normal, mm)
