"""Seams that would make pieces fit the printer, added to those of the figure."""

from __future__ import annotations

from dataclasses import replace

import bpy

from seamwright.cure import offered
from seamwright.errors import BadInput, Progress
from seamwright.platform import platform_of
from seamwright.run import Result
from seamwright.seam import Seam

from . import scene as ours
from .pieces import kept_mm, making
from .seams import add, settle
from .work import Steps, leave_edit_mode

_WIDER = 1.2
"""How much wider than the piece a new seam's square is (common practice, no source)."""


def adding(context: bpy.types.Context, figure: bpy.types.Object) -> Steps:
    """Add seams where pieces fit no printer, each of that piece alone, in steps; returns a
    sentence on them.

    Raises
    ------
    BadInput
        If all pieces fit, or no seams are found that would help.
    """
    result = yield from making(context, figure)
    misfit = result.misfit
    if misfit is None:
        raise BadInput("All pieces fit the printer; no seam needs to be added.")
    numbers = sorted(misfit.pieces)
    found = yield lambda tell: _offered(result, numbers, tell)
    if not any(found.values()):
        raise BadInput(
            f"No parallel seams were found that would make {_named(numbers)} fit; add or move a "
            "seam there."
        )
    leave_edit_mode(context)
    ours.choose(context, figure)
    there = ours.seams_of(figure, context.scene)
    by_name = {seam.name: obj for seam, obj in zip(result.job.seams, there, strict=True)}
    count = 0
    for number, seams in found.items():
        extent = max(next(p.mesh.size.max() for p in result.blanks if p.id == number), 1e-6)
        for seam in seams:
            _add(context, figure, seam, by_name, _WIDER * float(extent) / kept_mm())
        count += len(seams)
    done = _named([number for number, seams in found.items() if seams])
    return f"{ours.counted(count, 'seam')} added for {done} to fit; make the pieces again."


def _offered(result: Result, numbers: list[int], tell: Progress) -> dict[int, tuple[Seam, ...]]:
    job = result.job
    profiles = (job.printer, *(other.profile for other in job.builds.printers))
    faces = tuple(joint.interface for joint in result.joints)
    platforms = [platform_of(profile) for profile in profiles]
    return offered(numbers, result.pieces, result.blanks, faces, platforms, tell)


def _add(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    seam: Seam,
    by_name: dict[str, bpy.types.Object],
    side: float,
) -> None:
    mm = kept_mm()
    obj = add(context, figure, replace(seam, name="Seam"), mm, side)
    # Blender numbers names that are taken.
    settle(context, obj, replace(seam, name=obj.name), mm)
    for name in seam.stops_at:
        obj.seamwright.stops_at.add().seam = by_name[name]


def _named(numbers: list[int]) -> str:
    noun = "piece" if len(numbers) == 1 else "pieces"
    return f"{noun} {', '.join(map(str, numbers))}"
