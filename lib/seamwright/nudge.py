"""Nudging a seam: the best place near the one it was put, never a worse one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.mesh import BoolArray, FloatArray, Mesh
from seamwright.outline import Region
from seamwright.quality import WALL, SeamQuality, Weights, cost, quality
from seamwright.seam import Point, Reach, Seam, reached
from seamwright.section import Section, section
from seamwright.surface import Surface

Offset = tuple[float, float, float]
"""Shift along the normal and tilts about the plane's u and v, each as a share of its bound."""

TILT = 10.0
"""Degrees a seam may tilt when no bound is given."""

SHIFT_SHARE = 0.02
"""How far a seam may move when no bound is given, as a share of the figure's largest extent."""

MOST_TILT = 45.0
"""Degrees; farther is no nudge but another seam."""

SHIFTS = 7
"""Places along the normal on the coarse grid, the start among them."""

FINEST = 1 / 256
"""Share of the bounds at which the search stops refining."""

MOST_TRIES = 300
"""Places looked at in all, so that a nudge stays within a couple of seconds."""

WORTH = 0.002
"""A gain below this share of the cost is none: it would be rounding or noise."""


@dataclass(frozen=True)
class Nudged:
    """A seam at its best place nearby.

    seam : the seam as given if no place was better.
    before, after : what it was and is like.
    moved_mm : along the old normal, of the plane at the regions' centre.
    tilted_degrees : between the old normal and the new.
    held_by : names of seams that stop at this one and keep it where it is: they would take
        other regions if it went to its best place.
    """

    seam: Seam
    before: SeamQuality
    after: SeamQuality
    moved_mm: float
    tilted_degrees: float
    held_by: tuple[str, ...] = ()

    @property
    def is_moved(self) -> bool:
        return self.moved_mm != 0 or self.tilted_degrees != 0

    def lines(self) -> tuple[str, ...]:
        """Plain sentences for the panel and the report."""
        if self.held_by:
            names = ", ".join(f"'{name}'" for name in self.held_by)
            return (
                f"'{self.seam.name}' stays: at its best place {names} would take other regions.",
            )
        if not self.is_moved:
            return (f"'{self.seam.name}' stays: no place within the bounds is better.",)
        return (
            f"'{self.seam.name}' moved by {self.moved_mm:+.2f} mm along its normal and tilted "
            f"by {self.tilted_degrees:.1f}°:",
            *(
                f"{what}: {was:.{digits}f} {unit} before, {now:.{digits}f} {unit} after"
                for what, was, now, digits, unit in self._measures()
                if max(was, now) >= 0.5 * 10.0**-digits
            ),
        )

    def _measures(self) -> tuple[tuple[str, float, float, int, str], ...]:
        """Each measure in words: before, after, decimals and unit."""
        a, b = self.before, self.after
        return (
            ("across the keep-clear area", a.keep_clear, b.keep_clear, 1, "mm"),
            ("showing", a.visible, b.visible, 1, "mm"),
            ("in hollows", a.hidden, b.hidden, 1, "mm"),
            ("along natural lines", a.on_lines, b.on_lines, 1, "mm"),
            ("length", a.length, b.length, 1, "mm"),
            ("neck", a.area, b.area, 0, "mm²"),
            ("narrowest", a.hull_width, b.hull_width, 1, "mm"),
            ("thinner than the wall", a.thin, b.thin, 1, "mm"),
            ("edges sharper than 30°", a.feather, b.feather, 1, "mm"),
            ("sharpest edge", a.least_angle, b.least_angle, 0, "°"),
            ("cost", a.cost, b.cost, 1, "mm"),
        )


@dataclass(frozen=True, eq=False)
class Place:
    """A place looked at: its section, which regions the seam takes there, and its cost."""

    frame: Frame
    regions: tuple[Region, ...]
    taken: tuple[int, ...]
    cost: float

    @property
    def wanted(self) -> tuple[Region, ...]:
        return tuple(self.regions[k] for k in self.taken)


