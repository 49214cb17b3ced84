"""Strokes drawn in the viewport as seams of a figure. Imports the library: load it late."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import bpy
import numpy as np

from seamwright.stroke import Sight, Stroked, stroked

from .live import sized_figure
from .place import point_of
from .seams import add, settle

Line = tuple[Sequence[float], Sequence[float]]
"""Where a line of sight begins, in Blender units, and its direction."""


def stroked_by(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    start: Line,
    end: Line,
    every: bool,
    flip: bool,
) -> tuple[Stroked, float]:
    """The seam through a stroke, and mm at true size in a Blender unit.

    every, flip : see `draw_seam`. Raises BadInput.
    """
    sized = sized_figure(context, figure)
    first, last = (_sight(line, sized.mm) for line in (start, end))
    found = stroked(sized.mesh, first, last, every=every)
    # Blender's lines of sight are float32: what is level to that is meant to be level.
    normal = np.round(found.seam.normal, 6) * (-1 if flip else 1) + 0.0
    return replace(found, seam=replace(found.seam, normal=point_of(normal))), sized.mm


def _sight(line: Line, mm: float) -> Sight:
    return Sight(point_of(np.array(line[0]) * mm), point_of(line[1]))


def seam_added(
    context: bpy.types.Context, figure: bpy.types.Object, found: Stroked, mm: float
) -> bpy.types.Object:
    """The seam as a new object of the figure's, which stands where its stroke was."""
    obj = add(context, figure, found.seam, mm, found.side / mm)
    # Blender may have given it another name.
    context.view_layer.update()
    settle(context, obj, replace(found.seam, name=obj.name), mm)
    return obj
