"""What a user decides about one seam: where it lies and how far it reaches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.mesh import FloatArray
from seamwright.outline import Region
from seamwright.section import Section

Point = tuple[float, float, float]
ReachMode = Literal["all", "nearest", "disc", "regions"]


@dataclass(frozen=True)
class Reach:
    """Which regions of the section a seam takes.

    mode : "all"; "nearest", for each of `points` the region nearest it; "disc", those
        inside a disc in the seam's plane; or "regions", those numbered.
    points : (3,) mm in space each, for "nearest"; the centre for "disc".
    radius : of the disc, mm.
    regions : numbers counting from 1, largest area first, for "regions".
    """

    mode: ReachMode = "all"
    points: tuple[Point, ...] = ()
    regions: tuple[int, ...] = ()
    radius: float = 0.0


@dataclass(frozen=True)
class Seam:
    """A flat seam: a plane with a reach.

    id : counts from 1; it is the tag of the faces the seam leaves.
    point, normal : of the plane, mm. Side A is where the normal points.
    joint : "auto" for keyed pegs where they fit, "plain" for a flat glued joint.
    stops_at : names of seams at which this one ends: its reach is chosen among the regions
        that are left when the figure is parted along those. A seam that divides only the
        lower half of a coat stops at the belt.
    """

    id: int
    name: str
    point: Point
    normal: Point
    reach: Reach = Reach()
    joint: Literal["auto", "plain"] = "auto"
    stops_at: tuple[str, ...] = ()

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
        If the plane misses the figure, a region has no such number, or an
        outline is open because the mesh is.
    """
    if len(whole.gaps) and not whole.regions:
        raise BadInput(
            f"Seam '{seam.name}': the section is open at {place(whole.gaps[0])}; "
            "mend the figure or move the seam."
        )
    if not whole.regions:
        raise BadInput(
            f"Seam '{seam.name}' misses the figure: its plane through {place(seam.point)} "
            "meets no material; move it."
        )
    if seam.reach.mode == "all":
        return whole.regions
    if seam.reach.mode == "nearest":
        if not seam.reach.points:
            raise BadInput(
                f"Seam '{seam.name}': reach 'nearest' needs a point; give one on the limb to cut."
            )
        near = sorted({whole.nearest(p) for p in seam.reach.points})
        return tuple(whole.regions[k] for k in near)
    if seam.reach.mode == "disc":
        return _within(seam, whole)
    if not seam.reach.regions:
        raise BadInput(f"Seam '{seam.name}': reach 'regions' names no region; name one or more.")
    for number in seam.reach.regions:
        if not 1 <= number <= len(whole.regions):
            raise BadInput(
                f"Seam '{seam.name}': there is no region {number}; "
                f"its section has {len(whole.regions)}: {listing(whole)}."
            )
    return tuple(whole.regions[n - 1] for n in sorted(set(seam.reach.regions)))


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
        elif away.min() <= radius or region.contains(centre[None])[0]:
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


def in_order(seams: tuple[Seam, ...]) -> tuple[Seam, ...]:
    """The seams, each after those it stops at.

    Raises
    ------
    BadInput
        If a seam stops at one that is not there, or seams stop at each other in a ring.
    """
    by_name = {seam.name: seam for seam in seams}
    for seam in seams:
        for name in seam.stops_at:
            if name not in by_name:
                raise BadInput(
                    f"Seam '{seam.name}' stops at '{name}', which is not there; "
                    f"the seams are {', '.join(by_name)}."
                )
    done: dict[str, Seam] = {}
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