def nudge(
    surface: Surface,
    seam: Seam,
    *,
    shift: float | None = None,
    tilt: float = TILT,
    wall: float = WALL,
    weights: Weights | None = None,
) -> Nudged:
    """Move and tilt a flat seam to the place of least cost near it.

    A coarse grid of the two bounds, then a pattern search about the best places (Hooke and
    Jeeves, "Direct search", 1961). The regions a seam takes are followed from place to
    place; where they join with others, divide or end, the seam does not go.

    Parameters
    ----------
    surface : of the figure; for a seam that stops at others, of the figure parted along
        those, see `parting.part`.
    shift : most mm along the normal, of the plane at the middle of the regions the seam
        takes; `SHIFT_SHARE` of the figure's largest extent if None.
    tilt : most degrees about any line in the plane, at most `MOST_TILT`.
    wall, weights : see `quality.quality`.

    Returns
    -------
    The same every time for the same input. A reach by points or numbers is renewed where
    the old one would take other regions at the new place.

    Raises
    ------
    BadInput
        If a bound is out of range, or the seam does not reach anything where it is.
    """
    most = SHIFT_SHARE * float(surface.mesh.size.max()) if shift is None else float(shift)
    if not (np.isfinite(most) and most >= 0):
        raise BadInput(f"Seam '{seam.name}': a shift of {most} mm is no bound; give 0 or more.")
    if not 0 <= tilt <= MOST_TILT:
        raise BadInput(
            f"Seam '{seam.name}': a tilt of {tilt}° is out of range; give 0 to {MOST_TILT:.0f}."
        )
    whole = section(surface.mesh, seam.frame)
    wanted = reached(seam, whole)
    before = quality(surface, whole, wanted, wall=wall, weights=weights)
    taken = numbers(whole, wanted)
    search = _Search(surface, seam, whole, taken, most, tilt, wall, weights)
    for offset in search.best():
        moved = _settled(surface, search.seam_at(offset), search.places[offset])
        if moved is None:
            continue
        found, regions = moved[1], reached(*moved)
        after = quality(surface, found, regions, wall=wall, weights=weights)
        if after.cost < before.cost * (1 - WORTH):
            angle = search.tilted(offset)
            return Nudged(moved[0], before, after, offset[0] * most, angle)
    return Nudged(seam, before, before, 0.0, 0.0)


def numbers(whole: Section, wanted: tuple[Region, ...]) -> tuple[int, ...]:
    """Which of a section's regions are wanted, counting from 0."""
    return tuple(k for k, r in enumerate(whole.regions) if any(r is w for w in wanted))


def _settled(surface: Surface, seam: Seam, at: Place) -> tuple[Seam, Section] | None:
    """The seam with a reach that takes the followed regions of the whole figure, if any does."""
    found = section(surface.mesh, seam.frame)
    inner = [r.inner_point for r in at.wanted]
    held = [_holding(found.regions, p) for p in inner]
    if not all(held) or len(set(held)) != len(held):
        return None
    # Looking at what is near only, a region that has grown into the rest is not seen whole.
    areas = [found.regions[n - 1].area for n in held]
    if not np.allclose(areas, [r.area for r in at.wanted], rtol=1e-6):
        return None
    points: tuple[Point, ...] = tuple(
        (float(x), float(y), float(z)) for x, y, z in found.frame.to_world(np.array(inner))
    )
    chosen = sorted(held)
    # What no longer holds the regions, such as a disc, gives way to a point in each.
    renewed = {"regions": Reach("regions", regions=tuple(chosen)), "all": seam.reach}.get(
        seam.reach.mode, Reach("nearest", points=points)
    )
    for reach in (seam.reach, renewed):
        tried = replace(seam, reach=reach)
        try:
            takes = numbers(found, reached(tried, found))
        except BadInput:
            # The old reach has a number too many, or a disc too small.
            continue
        if [k + 1 for k in takes] == chosen:
            return tried, found
    return None


def _holding(regions: tuple[Region, ...], point: FloatArray) -> int:
    """Number, from 1, of the region that holds a (2,) point; 0 for none."""
    for number, region in enumerate(regions, start=1):
        if region.contains(point)[0]:
            return number
    return 0


