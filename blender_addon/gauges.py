"""The gauge of the panel's printer."""

from __future__ import annotations

from pathlib import Path

import bpy

from seamwright.gauge import WIDTH, checked, fitted, gauge, typical_width, what_to_do, write_gauge
from seamwright.job import FigureChoice, Job

from . import joints
from . import scene as ours
from .conversion import typed
from .printer_properties import profile_of

_LAST = "Then press It Fitted in Blender and give that clearance in mm: {number:.2f} for {mark}."


def written(
    context: bpy.types.Context, target: Path, width: float, replace: bool
) -> tuple[str, ...]:
    """Make, check and write the gauge; what was made and how to use it, in sentences.

    width : across its peg, mm; 0 for the middle one of the sized joints' pegs, or the usual.

    Raises
    ------
    BadInput, CheckFailed
        See `seamwright.gauge`.
    """
    profile = profile_of(context.scene.seamwright, typed)
    across = typed(width) or _middle_width(context)
    made = gauge(profile, across)
    checks = checked(made)
    # The last step names a switch of the command.
    middle = made.joints[len(made.joints) // 2].clearance
    last = _LAST.format(number=middle, mark=round(100 * middle))
    steps = (*what_to_do(made, Path("job.toml"))[:-1], last)
    write_gauge(made, checks, steps, target, replace=replace)
    mass = f"{made.mass:.0f} g printed solid"
    return (f"Gauge with a {across:g} mm peg, {mass}, written to '{target}'.", *steps)


def _middle_width(context: bpy.types.Context) -> float:
    figure = ours.chosen_figure(context)
    drawn = None if figure is None else joints.drawn_of(figure)
    if drawn is None or not any(joint.pegs for joint in drawn.joints):
        return WIDTH
    return typical_width(drawn.joints)


def taken(context: bpy.types.Context, clearance: float) -> str:
    """Put the clearance that fitted into the printer's values; a sentence on it.

    Raises
    ------
    BadInput
        If it cannot be.
    """
    settings = context.scene.seamwright
    old = profile_of(settings, typed)
    new = fitted(Job("gauge", FigureChoice(), old, ()), typed(clearance)).printer
    settings.clearance = new.clearance
    return f"The printer's clearance is {new.clearance:g} mm, where it was {old.clearance:g} mm."
