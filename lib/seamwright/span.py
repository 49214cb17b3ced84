"""Spans: what parts the figure along its line seams, decided before anything is cut."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from seamwright.errors import BadInput, Progress
from seamwright.frame import Frame
from seamwright.line import Line, line_of
from seamwright.line_parting import chords, part_along_line, require_inside, spanned
from seamwright.membrane import Membrane, require_simple
from seamwright.mesh import Mesh
from seamwright.pad import UNDERCUT, Pad, padded, rise_along, slide_direction
from seamwright.seam import Seam


@dataclass(frozen=True, eq=False)
class Span:
    """A line seam on a figure: its line, the surface that spans it, and the pad for pegs.

    frame : the pad's, or the plane nearest the line where there is no pad. Its normal
        points into side A, the way the pieces slide apart.
    reason : why there is no pad; empty if there is one.
    """

    line: Line
    surface: Membrane
    frame: Frame
    pad: Pad | None
    reason: str = ""

    @property
    def words(self) -> str:
        """What the line is like, in words."""
        pad = self.reason or "with a flat pad for pegs"
        return (
            f"a line of {self.line.length:.0f} mm, up to {self.line.flatness:.1f} mm off its "
            f"plane, spanned by {self.surface.area:.0f} mm², {pad}"
        )


Spans = Mapping[str, Span]
"""By seam name, the span of every line seam."""


def spans(
    figure: Mesh, seams: tuple[Seam, ...], progress: Progress | None = None
) -> dict[str, Span]:
    """The span of every line seam among `seams`, by name.

    Raises
    ------
    BadInput
        Naming the seam, if its line cannot be drawn, or what spans it leaves the figure,
        crosses itself or meets another line seam's; or the pad asked for has no place.
    """
    lines = [seam for seam in seams if seam.line]
    found: dict[str, Span] = {}
    parted = figure
    for done, seam in enumerate(lines):
        if progress:
            progress(done / len(lines), f"spanning {seam.name}")
        line = line_of(figure, seam)
        try:
            span = _span(parted, seam, line)
        except BadInput as error:
            raise BadInput(f"Seam '{seam.name}': {error}") from error
        found[seam.name] = span
        if done + 1 < len(lines):
            parted = part_along_line(parted, line, span.surface, seam.id)
    return found


def _span(figure: Mesh, seam: Seam, line: Line) -> Span:
    """One line's membrane, with a pad where one can be had."""
    surface = spanned(figure, line)
    choice = seam.line.pad if seam.line else None
    if choice is None or seam.joint == "plain":
        return Span(line, surface, line.plane, None, "without a pad, as the seam asks")
    if choice.direction is None:
        direction, rise = slide_direction(surface)
    else:
        asked = np.asarray(choice.direction, dtype=np.float64)
        direction = asked / np.linalg.norm(asked)
        direction = direction if direction @ line.plane.normal >= 0 else -direction
        rise = rise_along(surface, direction)
    frame = Frame.on_plane(line.plane.origin, direction)
    bare = Span(line, surface, frame, None)
    if rise < -UNDERCUT:
        why = f"the surface leans back by {-rise:.0f}° over the way the pieces slide"
        if choice.direction is not None:
            raise BadInput(f"{why}; give the pad another direction, or leave it out.")
        return replace(bare, reason=f"without a pad, as {why}")
    for made, pad in padded(surface, choice, direction, chords(figure, line)):
        try:
            require_simple(made)
            require_inside(made, figure, line)
        except BadInput:
            continue
        return Span(line, made, pad.frame, pad)
    if choice.at is not None or choice.radius is not None:
        raise BadInput(
            "there is no room for the pad asked for: it would be too steep or leave the "
            "material; choose another place or a smaller radius."
        )
    return replace(bare, reason="without a pad, as there is no place for one")