class _Search:
    """The places looked at so far, by offset; the start is (0, 0, 0)."""

    def __init__(
        self,
        surface: Surface,
        seam: Seam,
        whole: Section,
        taken: tuple[int, ...],
        shift: float,
        tilt: float,
        wall: float,
        weights: Weights | None,
    ) -> None:
        self.seam, self.shift, self.tilt = seam, shift, tilt
        self.wall, self.weights, self.snap = wall, weights, whole.crossing.snap
        regions = [whole.regions[k] for k in taken]
        area = max(sum(r.area for r in regions), 1e-300)
        middle = sum((r.area / area * r.centroid for r in regions), np.zeros(2))
        self.pivot = whole.frame.to_world(middle[None])[0]
        self.axes = whole.frame.axes
        sideways = None if seam.reach.mode == "all" else _spread(regions, middle)
        near = _near(surface.mesh, whole.frame, middle, sideways, shift, tilt)
        self.surface = surface.part(near)
        # Made now, so that every section of what is near looks only at the faces it meets.
        _ = self.surface.mesh.blocks
        first = (0.0, 0.0, 0.0)
        start = Place(whole.frame, whole.regions, taken, np.inf)
        self.places: dict[Offset, Place] = {first: start}
        self.tried: set[Offset] = {first}
        own = section(self.surface.mesh, whole.frame, self.snap)
        follows = followed(start, own.frame, own.regions)
        if follows is not None:
            self.places[first] = self._place(own, follows)

    def seam_at(self, offset: Offset) -> Seam:
        """The seam moved and tilted."""
        u, v, normal = self.axes
        point = self.pivot + offset[0] * self.shift * normal
        angle = np.radians(self.tilted(offset))
        if angle > 0:
            # Tilting about u leans the normal along -v, about v along u.
            lean = offset[2] * u - offset[1] * v
            normal = np.cos(angle) * normal + np.sin(angle) * lean / np.linalg.norm(lean)
        px, py, pz = (float(x) for x in point)
        nx, ny, nz = (float(x) for x in normal)
        return replace(self.seam, point=(px, py, pz), normal=(nx, ny, nz))

    def tilted(self, offset: Offset) -> float:
        """Degrees between the old normal and the new."""
        return float(np.hypot(offset[1], offset[2])) * self.tilt

    def best(self) -> list[Offset]:
        """Search; then the few best places, best first, the start left out."""
        for offset in self._grid():
            self._try(offset)
        ranked = self._ranked()
        # The second start lies in another valley, not beside the first.
        apart = [o for o in ranked if _size(_between(ranked[0], o)) >= 0.5]
        for start in [ranked[0], *apart[:1]]:
            self._refine(start)
        return [offset for offset in self._ranked()[:5] if any(offset)]

    def _ranked(self) -> list[Offset]:
        """Offsets from the best cost to the worst; of equals, the smaller move."""
        return sorted(self.places, key=lambda o: (self.places[o].cost, _size(o), o))

    def _grid(self) -> list[Offset]:
        """The coarse grid, nearest to the start first, so that regions can be followed."""
        shifts = np.linspace(-1, 1, SHIFTS) if self.shift > 0 else np.zeros(1)
        tilts = [(0.0, 0.0)]
        if self.tilt > 0:
            for share, turns in ((0.5, 6), (1.0, 6)):
                angle = 2 * np.pi * np.arange(turns) / turns
                tilts += [(share * float(np.cos(a)), share * float(np.sin(a))) for a in angle]
        offsets = [(float(s), a, b) for s in shifts for a, b in tilts]
        return sorted(offsets, key=lambda o: (_size(o), o))

    def _refine(self, start: Offset) -> None:
        """Go to the best of the places a step away; where none is better, halve the step."""
        free = [k for k, bound in enumerate((self.shift, self.tilt, self.tilt)) if bound > 0]
        at, step = start, 1 / (SHIFTS - 1)
        last = (0.0, 0.0, 0.0)
        while step >= FINEST and len(self.tried) < MOST_TRIES:
            around = [_stepped(at, k, way * step) for k in free for way in (1, -1)]
            # The way of the last step once more: what follows a slanted valley.
            around += [(at[0] + last[0], at[1] + last[1], at[2] + last[2])] if any(last) else []
            for offset in around:
                self._try(offset)
            good = [o for o in around if o in self.places]
            best = min(good, key=lambda o: (self.places[o].cost, _size(o), o), default=at)
            if self.places[best].cost < self.places[at].cost:
                last, at = _between(at, best), best
            else:
                step, last = step / 2, (0.0, 0.0, 0.0)

    def _try(self, offset: Offset) -> None:
        """Look at a place, once, and keep it if the regions are the same ones there."""
        outside = abs(offset[0]) > 1 + 1e-12 or np.hypot(offset[1], offset[2]) > 1 + 1e-12
        if outside or offset in self.tried or len(self.tried) >= MOST_TRIES:
            return
        self.tried.add(offset)
        # Follow the regions from the nearest place where they are known.
        known = np.array(list(self.places))
        gap = known - np.asarray(offset)
        nearest = self.places[tuple(known[int(np.argmin((gap * gap).sum(axis=1)))])]
        found = section(self.surface.mesh, self.seam_at(offset).frame, self.snap)
        taken = followed(nearest, found.frame, found.regions)
        if taken is None:
            return
        if self.seam.reach.mode == "all" and len(taken) != len(found.regions):
            return
        self.places[offset] = self._place(found, taken)

    def _place(self, found: Section, taken: tuple[int, ...]) -> Place:
        regions = [found.regions[k] for k in taken]
        price = cost(self.surface, found, regions, wall=self.wall, weights=self.weights)
        return Place(found.frame, found.regions, taken, price)


