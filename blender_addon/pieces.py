"""Pieces: made from what the panel says, shown in the scene, and written to a folder."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import bpy

from seamwright.build_choice import AS_USUAL
from seamwright.errors import Progress
from seamwright.job import Job, job_to_toml
from seamwright.ledger import printed_path, read_printed, write_printed
from seamwright.markings import Markings, crossed
from seamwright.mesh import Mesh
from seamwright.plan import planned
from seamwright.results import write
from seamwright.run import Figure, Result, make, prepare

from . import scene as ours
from .builds import still_printed, ticked
from .conversion import marked_mesh_of, piece_mesh, scene_mm
from .decisions import figure_mark, mark_of
from .job import job_of
from .keep_clear import natural_lines_of, painted_of
from .place import true_mm
from .work import Steps, finished, leave_edit_mode


@dataclass
class _Kept:
    """The last figure made ready, and what was made of it.

    So neither is made again for the next button or for writing what was just made. They are
    known by the job's text and the figure's own numbers and markings, never by time: undo,
    an edit or a repainted area cannot fool them. `seen` tells less, but at once.
    """

    figure_mark: str
    figure: Figure
    mm: float
    seen: str
    result_mark: str = ""
    result: Result | None = None


_kept: list[_Kept] = []


def forget() -> None:
    """Let go of the last figure and result."""
    _kept.clear()


def ready(context: bpy.types.Context, figure: bpy.types.Object) -> tuple[Figure, Job, float]:
    """The figure at true size, mended and marked, what the panel says about it, and mm at
    true size in one Blender unit.

    Raises
    ------
    BadInput
        If the figure or a decision cannot be taken as it is.
    """
    return finished(readying(context, figure))


def readying(context: bpy.types.Context, figure: bpy.types.Object) -> Steps:
    """The same in steps."""
    source, unit, markings = marked_mesh_of(
        figure, context, painted_of(figure), natural_lines_of(figure)
    )
    job = job_of(context, figure, source)
    # What is found of a figure depends on no seam, joint, rod or build.
    mark = _mark(
        source, unit, markings, replace(job, seams=(), joints=(), rods=(), builds=AS_USUAL)
    )
    if not _kept or _kept[0].figure_mark != mark:
        mm = true_mm(context.scene, job.figure, source)
        seen = figure_mark(figure, context.scene)
        prepared = yield lambda _progress: prepare(source, unit, job, markings)
        forget()
        _kept.append(_Kept(mark, prepared, mm, seen))
    return _kept[0].figure, job, _kept[0].mm


def mended_of(figure: bpy.types.Object, scene: bpy.types.Scene) -> Mesh | None:
    """The figure's mesh at true size as it was last made ready, if that was so as it is now."""
    seen = figure_mark(figure, scene)
    return _kept[0].figure.mesh if _kept and _kept[0].seen == seen else None


def kept_mm() -> float:
    """Millimetres at true size in a Blender unit, of the last figure made ready."""
    return _kept[0].mm


def _mark(source: Mesh, unit: str, markings: Markings, job: Job) -> str:
    known = hashlib.sha256(f"{unit}\n{job_to_toml(job)}".encode())
    for array in (source.vertices, source.faces, markings.keep_clear, markings.lines):
        known.update(f"\n{array.shape}\n".encode())
        known.update(array.tobytes())
    return known.hexdigest()


def making(context: bpy.types.Context, figure: bpy.types.Object, share: float = 1.0) -> Steps:
    """The checked result of what the panel says about a figure, with all its warnings, in steps.

    share : of all work that this is, for the progress.

    Raises
    ------
    BadInput, CheckFailed
        See `seamwright.run`.
    """
    prepared, job, _mm = yield from readying(context, figure)
    kept = _kept[0]
    text = job_to_toml(job)
    if kept.result is None or kept.result_mark != text:
        result = yield lambda tell: make(prepared, job, _part_of(tell, 0.0, share))
        names = {seam.id: seam.name for seam in job.seams}
        meshes = [piece.mesh for piece in result.pieces]
        crossing = crossed(prepared.mesh, prepared.markings, meshes, names)
        kept.result = replace(result, warnings=(*result.warnings, *crossing))
        kept.result_mark = text
    return kept.result


def _part_of(tell: Progress, low: float, high: float) -> Progress:
    """Progress of a part of the work, told of all of it."""
    return lambda done, what: tell(low + (high - low) * done, what)


def inspected(context: bpy.types.Context, figure: bpy.types.Object) -> tuple[str, ...]:
    """What the figure is like at true size, what is marked, and what mending does to it."""
    prepared, _job, _mm = ready(context, figure)
    marked = prepared.markings.sentences(prepared.mesh)
    return (*marked, *prepared.inspection.lines(), *prepared.mended)


