"""Freeing: the fewest further regions that would free what a seam leaves tied, as an offer."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from seamwright.errors import BadInput
from seamwright.landmark import landmark, landmarks, numbers_of
from seamwright.mesh import BoolArray, IntArray, Mesh
from seamwright.outline import IdArray
from seamwright.patch import Patch, meeting, patches
from seamwright.seam import Point, Reach, Seam, place
from seamwright.section import Section
from seamwright.ties import Ties, least_cut, still_tied, ties

Sectioned = tuple[Seam, Section]
"""A flat seam and its section, see `seam.reached`."""


@dataclass(frozen=True)
class Tie:
    """A further region that must be parted.

    seam : name of the seam in whose plane it lies.
    number, area : of the region at that seam's section, from 1, mm².
    centre, point : (3,) mm, its centre of area and a point deep inside it.
    """

    seam: str
    number: int
    area: float
    centre: Point
    point: Point


@dataclass(frozen=True)
class Freeing:
    """What would free the piece that a seam leaves tied: fewest regions, then least area.

    seam : name of the seam.
    ties : the regions that must be parted too, largest first. They may lie in the plane of
        a seam at which this one stops, if that takes fewer or smaller ones.
    reaches : by name, the reach that each seam concerned would then have, see `freed`.
    """

    seam: str
    ties: tuple[Tie, ...]
    reaches: tuple[tuple[str, Reach], ...]

    @property
    def is_own(self) -> bool:
        """Whether all of it lies in the seam's own plane."""
        return all(tie.seam == self.seam for tie in self.ties)

    @property
    def line(self) -> str:
        """What ties it and what to do, to follow "it stays tied together through"."""
        told = ", ".join(
            f"region {tie.number}{'' if tie.seam == self.seam else f' of seam {tie.seam!r}'} "
            f"({tie.area:.0f} mm² at {place(tie.centre)})"
            for tie in self.ties
        )
        it = "it" if len(self.ties) == 1 else "them"
        names = {tie.seam for tie in self.ties}
        if self.is_own:
            to = "the seam's reach"
        elif len(names) == 1:
            to = f"the reach of seam {names.pop()!r}, at which it stops"
        else:
            to = "the reach of the seam that each is of"
        return f"{told}; add {it} to {to}, or part it there with another seam"


class StillTied(BadInput):
    """A seam leaves the figure in one solid; `offer` is what would free it."""

    def __init__(self, message: str, offer: Freeing) -> None:
        super().__init__(message)
        self.offer = offer


def freeing(seam: Seam, whole: Section, stops: tuple[Sectioned, ...] = ()) -> Freeing | None:
    """What must be parted besides a seam's regions before each has two pieces at it.

    Told before anything is cut, of this seam and those it stops at alone. What all seams of
    a job do together is known when they are parted: see `StillTied`.

    Parameters
    ----------
    whole : the seam's section, of the closed figure parted along the seams it stops at.
    stops : those seams, with their sections.

    Returns
    -------
    None if the seam's reach is enough.

    Raises
    ------
    BadInput
        As `seam.reached` does.
    """
    taken = np.array(numbers_of(seam, whole)) - 1
    found = ties(whole.crossing.mesh, [whole, *(s for _, s in stops)])
    own = np.isin(found.region, taken)
    seams = ((seam, whole), *stops)
    offer = _offer(seams, found, own, found.ends[own])
    if offer is None:
        return None
    return replace(offer, reaches=_steadied(offer, {s.name: (s, w) for s, w in seams}))


def freed(seam: Seam, offer: Freeing) -> Seam:
    """A seam with the reach that an offer gives it; as it is if the offer does not concern it.

    A reach by numbers or points gets more of them. A boundary gives way to a point in each
    region.
    """
    return replace(seam, reach=dict(offer.reaches).get(seam.name, seam.reach))


def require_free(mesh: Mesh, solid: IntArray, seams: tuple[Sectioned, ...]) -> None:
    """Raise if some seam has the same solid on both its sides.

    Parameters
    ----------
    mesh, solid : the figure parted along all seams, see `parting.solids`.

    Raises
    ------
    StillTied
        With the fewest further regions that would free it.
    """
    by_name = {seam.name: (seam, whole) for seam, whole in seams}
    for seam, whole in seams:
        tied_solid = _tied_solid(mesh, solid, seam)
        if tied_solid is None:
            continue
        tied = mesh.subset(solid == tied_solid)
        stops = tuple(by_name[name] for name in _stops(seam, by_name))
        found = ties(tied, [whole, *(s for _, s in stops)])
        faces = patches(found.apart, seam.id, seam.frame)
        pairs = [
            (int(found.solid[b.faces[0]]), int(found.solid[a.faces[0]]))
            for a in faces
            for b in faces
            if _facing(a, b)
        ]
        none = np.zeros(len(found.region), dtype=bool)
        offer = _offer(((seam, whole), *stops), found, none, np.array(pairs, dtype=np.int64))
        start = f"Seam '{seam.name}' leaves the figure in one solid"
        if offer is None:
            # What holds it is too thin a sliver to be a region.
            raise BadInput(f"{start} round {place(seam.point)}; move it or part it elsewhere too.")
        offer = replace(offer, reaches=_steadied(offer, by_name))
        raise StillTied(f"{start}: it stays tied together through {offer.line}.", offer)


