"""Following: which regions of a section are the same ones after a seam's plane has moved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import manifold3d
import numpy as np

from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.landmark import Landmark, landmark, numbers_of
from seamwright.mesh import BoolArray, FloatArray
from seamwright.outline import Region
from seamwright.seam import Point, Reach, Seam, place, reached
from seamwright.section import Section, section

SAME = 0.5
"""Two regions are the same one, or part of it, if they share at least this much of the
smaller; and plainly so if they share this much of the larger (common practice, no source)."""

SLIGHT = 0.02
"""Share of a region's largest overlap below which another overlap is none."""

FINEST = 1 / 64
"""Share of a step at which steps are halved no more: what still changes, changes there."""

MOST_STEPS = 256
"""About as many steps as a move is made in at most, so that it is followed in seconds."""


@dataclass(frozen=True)
class Change:
    """A region that did not stay one on the way.

    kind : "divided" into several, all of which are taken now; or "joined" with another,
        whether the seam took that or not.
    at, now : (3,) mm, inside the region where the seam was, and inside it, or all it has
        become, where this was seen.
    """

    kind: Literal["divided", "joined"]
    at: Point
    now: tuple[Point, ...]

    @property
    def line(self) -> str:
        """The same in one sentence."""
        if self.kind == "joined":
            return f"The region at {place(self.at)} has joined another at {place(self.now[0])}."
        places = " and ".join(place(p) for p in self.now)
        return f"The region at {place(self.at)} has divided into those at {places}."


@dataclass(frozen=True)
class Followed:
    """A seam whose plane has moved, with the regions it had.

    seam : with its reach renewed.
    whole : its section.
    numbers : of the regions it takes now, from 1.
    changes : in the order in which they were met.
    """

    seam: Seam
    whole: Section
    numbers: tuple[int, ...]
    changes: tuple[Change, ...]

    @cached_property
    def landmarks(self) -> tuple[Landmark, ...]:
        """Of the regions it takes now; slow to find, against all else."""
        return tuple(landmark(self.whole, n) for n in self.numbers)


def followed(seam: Seam, moved: Seam, before: Section, after: Section) -> Followed:
    """Follow the regions a seam takes from where it was to where it is now.

    From plane to plane a region is the one whose outline, seen along the mean of the two
    normals, overlaps it most. Planes far apart are gone between in steps no wider than the
    regions are thick, and narrower where more than one overlaps.

    Parameters
    ----------
    seam, before : the seam as it was, with its section.
    moved, after : the seam as it is, and its section of the same closed mesh. Of `moved`'s
        reach only a boundary counts, which may have been carried along.

    Returns
    -------
    Reach by points gets a point deep in each region, reach by numbers the new numbers. A
    boundary is laid into the new plane; where it does not hold the same regions there, it
    gives way to points. Reach "all" takes all.

    Raises
    ------
    BadInput
        If a region that the seam took is no longer there, with its place; and as
        `seam.reached` does.
    """
    if seam.reach.mode == "all":
        return Followed(moved, after, numbers_of(moved, after), ())
    chosen = numbers_of(seam, before)
    walk = _Walk(seam, before, chosen)
    if not after.regions:
        reached(replace(moved, reach=Reach()), after)
    walk.go(after)
    taken = tuple(sorted(k + 1 for k in walk.origins))
    found = Followed(moved, after, taken, tuple(walk.changes))
    return replace(found, seam=replace(moved, reach=_renewed(seam, found)))


def _renewed(seam: Seam, found: Followed) -> Reach:
    """The reach, in the seam's own mode if it can, that takes the regions found."""
    moved, after, numbers = found.seam, found.whole, found.numbers
    if seam.reach.mode == "regions":
        return Reach("regions", regions=numbers)
    if seam.reach.mode in ("disc", "outline"):
        flat = after.frame.to_world(after.frame.to_plane(moved.reach.points))
        laid = tuple((float(x), float(y), float(z)) for x, y, z in flat)
        reach = replace(moved.reach, points=laid)
        try:
            if numbers_of(replace(moved, reach=reach), after) == numbers:
                return reach
        except BadInput:
            # It cuts a region there or holds none: points will do.
            pass
    return Reach("nearest", points=tuple(mark.point for mark in found.landmarks))


