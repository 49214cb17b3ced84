"""What a user decides about one seam: where it lies and how far it reaches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from seamwright.boundary import cut_at, is_inside, own_crossing, without_repeats
from seamwright.choice import AUTO, JointChoice
from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.mesh import FloatArray
from seamwright.outline import Region
from seamwright.section import BrokenOutline, Section

Point = tuple[float, float, float]
ReachMode = Literal["all", "nearest", "disc", "outline", "regions"]


@dataclass(frozen=True)
class Reach:
    """Which regions of the section a seam takes.

    mode : "all"; "nearest", for each of `points` the region nearest it; "disc", those
        inside a disc in the seam's plane; "outline", those inside a drawn closed outline;
        or "regions", those numbered.
    points : (3,) mm in space each, for "nearest"; the centre for "disc"; the outline's
        corners in order, seen along the seam's normal, for "outline".
    radius : of the disc, mm.
    regions : numbers counting from 1, largest area first, for "regions".
    """

    mode: ReachMode = "all"
    points: tuple[Point, ...] = ()
    regions: tuple[int, ...] = ()
    radius: float = 0.0


CREASE = 0.2
"""What a mm along the deepest crease counts for a line seam that looks for its way, against
1 over flat skin (common practice, no source)."""


@dataclass(frozen=True)
class PadChoice:
    """Where the flat pad for a line seam's pegs goes, as far as the user says.

    at : (3,) mm, near the middle of the pad; None for where it has most room.
    direction : (3,) the way the pegs slide home; None for the one freest of undercuts.
    radius : of a round pad, mm; None for the largest that does.
    """

    at: Point | None = None
    direction: Point | None = None
    radius: float | None = None


@dataclass(frozen=True)
class SeamLine:
    """The closed line a line seam follows.

    points : picked along the skin all the way round, mm; between two of them the line takes
        the cheapest way over the surface.
    crease : what a mm along the deepest crease costs against 1 over flat skin; 1 for the
        plain shortest way.
    """

    points: tuple[Point, ...]
    crease: float = CREASE
    pad: PadChoice = PadChoice()


@dataclass(frozen=True)
class Seam:
    """A seam: flat, a plane with a reach; or along a line on the surface.

    id : counts from 1; it is the tag of the faces the seam leaves.
    point, normal : of the plane, mm. Side A is where the normal points. For a line seam,
        the plane nearest its points, with side A on the left of the line seen from outside.
    joint : what was decided for its joints.
    stops_at : names of seams at which this one ends: its reach is chosen among the regions
        that are left when the figure is parted along those. A seam that divides only the
        lower half of a coat stops at the belt.
    line : for a line seam; it ends at its own line, so it has no reach and stops at none.
    """

    id: int
    name: str
    point: Point
    normal: Point
    reach: Reach = Reach()
    joint: JointChoice = AUTO
    stops_at: tuple[str, ...] = ()
    line: SeamLine | None = None

    @property
    def frame(self) -> Frame:
        return Frame.on_plane(self.point, self.normal)


def reached(seam: Seam, whole: Section) -> tuple[Region, ...]:
    """The regions of a section that the seam takes.

    whole : of the figure parted by nothing but the seams this one stops at, so that the
        order of seams does not matter.

    Raises
    ------
    BadInput
        If the plane misses the figure, a region has no such number, a point lies too far
        from every region, a boundary is none or cuts a region, or an outline that the reach
        takes is open, flipped or branches because the mesh is or does.
    """
    broken = _broken_within(seam, whole)
    if broken is not None:
        raise BadInput(
            f"Seam '{seam.name}': the section {broken.what} at {place(broken.gaps[0])}; mend the "
            "figure, move the seam, or let its reach take only regions that are sound."
        )
    if not whole.regions:
        raise BadInput(
            f"Seam '{seam.name}' misses the figure: its plane through {place(seam.point)} "
            "meets no material; move it."
        )
    if seam.reach.mode == "all":
        return whole.regions
    if seam.reach.mode == "nearest":
        return _nearest(seam, whole)
    if seam.reach.mode == "disc":
        return _within(seam, whole)
    if seam.reach.mode == "outline":
        return _enclosed(seam, whole)
    if not seam.reach.regions:
        raise BadInput(f"Seam '{seam.name}': reach 'regions' names no region; name one or more.")
    for number in seam.reach.regions:
        if not 1 <= number <= len(whole.regions):
            raise BadInput(
                f"Seam '{seam.name}': there is no region {number}; "
                f"its section has {len(whole.regions)}: {listing(whole)}."
            )
    return tuple(whole.regions[n - 1] for n in sorted(set(seam.reach.regions)))


def to_part(seam: Seam, whole: Section) -> tuple[Region, ...]:
    """The regions that the seam takes, all of them fit to be parted; see `reached`.

    Raises
    ------
    BadInput
        If surfaces run into each other in one of them: a piece of both would be doubled there.
    """
    taken = reached(seam, whole)
    for region in taken:
        if region.clash is not None:
            at = place(whole.frame.to_world(region.clash))
            raise BadInput(
                f"Seam '{seam.name}': surfaces of the figure run into each other in its section "
                f"at {at}; mend the figure, which unites shells that overlap, or move the seam."
            )
    return taken


def _broken_within(seam: Seam, whole: Section) -> BrokenOutline | None:
    """A broken outline that the seam's reach takes, if it takes one."""
    if not whole.broken or seam.reach.mode == "all" or not whole.regions:
        return whole.broken[0] if whole.broken else None
    local = whole.frame.to_plane(np.reshape(seam.reach.points, (-1, 3)))
    if seam.reach.mode == "nearest":
        near = (whole.broken_nearest(p) for p in seam.reach.points)
        return next((b for b in near if b is not None), None)
    for broken in whole.broken if len(local) else ():
        if seam.reach.mode == "disc" and broken.distance(local[0]) <= seam.reach.radius:
            return broken
        if seam.reach.mode == "outline" and broken.enters(local):
            return broken
    return None


