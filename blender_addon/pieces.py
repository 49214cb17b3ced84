"""Pieces: made from what the panel says, shown in the scene, and written to a folder."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import bpy

from seamwright.job import Job, job_to_toml
from seamwright.mesh import Mesh
from seamwright.pieces import sections
from seamwright.reach import region_facts
from seamwright.run import Result, make, prepare, write
from seamwright.seam import in_order

from . import scene as ours
from .conversion import mesh_of, piece_mesh, scene_mm
from .job import job_of

Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class _Kept:
    mark: str
    result: Result


_kept: list[_Kept] = []
# The last result, so that writing what was just made does not make it again. It is known by
# the job's text and the figure's own numbers, never by time: undo or an edit cannot fool it.


def forget() -> None:
    """Let go of the last result."""
    _kept.clear()


def made(context: bpy.types.Context, figure: bpy.types.Object, progress: Progress) -> Result:
    """The checked result of what the panel says about a figure.

    Raises
    ------
    BadInput, CheckFailed
        See `seamwright.run`.
    """
    source, unit = mesh_of(figure, context)
    job = job_of(context, figure, source)
    mark = _mark(source, unit, job)
    if _kept and _kept[0].mark == mark:
        return _kept[0].result
    forget()
    result = make(prepare(source, unit, job), job, progress)
    _kept.append(_Kept(mark, result))
    return result


def _mark(source: Mesh, unit: str, job: Job) -> str:
    known = hashlib.sha256(f"{unit}\n{job_to_toml(job)}".encode())
    known.update(source.vertices.tobytes())
    known.update(source.faces.tobytes())
    return known.hexdigest()


def inspected(context: bpy.types.Context, figure: bpy.types.Object) -> tuple[str, ...]:
    """What the figure is like at true size and what mending does to it, as sentences."""
    source, unit = mesh_of(figure, context)
    ready = prepare(source, unit, job_of(context, figure, source))
    return (*ready.inspection.lines(), *ready.mended)


def regions_of(context: bpy.types.Context, figure: bpy.types.Object, seam: bpy.types.Object) -> str:
    """The regions of one seam's section by number, area and centre, as a sentence."""
    source, unit = mesh_of(figure, context)
    job = job_of(context, figure, source)
    number = ours.seams_of(figure, context.scene).index(seam)
    name = job.seams[number].name
    whole = sections(prepare(source, unit, job).mesh, in_order(job.seams))[name]
    facts = [facts.line for facts in region_facts(whole)] or ["the plane meets no material"]
    return "\n".join((f"Seam '{name}':", *facts))


def show(context: bpy.types.Context, figure: bpy.types.Object, result: Result) -> None:
    """Put a result's pieces into the figure's own collection, in place of earlier ones."""
    scene = context.scene
    mm = scene_mm(scene)
    fresh = [(piece, *piece_mesh(piece, mm)) for piece in result.pieces]
    ours.remove(ours.pieces_of(figure, scene))
    collection = ours.made_collection(figure, scene, "PIECES")
    colours = [ours.material(name) for name in ours.OKABE_ITO]
    for number, (piece, mesh, middle) in enumerate(fresh):
        mesh.name = f"{figure.name} {piece.name}"
        obj = bpy.data.objects.new(mesh.name, mesh)
        group = obj.seamwright
        group.is_piece, group.figure, group.number, group.rest = True, figure, piece.id, middle
        obj.location = middle
        # Colour is never the only sign: the name with the piece's number is shown as well.
        obj.show_name = True
        mesh.materials.append(colours[number % len(colours)])
        obj.color = mesh.materials[0].diffuse_color
        collection.objects.link(obj)
    ours.stand_apart(collection)


def said_of(result: Result) -> tuple[str, ...]:
    """What was made, which checks hold, and why each joint is as it is."""
    return (
        f"{ours.counted(len(result.pieces), 'piece')}, "
        f"{ours.counted(len(result.joints), 'joint')}; all checks hold.",
        *(f"{check.name}: {check.found}" for check in result.checks),
        *(f"Warning: {warning}" for warning in result.warnings),
        *(
            f"Joint {j.letter} ({j.interface.piece_b} to {j.interface.piece_a}, "
            f"{j.interface.seam.name}): {j.reason}"
            for j in result.joints
        ),
    )


def written(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    target: Path,
    replace: bool,
    progress: Progress,
) -> Path:
    """Make the pieces and write the result folder, whole or not at all.

    Raises
    ------
    BadInput, CheckFailed
        See `seamwright.run`.
    """
    result = made(context, figure, lambda done, what: progress(0.7 * done, what))
    return write(
        result, target, replace=replace,
        progress=lambda done, what: progress(0.7 + 0.3 * done, what),
    )  # fmt: skip