class _Walk:
    """On the way from one plane to another: where it is, and the regions it has hold of."""

    def __init__(self, seam: Seam, before: Section, chosen: tuple[int, ...]) -> None:
        self.seam, self.frame, self.regions = seam, before.frame, before.regions
        self.snap = before.crossing.snap
        # For each region held, by index, which of the chosen ones it comes from.
        self.origins = {n - 1: frozenset({n}) for n in chosen}
        self.start = {n: _inner(before.frame, before.regions[n - 1]) for n in chosen}
        self.changes: list[Change] = []

    @property
    def thickness(self) -> float:
        """mm, about half the thickness of the thinnest region held: area by perimeter."""
        held = [self.regions[k] for k in self.origins]
        return min(r.area / max(r.perimeter, 1e-300) for r in held)

    def go(self, after: Section) -> None:
        """To the plane of a section."""
        first, last = self.frame, after.frame
        points = np.concatenate([first.to_world(self.regions[k].outline) for k in self.origins])
        far = float(np.abs(_lift(points, first, last)).max())
        narrowest = max(FINEST * self.thickness, far / (8 * MOST_STEPS), 1e-300)
        if far > 4 * self.thickness:
            # For many sections of one mesh.
            _ = after.crossing.mesh.blocks
        done, step = 0.0, 1.0
        while done < 1:
            widest = max(self.thickness, far / MOST_STEPS) / max(far, 1e-300)
            step = min(step, widest, 1 - done)
            then = 1.0 if done + step > 1 - 1e-9 else done + step
            frame, regions = last, after.regions
            if then < 1:
                frame = _between(first, last, points.mean(axis=0), then)
                regions = section(after.crossing.mesh, frame, self.snap).regions
            if self._step(frame, regions, sure=step * far <= narrowest):
                done, step = then, 2 * step
            else:
                step /= 2

    def _step(self, frame: Frame, regions: tuple[Region, ...], sure: bool) -> bool:
        """To a plane nearby; not, if what becomes of the regions is not plain and not `sure`."""
        shared, old_area, new_area = _overlaps(self.frame, self.regions, frame, regions)
        less = np.minimum(old_area[:, None], new_area[None])
        part = shared >= SAME * np.maximum(less, 1e-300)
        held = sorted(self.origins)
        forward = part & (shared >= SLIGHT * shared.max(axis=1, initial=0.0, keepdims=True))
        backward = part & (shared >= SLIGHT * shared.max(axis=0, initial=0.0, keepdims=True))
        if not sure:
            more = np.maximum(old_area[:, None], new_area[None])
            plain = shared >= SAME * more
            for k in held:
                to = np.flatnonzero(forward[k])
                if len(to) != 1 or not plain[k, to[0]] or backward[:, to[0]].sum() != 1:
                    return False
        self._take(frame, regions, forward, backward, shared)
        return True

    def _take(
        self,
        frame: Frame,
        regions: tuple[Region, ...],
        forward: BoolArray,
        backward: BoolArray,
        shared: FloatArray,
    ) -> None:
        """Hold what the regions have become; raise where all of one is gone."""
        now: dict[int, frozenset[int]] = {}
        for k, origins in self.origins.items():
            to = np.flatnonzero(forward[k]).tolist()
            if not to and shared[k].max(initial=0.0) > 0:
                to = [int(np.argmax(shared[k]))]
            for j in to:
                now[j] = now.get(j, frozenset()) | origins
            at = self.start[min(origins)]
            if len(to) > 1:
                inner = tuple(_inner(frame, regions[j]) for j in to)
                self.changes.append(Change("divided", at, inner))
        for j, origins in sorted(now.items()):
            if backward[:, j].sum() > 1:
                at = self.start[min(origins)]
                self.changes.append(Change("joined", at, (_inner(frame, regions[j]),)))
        for number, at in self.start.items():
            if not any(number in origins for origins in now.values()):
                raise BadInput(
                    f"Seam '{self.seam.name}': the region at {place(at)} that its reach names "
                    "is no longer there after the plane moved; move the seam back, or pick "
                    "another region."
                )
        self.frame, self.regions, self.origins = frame, regions, now


def _inner(frame: Frame, region: Region) -> Point:
    """A point in a region, mm in space."""
    x, y, z = (float(v) for v in frame.to_world(region.inner_point))
    return (x, y, z)


def _normals(a: Frame, b: Frame) -> tuple[FloatArray, FloatArray]:
    """Unit normals of two planes, the second turned to the side of the first."""
    return a.normal, b.normal if a.normal @ b.normal >= 0 else -b.normal


def _mean(a: Frame, b: Frame) -> FloatArray:
    first, second = _normals(a, b)
    return np.asarray((first + second) / np.linalg.norm(first + second))


def _lift(points: FloatArray, a: Frame, b: Frame) -> FloatArray:
    """(N,) how far points of a's plane are from b's, along the mean of the normals, mm."""
    mean = _mean(a, b)
    return np.asarray(-b.heights(points) / float(b.normal @ mean))


def _between(first: Frame, last: Frame, middle: FloatArray, share: float) -> Frame:
    """The plane part of the way from one plane to another, about a (3,) point of the first."""
    a, b = _normals(first, last)
    end = _lift(middle[None], first, last)[0] * _mean(first, last)
    # Turned evenly, so that each step tilts alike.
    angle = float(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b))
    if angle < 1e-9:
        return Frame.on_plane(middle + share * end, a)
    normal = np.sin((1 - share) * angle) * a + np.sin(share * angle) * b
    return Frame.on_plane(middle + share * end, normal)


def _overlaps(
    a: Frame, old: tuple[Region, ...], b: Frame, new: tuple[Region, ...]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Areas (N, M) that regions share, seen along the mean normal, and their own areas, mm²."""
    view = Frame.on_plane(a.origin, _mean(a, b))
    first = [_Seen.of(view, a, r) for r in old]
    second = [_Seen.of(view, b, r) for r in new]
    shared = np.zeros((len(old), len(new)))
    if len(old) and len(new):
        low, high = (np.array([seen.bounds[i] for seen in first]) for i in (0, 1))
        for j, seen in enumerate(second):
            near = ((low <= seen.bounds[1]) & (high >= seen.bounds[0])).all(axis=1)
            for i in np.flatnonzero(near):
                shared[i, j] = (first[i].shape ^ seen.shape).area()
    return shared, np.array([s.area for s in first]), np.array([s.area for s in second])


@dataclass(frozen=True, eq=False)
class _Seen:
    """A region seen along some direction: its shape, area and bounds (2, 2)."""

    shape: manifold3d.CrossSection
    area: float
    bounds: FloatArray

    @staticmethod
    def of(view: Frame, frame: Frame, region: Region) -> _Seen:
        loops = [np.ascontiguousarray(view.to_plane(frame.to_world(p))) for p in region.loops]
        shape = manifold3d.CrossSection(loops, manifold3d.FillRule.EvenOdd)
        bounds = np.stack([loops[0].min(axis=0), loops[0].max(axis=0)])
        return _Seen(shape, float(shape.area()), bounds)