def _nearest(seam: Seam, whole: Section) -> tuple[Region, ...]:
    """For each point of a seam's reach the region nearest it, unless that is too far.

    A point left behind by its plane must not silently take another limb: it may lie no
    farther from a region than that is large.
    """
    if not seam.reach.points:
        raise BadInput(
            f"Seam '{seam.name}': reach 'nearest' needs a point; give one on the limb to cut."
        )
    near = set()
    for point in seam.reach.points:
        k = whole.nearest(point)
        region = whole.regions[k]
        u, v, height = whole.frame.to_local([point])[0]
        away = float(np.hypot(region.distance([[u, v]])[0], height))
        size = 2 * float(np.linalg.norm(region.outline - region.centroid, axis=1).max())
        if away > size:
            raise BadInput(
                f"Seam '{seam.name}': the point {place(point)} of its reach lies {away:.0f} mm "
                f"from the nearest region, region {k + 1} ({region.area:.0f} mm² at "
                f"{place(whole.frame.to_world(region.centroid))}); give one on the limb to cut."
            )
        near.add(k)
    return tuple(whole.regions[k] for k in sorted(near))


def _within(seam: Seam, whole: Section) -> tuple[Region, ...]:
    """The regions inside the disc of a seam's reach; one that reaches out of it is refused."""
    radius = seam.reach.radius
    if len(seam.reach.points) != 1 or not radius > 0:
        raise BadInput(f"Seam '{seam.name}': reach 'disc' needs a centre and a radius above 0 mm.")
    centre = whole.frame.to_plane([seam.reach.points[0]])[0]
    inside = []
    for number, region in enumerate(whole.regions, start=1):
        away = np.linalg.norm(region.outline - centre, axis=1)
        if away.max() <= radius:
            inside.append(region)
        elif region.distance(centre[None])[0] < radius:
            out = whole.frame.to_world(region.outline[int(np.argmax(away))])
            raise BadInput(
                f"Seam '{seam.name}': region {number} reaches out of the disc of "
                f"{radius:g} mm, to {place(out)}; make the disc larger, or let the seam stop "
                "at another."
            )
    if not inside:
        raise BadInput(
            f"Seam '{seam.name}': no region lies inside the disc of {radius:g} mm round "
            f"{place(seam.reach.points[0])}; move it."
        )
    return tuple(inside)


