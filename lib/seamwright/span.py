"""Spans: what parts the figure along its line seams, decided before anything is cut."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from seamwright.errors import BadInput, Progress
from seamwright.frame import Frame
from seamwright.line import Line, line_of
from seamwright.line_parting import chords, is_apart, part_along_line, require_inside, spanned
from seamwright.membrane import Membrane, require_simple
from seamwright.mesh import Mesh
from seamwright.pad import UNDERCUT, Pad, padded, rise_along, slide_direction
from seamwright.parting import solids
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


@dataclass(frozen=True, eq=False)
class Spans:
    """A figure with all its line seams drawn on it.

    figure : the same surface as the figure given, its skin divided where lines cross faces.
    of : by seam name, the span of every line seam.
    """

    figure: Mesh
    of: Mapping[str, Span]

    def __getitem__(self, name: str) -> Span:
        return self.of[name]


def spans(figure: Mesh, seams: tuple[Seam, ...], progress: Progress | None = None) -> Spans:
    """Draw every line seam among `seams` on a figure and span it.

    Raises
    ------
    BadInput
        Naming the seam, if its line cannot be drawn, or what spans it leaves the figure,
        crosses itself or meets another line seam's; or the pad asked for has no place.
    """
    lines = [seam for seam in seams if seam.line]
    drawn: dict[str, Line] = {}
    # Every line is drawn before any is spanned, as each may divide faces of the skin.
    for seam in lines:
        figure, drawn[seam.name] = line_of(figure, seam)
    found: dict[str, Span] = {}
    parted = figure
    for done, seam in enumerate(lines):
        if progress:
            progress(done / len(lines), f"spanning {seam.name}")
        line = drawn[seam.name]
        try:
            span = _span(parted, seam, line)
        except BadInput as error:
            others = " or ".join(f"'{name}'" for name in found)
            if found and _is_alone_sound(figure, seam, line):
                # Alone it would do, so what to do about it is not what the error advises.
                found_at = str(error).partition(";")[0]
                raise BadInput(
                    f"Seam '{seam.name}' runs into {others}: {found_at}; move one of the two."
                ) from error
            raise BadInput(f"Seam '{seam.name}': {error}") from error
        found[seam.name] = span
        if done + 1 < len(lines):
            parted = part_along_line(parted, line, span.surface, seam.id)
    return Spans(figure, found)


def effect(drawn: Spans, seam: Seam) -> str:
    """What a line seam is like, and what parting it alone would take off, in a sentence."""
    span = drawn[seam.name]
    parted = part_along_line(drawn.figure, span.line, span.surface, seam.id)
    if not is_apart(parted, seam.id):
        return f"{span.words}; separates nothing by itself, as it runs round a handle"
    solid = solids(parted)
    volumes = np.bincount(solid, weights=parted.signed_volumes())
    sides = np.unique(solid[parted.tag == seam.id])
    return f"{span.words}; takes off {volumes[sides].min() / 1000:.1f} cm³"


def _is_alone_sound(figure: Mesh, seam: Seam, line: Line) -> bool:
    """Whether a line could be spanned if no other line seam were there."""
    try:
        _span(figure, seam, line)
    except BadInput:
        return False
    return True


def _span(figure: Mesh, seam: Seam, line: Line) -> Span:
    """One line's membrane, with a pad where one can be had."""
    surface = spanned(figure, line)
    choice = seam.line.pad if seam.line else None
    if choice is None or seam.joint.kind == "plain":
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