def show(context: bpy.types.Context, figure: bpy.types.Object, result: Result) -> None:
    """Put a result's pieces into the figure's own collection, in place of earlier ones."""
    scene = context.scene
    mm = scene_mm(scene)
    fresh = [(piece, *piece_mesh(piece, mm)) for piece in result.pieces]
    printed = _printed(context, figure, result)
    ours.remove(ours.pieces_of(figure, scene))
    collection = ours.made_collection(figure, scene, "PIECES")
    colours = [ours.material(name) for name in ours.OKABE_ITO]
    for number, (piece, mesh, middle) in enumerate(fresh):
        mesh.name = f"{figure.name} {piece.name}"
        obj = bpy.data.objects.new(mesh.name, mesh)
        group = obj.seamwright
        group.is_piece, group.figure, group.number, group.rest = True, figure, piece.id, middle
        group.volume, group.printed = piece.mesh.volume / 1000, piece.id in printed
        obj.location = middle
        # Colour is never the only sign: the name with the piece's number is shown as well.
        obj.show_name = True
        mesh.materials.append(colours[number % len(colours)])
        obj.color = mesh.materials[0].diffuse_color
        collection.objects.link(obj)
    ours.stand_apart(collection)
    scene.seamwright.pieces_mark = mark_of(figure, scene)
    ours.clear_builds(scene.seamwright)


def show_anew(context: bpy.types.Context, figure: bpy.types.Object, result: Result) -> None:
    """The same if the pieces in the scene are others, or none."""
    scene = context.scene
    is_new = scene.seamwright.pieces_mark == mark_of(figure, scene)
    if not is_new or len(ours.pieces_of(figure, scene)) != len(result.pieces):
        show(context, figure, result)


SHOWN = 5
"""Warnings shown in the panel; the report has them all."""


def panel_lines(result: Result, report: str) -> tuple[str, ...]:
    """What the panel says of a result; `report` is the text that says the rest."""
    plain = sum(not joint.pegs for joint in result.joints)
    more = len(result.warnings) - SHOWN
    return (
        said_of(result)[0],
        *((f"{ours.counted(plain, 'joint')} without a peg.",) if plain else ()),
        *(f"Warning: {warning}" for warning in result.warnings[:SHOWN]),
        *((f"And {ours.counted(more, 'warning')} more.",) if more > 0 else ()),
        f"Checks and reasons: Text Editor, '{report}'.",
    )


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


def writing(
    context: bpy.types.Context, figure: bpy.types.Object, target: Path, replace: bool
) -> Steps:
    """Make the pieces, plan their builds and write the result folder, whole or not at all, in
    steps.

    Returns what was made and planned.

    Raises
    ------
    BadInput, CheckFailed
        See `seamwright.run`.
    """
    result = yield from making(context, figure, 0.5)
    done = _printed(context, figure, result)
    path = printed_path(target)
    known = read_printed(path, result.printable).pieces
    if figure.seamwright.written == str(target):
        # The panel's ticks were the file's before: those that were taken away stay away.
        known -= {piece.id for piece in result.pieces}
    both = done | known
    plan = yield lambda tell: planned(result, done=both, progress=_part_of(tell, 0.5, 0.8))
    yield lambda tell: write(
        result, target, plan=plan, replace=replace, progress=_part_of(tell, 0.8, 1.0)
    )
    if both or path.exists():
        write_printed(path, both, result.printable)
    leave_edit_mode(context)
    ours.choose(context, figure)
    show_anew(context, figure, result)
    for piece in ours.pieces_of(figure, context.scene):
        piece.seamwright.printed = piece.seamwright.number in both
    figure.seamwright.written = str(target)
    return result, plan


def planning(context: bpy.types.Context, figure: bpy.types.Object) -> Steps:
    """Make the pieces and plan their builds in steps; returns both. Raises as `writing` does."""
    result = yield from making(context, figure, 0.6)
    done = _printed(context, figure, result)
    plan = yield lambda tell: planned(result, done=done, progress=_part_of(tell, 0.6, 1.0))
    return result, plan


def _printed(
    context: bpy.types.Context, figure: bpy.types.Object, result: Result
) -> frozenset[int]:
    """Numbers of the result's pieces that are ticked off and still are the same solids."""
    was = ticked(figure, context.scene)
    return frozenset(
        piece.id
        for piece in result.pieces
        if still_printed(piece.mesh.volume / 1000, was.get(piece.id))
    )
