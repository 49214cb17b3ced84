"""Builds: what the panel says of them as the library's choice, and its plan put into the panel."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import bpy
import numpy as np

from seamwright.build_choice import AS_USUAL, BuildChoice, Group, OtherPrinter, require_names_apart
from seamwright.errors import BadInput
from seamwright.job import FigureChoice, Job, job_from_toml, job_to_toml
from seamwright.ledger import SAME_SOLID
from seamwright.pieces import Piece
from seamwright.plan import Plan
from seamwright.printer import PrinterProfile

from . import scene as ours
from .conversion import typed
from .decisions import builds_mark
from .printer_properties import kept, profile_kept, profile_of

SHOWN = 5
"""Warnings shown in the panel; the report has them all."""


# --- from the panel -----------------------------------------------------------------------


def builds_of(
    figure: bpy.types.Object, names: dict[bpy.types.Object, str], own: PrinterProfile
) -> BuildChoice:
    """How pieces go on builds; `names` are the seams', `own` is the job's printer. Raises
    BadInput."""
    group, printers = figure.seamwright, _others(figure)
    require_names_apart(own.name, printers, "Builds")
    told = job_from_toml(group.builds_told).builds if group.builds_told else AS_USUAL
    matched = sorted((seam.seamwright.matched, name) for seam, name in names.items())
    return BuildChoice(
        gap=_shown(group.gap, told.gap),
        count=group.printer_count,
        match=tuple(name for place, name in matched if place),
        tipping=_shown(group.tipping, told.tipping),
        groups=tuple(Group(g.name, numbers_in(g)) for g in group.groups),
        printers=printers,
    )


def _shown(value: float, told: float) -> float:
    """A number that the panel shows, with the digits it was told."""
    return told if float(np.float32(told)) == value else typed(value)


def numbers_in(group: bpy.types.PropertyGroup) -> tuple[int, ...]:
    """The numbers of a group's pieces. Raises BadInput."""
    words = group.pieces.replace(",", " ").split()
    if not words or not all(w.isdecimal() and int(w) > 0 for w in words):
        raise BadInput(
            f"Group '{group.name}': pieces '{group.pieces}' are not numbers from 1; write them as "
            "3, 4."
        )
    return tuple(int(w) for w in words)


# --- into the panel -----------------------------------------------------------------------


def take_builds(
    figure: bpy.types.Object, choice: BuildChoice, seams: dict[str, bpy.types.Object]
) -> None:
    """Put what a job says of builds into the panel; `seams` by the job's names for them.

    Further digits of its numbers are kept beside them.
    """
    group = figure.seamwright
    group.gap, group.printer_count, group.tipping = choice.gap, choice.count, choice.tipping
    group.groups.clear()
    for one in choice.groups:
        item = group.groups.add()
        item.name, item.pieces = one.name, ", ".join(map(str, one.pieces))
    group.other_printers.clear()
    for other in choice.printers:
        _add_printer(figure, other)
    for place, name in enumerate(choice.match, start=1):
        seams[name].seamwright.matched = place
    rest = replace(choice, match=(), groups=(), printers=(), count=1)
    only = Job("builds", FigureChoice(), PrinterProfile(), (), builds=rest)
    group.builds_told = "" if rest == AS_USUAL else job_to_toml(only)


def add_printer(
    context: bpy.types.Context, figure: bpy.types.Object, profile: PrinterProfile, count: int
) -> None:
    """Let the figure's pieces go to another printer as well. Raises BadInput if there is one of
    its name already."""
    own = profile_of(context.scene.seamwright, typed).name
    require_names_apart(own, [*_others(figure), OtherPrinter(profile)], "Builds")
    _add_printer(figure, OtherPrinter(profile, count))


def _add_printer(figure: bpy.types.Object, other: OtherPrinter) -> None:
    item = figure.seamwright.other_printers.add()
    item.name, item.values, item.count = other.profile.name, kept(other.profile), other.count


def _others(figure: bpy.types.Object) -> tuple[OtherPrinter, ...]:
    return tuple(
        OtherPrinter(profile_kept(item.values, item.name), item.count)
        for item in figure.seamwright.other_printers
    )


def keep_apart(figure: bpy.types.Object, name: str, numbers: Iterable[int]) -> None:
    """Put pieces into a group of that name, and out of all others."""
    wanted = set(numbers)
    groups = figure.seamwright.groups
    mine = groups.get(name)
    if mine is not None:
        wanted |= set(numbers_in(mine))
    rest = [(g.name, [n for n in numbers_in(g) if n not in wanted]) for g in groups]
    groups.clear()
    for other, left in [*((o, left) for o, left in rest if o != name), (name, sorted(wanted))]:
        if left:
            item = groups.add()
            item.name, item.pieces = other, ", ".join(map(str, left))


def take_plan(context: bpy.types.Context, figure: bpy.types.Object, plan: Plan) -> None:
    """List the builds that were just planned."""
    settings = context.scene.seamwright
    ours.clear_builds(settings)
    names = {part.number: part.name for part in plan.parts}
    for build, needs in zip(plan.packing.builds, plan.estimates, strict=True):
        item = settings.builds.add()
        item.number, item.printer = build.number, build.printer
        minutes = round(60 * needs.time_h)
        item.time = f"{minutes // 60} h {minutes % 60:02d} min"
        item.material = f"{needs.material_g:.0f} g"
        on = ", ".join(names[placed.item] for placed in build.placed)
        item.said = f"Build {build.number} ({build.printer}): {on}. {needs.sentence}"
    of = plan.build_of
    for piece in ours.pieces_of(figure, context.scene):
        piece.seamwright.build = of.get(piece.seamwright.number, 0)
    settings.builds_found = "\n".join(plan_lines(plan))
    settings.builds_mark = builds_mark(figure, context.scene)


def plan_lines(plan: Plan) -> tuple[str, ...]:
    """What the panel says of all builds together; the files say the rest."""
    warned = plan.warnings[:SHOWN]
    # A warning that begins with the stance says it already.
    stance = () if any(w.startswith(plan.stands) for w in warned) else (f"Stance: {plan.stands}",)
    return (
        f"Builds: {plan.packing.sentence}",
        f"Figure: {plan.whole.sentence}",
        *stance,
        *(f"Warning: {warning}" for warning in warned),
    )


# --- what is printed ------------------------------------------------------------------------


def still_printed(obj: bpy.types.Object, piece: Piece) -> bool:
    """Whether an object that shows a piece was ticked off as printed, as this very solid."""
    group, volume = obj.seamwright, piece.mesh.volume / 1000
    # A float32 is kept of what it was, cm³.
    return group.printed and abs(group.volume - volume) <= SAME_SOLID * abs(volume)
