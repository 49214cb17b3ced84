"""Insets: footprints that follow the section they stand in."""

from __future__ import annotations

import manifold3d
import numpy as np

from seamwright.mesh import FloatArray
from seamwright.offsets import area, bends, is_simple, keeps, offset
from seamwright.outline import Region, point_segment_distance
from seamwright.seating import keyed

ROUNDING = 0.1
"""Radius that a footprint's corners are rounded by and half the least width of its necks, as a
share of the root of its area (common practice, no source)."""

SHORTEST = 0.04
"""Shortest edge between outward corners, as a share of the root of the area: shorter ones
vanish under draft and lead-in."""

DRAWN_IN = 0.06
"""How far all edges can be moved inward and none vanishes, as a share of the same: 1° of draft
on a peg as deep as it is wide takes a third of it."""

SURER = 1.5
"""Keys are proved at this many times the clearance, so that draft and a groove in one corner
do not undo them (common practice, no source)."""

FLATS = (0.12, 0.18, 0.24, 0.3)
"""How deep a side is cut flat to key an outline, as shares of its extent there."""

_SEGMENTS = 128
_SAG = 1.0005
"""Arcs are drawn as 128 chords a turn, which come nearer to the middle by 1 - cos(π/128) at
most: 0.0003 of the radius."""


def section_outline(
    region: Region, distance: float, clearance: float, most: int = 48
) -> FloatArray | None:
    """An outline that follows a region's own, keyed, without spikes or narrow necks.

    The region is drawn in by `distance` mm and opened, that is drawn in by a radius more and
    out again, which rounds its corners and parts it at its necks; the largest part is
    kept. Few corners are left by drawing in a little more and then leaving out corners as long
    as the outline moves by no more than that. One that also seats in other ways is keyed by
    cutting a side flat.

    Parameters
    ----------
    distance : mm, least between the outline and each of the region's loops.
    clearance : mm per side at which it must go home one way only.
    most : corners.

    Returns
    -------
    (N, 2) in the region's plane, counter-clockwise; None if the inset is empty, goes round a
    hole, cannot be drawn with so few corners or cannot be keyed.
    """
    middle = region.centroid
    loops = [np.ascontiguousarray(loop - middle) for loop in region.loops]
    whole = manifold3d.CrossSection(loops, manifold3d.FillRule.EvenOdd)
    part = _largest(_drawn(whole, -distance * _SAG))
    if part is None:
        return None
    radius = ROUNDING * float(np.sqrt(part.area()))
    core = _largest(_drawn(part, -radius * _SAG))
    if core is None:
        return None
    outline = _few_cornered(core, radius, clearance, most - 1)
    keyed = None if outline is None else _keyed(outline, clearance)
    if keyed is None or _least_distance(keyed, loops) < distance - 1e-6:
        return None
    return np.asarray(keyed + middle)


def _drawn(shape: manifold3d.CrossSection, distance: float) -> manifold3d.CrossSection:
    """The shape drawn out by a distance, in where it is negative, with round corners."""
    return shape.offset(distance, manifold3d.JoinType.Round, 2.0, _SEGMENTS)


def _largest(shape: manifold3d.CrossSection) -> manifold3d.CrossSection | None:
    """The part of most area; None if there is none or it has a hole."""
    parts = shape.decompose()
    if not parts:
        return None
    best = max(parts, key=lambda p: p.area())
    return best if best.num_contour() == 1 and best.area() > 0 else None


def _few_cornered(
    core: manifold3d.CrossSection, radius: float, clearance: float, most: int
) -> FloatArray | None:
    """The core drawn out by the radius, in at most so many corners, none of it farther out."""
    for share in np.geomspace(0.02, 0.5, 12):
        within = share * radius
        part = _largest(_drawn(core, radius - within))
        if part is None:
            return None
        outline = _simplified(np.asarray(part.to_polygons()[0], dtype=np.float64), within)
        if len(outline) >= 3:
            outline = _tidied(outline)
        if 3 <= len(outline) <= most and is_simple(outline) and _sturdy(outline, clearance):
            return outline
    return None