def _size(offset: Offset) -> float:
    return float(np.sqrt(sum(x * x for x in offset)))


def _between(a: Offset, b: Offset) -> Offset:
    return (b[0] - a[0], b[1] - a[1], b[2] - a[2])


def _stepped(offset: Offset, axis: int, step: float) -> Offset:
    moved = list(offset)
    moved[axis] += step
    return (moved[0], moved[1], moved[2])


def _spread(regions: list[Region], middle: FloatArray) -> float:
    """Greatest distance of the regions' outlines from a (2,) point, mm."""
    return max(float(np.linalg.norm(r.outline - middle, axis=1).max()) for r in regions)


def _near(
    mesh: Mesh, frame: Frame, middle: FloatArray, sideways: float | None, shift: float, tilt: float
) -> BoolArray:
    """(F,) faces that a nudged seam may meet in the regions it takes.

    sideways : mm from `middle` to the farthest outline; None to look all the way.
    """
    # A limb may widen and drift sideways on its way: half as wide again, and what leaning
    # by 45° would make of the shift.
    wide = np.inf if sideways is None else 1.5 * sideways + shift
    local = frame.to_local(mesh.vertices)
    local[:, :2] -= middle
    farthest = float(np.sqrt(2)) * wide
    if sideways is None:
        farthest = float(np.linalg.norm(local[:, :2], axis=1).max())
    deep = shift + farthest * float(np.tan(np.radians(tilt)))
    bits = np.zeros(len(local), dtype=np.uint8)
    for axis, bound in enumerate((wide, wide, deep * (1 + 1e-9) + 1e-9)):
        bits |= (local[:, axis] > bound).astype(np.uint8) << np.uint8(2 * axis)
        bits |= (local[:, axis] < -bound).astype(np.uint8) << np.uint8(2 * axis + 1)
    f = mesh.faces
    # A face is far if all its corners lie beyond the same side of the box.
    return np.asarray((bits[f[:, 0]] & bits[f[:, 1]] & bits[f[:, 2]]) == 0)


def followed(old: Place, frame: Frame, regions: tuple[Region, ...]) -> tuple[int, ...] | None:
    """Which of the new regions are those the seam took at the old place.

    A region is the same if either's inner point lies in the other. None where a region has
    no such partner or more than one: it ended, joined another or divided.
    """
    if not regions:
        return None
    new_inner = frame.to_world(np.array([r.inner_point for r in regions]))
    old_inner = old.frame.to_world(np.array([r.inner_point for r in old.regions]))
    from_new, from_old = old.frame.to_plane(new_inner), frame.to_plane(old_inner)
    partners: list[int] = []
    for k in old.taken:
        inside = old.regions[k].contains(from_new)
        inside |= np.array([bool(r.contains(from_old[k])[0]) for r in regions])
        found = np.flatnonzero(inside)
        if len(found) != 1:
            return None
        partners.append(int(found[0]))
    for j in partners:
        held = regions[j].contains(from_old)
        held |= np.array([bool(r.contains(from_new[j])[0]) for r in old.regions])
        if held.sum() != 1:
            return None
    return tuple(partners)