def _steadied(offer: Freeing, by_name: dict[str, Sectioned]) -> tuple[tuple[str, Reach], ...]:
    """An offer's reaches, and by points those by number of seams that stop at a widened one.

    Where the seam it stops at parts more, a seam's section has other regions, and they
    have other numbers.
    """
    reaches = dict(offer.reaches)
    widened = set(reaches)
    for name, (seam, whole) in by_name.items():
        if seam.reach.mode == "regions" and widened & set(_stops(seam, by_name)):
            points = tuple(mark.point for mark in landmarks(seam, whole))
            more = tuple(tie.point for tie in offer.ties if tie.seam == name)
            reaches[name] = Reach("nearest", points=points + more)
    return tuple(reaches.items())


def _offer(
    seams: tuple[Sectioned, ...], found: Ties, parted: BoolArray, pairs: IdArray
) -> Freeing | None:
    """The least regions, besides the parted ties, that hold pairs of solids together.

    seams : those whose regions the ties are told by, in the same order; the first is the
        one to be freed.
    parted : (T,) which ties are parted anyway.
    """
    left = ~parted
    tied = still_tied(found.count, found.ends[left], pairs)
    cut = least_cut(found.ends[left], found.region[left], found.areas, tied)
    if not cut:
        return None
    more: list[Tie] = []
    reaches: list[tuple[str, Reach]] = []
    first = 0
    for seam, whole in seams:
        numbers = [1 + k - first for k in cut if 0 <= k - first < len(whole.regions)]
        first += len(whole.regions)
        if numbers:
            own = [_tie(seam, whole, n) for n in numbers]
            more += own
            reaches.append((seam.name, _widened(seam, whole, own)))
    more.sort(key=lambda tie: -tie.area)
    return Freeing(seams[0][0].name, tuple(more), tuple(reaches))


def _tie(seam: Seam, whole: Section, number: int) -> Tie:
    mark = landmark(whole, number)
    x, y, z = (float(v) for v in whole.frame.to_world(whole.regions[number - 1].centroid))
    return Tie(seam.name, number, mark.area, (x, y, z), mark.point)


def _widened(seam: Seam, whole: Section, more: list[Tie]) -> Reach:
    """A seam's reach with further regions."""
    reach = seam.reach
    points = tuple(tie.point for tie in more)
    if reach.mode == "all":
        return reach
    if reach.mode == "regions":
        numbers = {*reach.regions, *(tie.number for tie in more)}
        return replace(reach, regions=tuple(sorted(numbers)))
    if reach.mode == "nearest":
        return replace(reach, points=reach.points + points)
    held = tuple(landmark(whole, n).point for n in numbers_of(seam, whole))
    return Reach("nearest", points=held + points)


def _stops(seam: Seam, by_name: dict[str, Sectioned]) -> list[str]:
    """Names of the flat seams at which a seam stops, and at which those do, in order."""
    found: list[str] = []
    left = list(seam.stops_at)
    while left:
        name = left.pop(0)
        if name in by_name and name not in found:
            found.append(name)
            left += by_name[name][0].stops_at
    return found


def _tied_solid(mesh: Mesh, solid: IntArray, seam: Seam) -> int | None:
    """A solid that has both sides of one place of a seam, if there is one.

    A solid may well have side A at one place and side B at another, as a coil has.
    """
    mine = np.flatnonzero(mesh.tag == seam.id)
    lean = mesh.face_vectors_of(mine) @ seam.frame.normal
    # Nearly every solid's faces all look the same way, so that none can face another.
    both = np.intersect1d(solid[mine[lean > 0]], solid[mine[lean < 0]])
    for k in both:
        rows = mine[solid[mine] == k].astype(np.int32)
        found = patches(mesh, seam.id, seam.frame, rows)
        if any(_facing(a, b) for a in found for b in found):
            return int(k)
    return None


def _facing(a: Patch, b: Patch) -> bool:
    """Whether a is of side A, b of side B, and they share an area."""
    return not a.on_b and b.on_b and bool(meeting(a.region, b.region))
