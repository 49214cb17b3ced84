"""The flat seams of a job nudged, each among the others: see `nudge` for one alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from seamwright.errors import BadInput
from seamwright.markings import Markings, carried
from seamwright.mesh import Mesh
from seamwright.nudge import TILT, Nudged, Place, followed, nudge, numbers
from seamwright.pieces import sections
from seamwright.quality import WALL
from seamwright.seam import Seam, in_order, reached
from seamwright.section import Section
from seamwright.surface import prepared


def nudged_seams(
    figure: Mesh,
    markings: Markings,
    seams: tuple[Seam, ...],
    names: Sequence[str] = (),
    *,
    shift: float | None = None,
    tilt: float = TILT,
    wall: float = WALL,
) -> tuple[tuple[Seam, ...], tuple[Nudged, ...]]:
    """Nudge flat seams of a figure, one after another, each among the others as they are then.

    A seam is nudged after those it stops at. If those that stop at it would then take other
    regions, it stays.

    Parameters
    ----------
    figure, markings : see `run.Figure`.
    names : of the seams to nudge; all flat ones if empty.
    shift, tilt, wall : see `nudge`.

    Returns
    -------
    All seams in the order given, nudged or not, and what was done to each nudged one.

    Raises
    ------
    BadInput
        If a name is no seam's or a line seam's, a bound is out of range, or a seam cannot be
        parted where it is.
    """
    now = {seam.name: seam for seam in seams}
    for name in names:
        if name not in now:
            raise BadInput(f"There is no seam '{name}' to nudge; the seams are {', '.join(now)}.")
        if now[name].line:
            raise BadInput(f"Seam '{name}' follows a line; only flat seams are nudged.")
    whole = prepared(figure, markings)
    done = []
    for seam in in_order(seams):
        if seam.line or (names and seam.name not in names):
            continue
        found = _section_of(figure, now, seam.name)
        parted = found.crossing.mesh
        surface = whole
        if parted is not figure:
            surface = prepared(parted, carried(markings, figure, parted))
        nudged = nudge(surface, seam, shift=shift, tilt=tilt, wall=wall)
        if nudged.is_moved:
            moved = now | {seam.name: nudged.seam}
            held = tuple(n for n in now if not _takes_the_same(figure, now, moved, n, seam.name))
            if held:
                before = nudged.before
                nudged = Nudged(seam, before, before, 0.0, 0.0, held)
            now[seam.name] = nudged.seam
        done.append(nudged)
    return tuple(now[seam.name] for seam in seams), tuple(done)


def _stops(seams: Mapping[str, Seam], name: str) -> set[str]:
    """Every seam that one stops at, at once or by way of others."""
    found: set[str] = set()
    ahead = list(seams[name].stops_at)
    while ahead:
        stop = ahead.pop()
        if stop not in found:
            found.add(stop)
            ahead += seams[stop].stops_at
    return found


def _section_of(figure: Mesh, seams: Mapping[str, Seam], name: str) -> Section:
    """One seam's section of the figure parted along those it stops at, and no others."""
    wanted = _stops(seams, name) | {name}
    return sections(figure, in_order(tuple(s for s in seams.values() if s.name in wanted)))[name]


def _takes_the_same(
    figure: Mesh, old: Mapping[str, Seam], new: Mapping[str, Seam], name: str, moved: str
) -> bool:
    """Whether a seam takes the same regions when one that it stops at has moved."""
    if old[name].line or moved not in _stops(old, name):
        return True
    before = _section_of(figure, old, name)
    taken = numbers(before, reached(old[name], before))
    after = _section_of(figure, new, name)
    if not after.regions:
        return False
    try:
        now = numbers(after, reached(new[name], after))
    except BadInput:
        return False
    place = Place(before.frame, before.regions, taken, np.inf)
    follows = followed(place, after.frame, after.regions)
    return follows is not None and sorted(follows) == sorted(now)