def _sturdy(outline: FloatArray, clearance: float) -> bool:
    """Whether the outline stands what a joint does to it: a socket's clearance and draft."""
    return keeps(outline, SURER * clearance) and keeps(
        outline, -DRAWN_IN * float(np.sqrt(area(outline)))
    )


def _simplified(outline: FloatArray, within: float) -> FloatArray:
    """The outline without corners that lie within a distance of what is left.

    Douglas and Peucker, "Algorithms for the reduction of the number of points required to
    represent a digitized line", 1973, from the two corners farthest from each other.
    """
    first = int(np.linalg.norm(outline - outline.mean(axis=0), axis=1).argmax())
    ring = np.roll(outline, -first, axis=0)
    second = int(np.linalg.norm(ring - ring[0], axis=1).argmax())
    ring = np.vstack([ring, ring[:1]])
    kept = {0, second}
    spans = [(0, second), (second, len(ring) - 1)]
    while spans:
        start, end = spans.pop()
        if end - start < 2:
            continue
        off = point_segment_distance(ring[start + 1 : end], ring[start], ring[end])
        far = int(off.argmax())
        if off[far] > within:
            middle = start + 1 + far
            kept.add(middle)
            spans += [(start, middle), (middle, end)]
    return np.asarray(ring[sorted(kept)])


def _tidied(outline: FloatArray) -> FloatArray:
    """Without the outward corners at the ends of edges that are too short."""
    shortest = SHORTEST * float(np.sqrt(max(area(outline), 0.0)))
    while len(outline) > 3:
        length = np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1)
        bend = bends(outline)
        beside = np.minimum(length, np.roll(length, 1))
        # Of a short edge's two corners the blunter one goes: that takes less.
        cost = np.where((bend >= 0) & (beside < shortest), bend, np.inf)
        k = int(cost.argmin())
        if not np.isfinite(cost[k]):
            break
        outline = np.delete(outline, k, axis=0)
    return outline


def _keyed(outline: FloatArray, clearance: float) -> FloatArray | None:
    """The outline, or if it also seats in other ways, with the shallowest flat that keys it."""
    if _one_way(outline, clearance):
        return outline
    for share in FLATS:
        # Sides that lose least come first: the narrow ends of a long outline.
        cuts = [_flat(outline, angle, share) for angle in np.arange(0.0, 360.0, 30.0)]
        sound = [c for c in cuts if c is not None and _sturdy(c, clearance)]
        for cut in sorted(sound, key=lambda c: -area(c)):
            if _one_way(cut, clearance):
                return cut
    return None


def _one_way(outline: FloatArray, clearance: float) -> bool:
    return keyed([outline], [offset(outline, SURER * clearance)])


def _flat(outline: FloatArray, angle: float, share: float) -> FloatArray | None:
    """The outline cut flat on the side that looks in a direction, degrees from its long one."""
    long = np.linalg.svd(outline - outline.mean(axis=0), full_matrices=False)[2][0]
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    way = np.array([c * long[0] - s * long[1], s * long[0] + c * long[1]])
    along = outline @ way
    limit = along.max() - share * float(np.ptp(along))
    side = 2 * float(np.abs(outline).max()) + 1.0
    across = np.array([-way[1], way[0]])
    corner = limit * way
    box = np.array([corner + side * across, corner - 4 * side * way + side * across,
                    corner - 4 * side * way - side * across, corner - side * across])  # fmt: skip
    left = _largest(manifold3d.CrossSection([outline]) ^ manifold3d.CrossSection([box]))
    if left is None:
        return None
    cut = _tidied(np.asarray(left.to_polygons()[0], dtype=np.float64))
    return cut if len(cut) >= 3 and is_simple(cut) else None


def _least_distance(outline: FloatArray, loops: list[FloatArray]) -> float:
    """Least distance between an outline and loops that it does not cross, mm."""
    least = np.inf
    for loop in loops:
        for points, edges in ((outline, loop), (loop, outline)):
            after = np.roll(edges, -1, axis=0)
            for start in range(0, len(points), 256):
                part = points[start : start + 256, None]
                least = min(least, float(point_segment_distance(part, edges, after).min()))
    return least
