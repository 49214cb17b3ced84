"""Pieces: made from what the panel says, shown in the scene, and written to a folder."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, replace
from pathlib import Path

import bpy

from seamwright.build_choice import AS_USUAL
from seamwright.errors import BadInput, Progress
from seamwright.job import Job, job_to_toml
from seamwright.ledger import printed_path, read_printed, write_printed
from seamwright.markings import Markings
from seamwright.mesh import Mesh
from seamwright.plan import planned
from seamwright.results import write
from seamwright.run import Figure, Result, make, prepare

from . import scene as ours
from .builds import still_printed
from .conversion import marked_mesh_of, scene_mm
from .decisions import figure_mark, mark_of
from .job import job_of
from .keep_clear import natural_lines_of, painted_of
from .piece_objects import put, shown_of
from .place import true_mm
from .work import Steps, Warned, finished, leave_edit_mode


@dataclass
class _Kept:
    """The last figure made ready, and what was made of it.

    So neither is made again for the next button or for writing what was just made. They are
    known by the job's text and the figure's own numbers and markings, never by time: undo,
    an edit or a repainted area cannot fool them. `seen` tells less, but at once; `decided` is what
    `decisions.mark_of` said when the result was asked for.

    mm, unit : mm in one Blender unit, at true size and as the scene has it.
    result_mark : the text of the job that the result is of; empty if it is of an earlier figure,
        and only to be begun from.
    """

    figure_mark: str
    figure: Figure
    mm: float
    unit: float
    seen: str
    result_mark: str = ""
    result: Result | None = None
    decided: str = ""

    @property
    def made(self) -> Result:
        """The result, of which is known that it was made."""
        assert self.result is not None
        return self.result


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
    kept, job = yield from _readying(context, figure)
    return kept.figure, job, kept.mm


def _readying(context: bpy.types.Context, figure: bpy.types.Object) -> Steps:
    source, unit, markings = marked_mesh_of(
        figure, context, painted_of(figure), natural_lines_of(figure)
    )
    job = job_of(context, figure, source)
    # What is found of a figure depends on no seam, joint, rod or build.
    mark = _mark(
        source, unit, markings, replace(job, seams=(), joints=(), rods=(), builds=AS_USUAL)
    )
    seen = figure_mark(figure, context.scene)
    if _kept and _kept[0].figure_mark == mark:
        _kept[0].seen = seen
        return _kept[0], job
    mm = true_mm(context.scene, job.figure, source)

    def task(tell: Progress) -> Figure:
        # How much of all work this is depends on the figure's flaws.
        tell(0.0, "preparing the figure")
        return prepare(source, unit, job, markings, lambda _done, what: tell(0.0, what))

    prepared = yield task
    _require_there(context, figure)
    kept = _Kept(mark, prepared, mm, scene_mm(context.scene), seen)
    if _kept and _kept[0].result and _kept[0].result.job.figure.object == job.figure.object:
        # Much of it may still hold, as where only the printer was changed.
        kept.result = _kept[0].result
    _hold(kept)
    return kept, job


def _hold(kept: _Kept) -> None:
    """Let this be the last: while a task ran, another button may have made another ready."""
    _kept[:] = [kept]


def _require_there(context: bpy.types.Context, figure: bpy.types.Object) -> None:
    """Raise if the figure was taken away while a task ran."""
    if not ours.is_there(figure, context.scene):
        raise BadInput(f"'{figure.name}' was taken out of the scene meanwhile; begin again.")


def mended_of(figure: bpy.types.Object, scene: bpy.types.Scene) -> Mesh | None:
    """The figure's mesh at true size as it was last made ready, if that was so as it is now."""
    return _kept[0].figure.mesh if _is_ready(figure, scene) else None


def mm_of(figure: bpy.types.Object, scene: bpy.types.Scene) -> float | None:
    """Millimetres at true size in a Blender unit, if the figure was made ready as it is now."""
    return _kept[0].mm if _is_ready(figure, scene) else None


def _is_ready(figure: bpy.types.Object, scene: bpy.types.Scene) -> bool:
    return bool(_kept) and _kept[0].seen == figure_mark(figure, scene)


def kept_mm() -> float:
    """Millimetres at true size in a Blender unit, of the last figure made ready."""
    return _kept[0].mm


def _mark(source: Mesh, unit: str, markings: Markings, job: Job) -> str:
    known = hashlib.sha256(f"{unit}\n{job_to_toml(job)}".encode())
    for array in (source.vertices, source.faces, markings.keep_clear, markings.lines):
        known.update(f"\n{array.shape}\n".encode())
        known.update(array.tobytes())
    return known.hexdigest()


def making(context: bpy.types.Context, figure: bpy.types.Object) -> Steps:
    """The checked result of what the panel says about a figure, with all its warnings, in steps.

    Pieces that fit no printer are made as well, to be looked at, see `seamwright.run.make`.

    Raises
    ------
    BadInput, CheckFailed
        See `seamwright.run`.
    """
    kept = yield from _making(context, figure, 1.0)
    return kept.made