def _enclosed(seam: Seam, whole: Section) -> tuple[Region, ...]:
    """The regions inside the outline of a seam's reach; one that it cuts is refused."""
    to_world = whole.frame.to_world
    if not seam.reach.points:
        raise BadInput(f"Seam '{seam.name}': reach 'outline' has no point; draw one.")
    loop = without_repeats(whole.frame.to_plane(seam.reach.points))
    if len(loop) < 3:
        raise BadInput(
            f"Seam '{seam.name}': the outline of its reach at {place(seam.reach.points[0])} has "
            "fewer than three points; draw it round the limb to cut."
        )
    crossing = own_crossing(loop)
    if crossing is not None:
        raise BadInput(
            f"Seam '{seam.name}': the outline of its reach crosses itself at "
            f"{place(to_world(crossing))}; draw it once round."
        )
    inside = []
    for number, region in enumerate(whole.regions, start=1):
        cut = cut_at(loop, region)
        if cut is not None:
            raise BadInput(
                f"Seam '{seam.name}': the outline of its reach cuts region {number} at "
                f"{place(to_world(cut))}; draw it clear of the region, or let the seam stop "
                "at another."
            )
        if is_inside(loop, region):
            inside.append(region)
    if not inside:
        raise BadInput(
            f"Seam '{seam.name}': no region lies inside the outline of its reach round "
            f"{place(to_world(loop.mean(axis=0)))}; draw it round the limb to cut."
        )
    return tuple(inside)


def in_order(seams: tuple[Seam, ...]) -> tuple[Seam, ...]:
    """The seams, line seams first, each after those it stops at.

    Raises
    ------
    BadInput
        If a seam stops at one that is not there, or seams stop at each other in a ring, or
        a line seam stops at any.
    """
    by_name = {seam.name: seam for seam in seams}
    for seam in seams:
        if seam.line and seam.stops_at:
            raise BadInput(
                f"Seam '{seam.name}' follows a line and ends at it, so it cannot stop at "
                f"'{seam.stops_at[0]}'; take stops_at out."
            )
        for name in seam.stops_at:
            if name not in by_name:
                raise BadInput(
                    f"Seam '{seam.name}' stops at '{name}', which is not there; "
                    f"the seams are {', '.join(by_name)}."
                )
    done = {seam.name: seam for seam in seams if seam.line}
    while len(done) < len(seams):
        ready = [s for s in seams if s.name not in done and all(n in done for n in s.stops_at)]
        if not ready:
            ring = ", ".join(f"'{s.name}'" for s in seams if s.name not in done)
            raise BadInput(
                f"Seams {ring} stop at each other in a ring; let one of them run through."
            )
        done.update((s.name, s) for s in ready)
    return tuple(done.values())


def listing(whole: Section) -> str:
    """Every region by number, area and centre, in words."""
    return ", ".join(
        f"region {n} ({r.area:.0f} mm² at {place(whole.frame.to_world(r.centroid))})"
        for n, r in enumerate(whole.regions, start=1)
    )


def place(point: Point | FloatArray) -> str:
    """A position in mm as people write it."""
    # Adding 0 after rounding makes a negative zero a plain one.
    return "({:.1f}, {:.1f}, {:.1f}) mm".format(*(round(float(x), 1) + 0.0 for x in point))