def _making(context: bpy.types.Context, figure: bpy.types.Object, share: float) -> Steps:
    """The same, all that is kept of it; `share` of all work that this is, for the progress."""
    decided = mark_of(figure, context.scene)
    kept, job = yield from _readying(context, figure)
    text = job_to_toml(job)
    if kept.result is None or kept.result_mark != text:
        before = kept.result
        kept.result = yield lambda tell: make(
            kept.figure, job, _part_of(tell, 0.0, share), before=before, keep_misfits=True
        )
        kept.result_mark = text
        _require_there(context, figure)
    kept.decided = decided
    _hold(kept)
    return kept


def _part_of(tell: Progress, low: float, high: float) -> Progress:
    """Progress of a part of the work, told of all of it."""
    return lambda done, what: tell(low + (high - low) * done, what)


def inspected(context: bpy.types.Context, figure: bpy.types.Object) -> tuple[str, ...]:
    """What the figure is like at true size, what is marked, and what mending does to it."""
    prepared, _job, _mm = ready(context, figure)
    marked = prepared.markings.sentences(prepared.mesh)
    return (*marked, *prepared.inspection.lines(), *prepared.mended)


def show(context: bpy.types.Context, figure: bpy.types.Object, result: Result) -> None:
    """Show the result that was just made as the figure's pieces, see `piece_objects.put`."""
    settings, kept = context.scene.seamwright, _kept[0]
    if put(context, figure, result, kept.mm):
        ours.clear_builds(settings)
        for piece in ours.pieces_of(figure, context.scene):
            piece.seamwright.build = 0
    settings.pieces_mark = kept.decided


def show_anew(context: bpy.types.Context, figure: bpy.types.Object, result: Result) -> None:
    """The same if the pieces in the scene are others, or none."""
    scene = context.scene
    there = [piece.seamwright.number for piece in ours.pieces_of(figure, scene)]
    is_new = scene.seamwright.pieces_mark == _kept[0].decided
    if not is_new or there != [piece.id for piece in result.pieces]:
        show(context, figure, result)


SHOWN = 5
"""Warnings shown in the panel; the report has them all."""


def panel_lines(result: Result, report: str) -> tuple[str, ...]:
    """What the panel says of a result; `report` is the text that says the rest."""
    plain = sum(not joint.pegs for joint in result.joints)
    more = len(result.warnings) - SHOWN
    return (
        *_first(result),
        *_sized(),
        *((f"{ours.counted(plain, 'joint')} without a peg.",) if plain else ()),
        *(f"Warning: {warning}" for warning in result.warnings[:SHOWN]),
        *((f"And {ours.counted(more, 'warning')} more.",) if more > 0 else ()),
        f"Checks and reasons: Text Editor, '{report}'.",
    )


def said_of(result: Result) -> tuple[str, ...]:
    """What was made, which checks hold, and why each joint is as it is."""
    return (
        *_first(result),
        *(f"{check.name}: {check.found}" for check in result.checks),
        *(f"Warning: {warning}" for warning in result.warnings),
        *(
            f"Joint {j.letter} ({j.interface.piece_b} to {j.interface.piece_a}, "
            f"{j.interface.seam.name}): {j.reason}"
            for j in result.joints
        ),
    )


def _first(result: Result) -> tuple[str, ...]:
    pieces = ours.counted(len(result.pieces), "piece")
    made = f"{pieces}, {ours.counted(len(result.joints), 'joint')}"
    if result.misfit is None:
        return (f"{made}; all checks hold.",)
    return Warned(result.misfit), f"{made}, to be looked at; all other checks hold."


def _sized() -> tuple[str, ...]:
    """That pieces are shown at another size than they have, if so."""
    kept = _kept[0]
    times = kept.mm / kept.unit
    if math.isclose(times, 1.0, rel_tol=1e-6):
        return ()
    return (
        f"Pieces are shown at the figure's size; at true size they are {times:.4g} times as large.",
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
    kept = yield from _making(context, figure, 0.5)
    result = kept.made
    done = _printed(context, figure, kept)
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
    _require_there(context, figure)
    _hold(kept)
    leave_edit_mode(context)
    ours.choose(context, figure)
    show_anew(context, figure, result)
    for piece in ours.pieces_of(figure, context.scene):
        piece.seamwright.printed = piece.seamwright.number in both
    figure.seamwright.written = str(target)
    return result, plan


def planning(context: bpy.types.Context, figure: bpy.types.Object) -> Steps:
    """Make the pieces and plan their builds in steps; returns both. Raises as `writing` does."""
    kept = yield from _making(context, figure, 0.6)
    result = kept.made
    done = _printed(context, figure, kept)
    plan = yield lambda tell: planned(result, done=done, progress=_part_of(tell, 0.6, 1.0))
    _require_there(context, figure)
    _hold(kept)
    return result, plan


def _printed(context: bpy.types.Context, figure: bpy.types.Object, kept: _Kept) -> frozenset[int]:
    """Numbers of the result's pieces that are ticked off and still are the same solids."""
    pieces = kept.made.pieces
    there = shown_of(figure, context.scene, pieces, kept.mm)
    return frozenset(
        piece.id
        for piece in pieces
        if piece.id in there and still_printed(there[piece.id].obj, piece)
    )
