"""Silhouettes: what of the platform a piece covers, seen from above, and how far two are apart."""

from __future__ import annotations

import manifold3d
import numpy as np
from scipy.spatial import cKDTree

from seamwright.errors import BadInput
from seamwright.mesh import FloatArray, IntArray, box_of
from seamwright.outline import chained, loop_area, point_segment_distance

Loops = tuple[FloatArray, ...]
"""Closed (N, 2) loops, mm: material outlines counter-clockwise, holes clockwise."""

SMALLEST_HOLE = 1.0
"""mm²; what shows through a smaller hole is no room for anything and is filled in."""

ROUND = 48
"""Corners of a full circle where an outline is grown round a corner."""


def silhouette(vertices: FloatArray, faces: IntArray, rotation: FloatArray) -> Loops:
    """The true silhouette of a closed mesh in a pose, seen from above.

    Every vertical line through a closed solid leaves it through a face that looks up, so
    the shadow is what the upward faces cover. Their common rim, projected, goes round a point
    as often as upward faces lie above it: only rims, not faces, have to be united.

    Parameters
    ----------
    vertices : (V, 3) mm. faces : (F, 3), counter-clockwise seen from outside.
    rotation : (3, 3) of the pose, ``points @ rotation.T``.

    Returns
    -------
    Loops in the pose's x and y, mm, largest first.

    Raises
    ------
    BadInput
        If nothing of the mesh can be seen from above.
    """
    flat = np.asarray(vertices @ np.asarray(rotation, dtype=np.float64)[:2].T)
    a, b, c = (flat[faces[:, k]] for k in range(3))
    one, other = b - a, c - a
    upward = faces[one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0] > 0]
    rim = _rim(upward, len(vertices))
    loops = [flat[rim[loop, 0]] for loop in chained(rim, lambda ids: flat[ids]).closed]
    if not loops:
        raise BadInput(
            "A piece shows no face from above, so it has no silhouette; repair its mesh."
        )
    return as_loops(manifold3d.CrossSection(loops, manifold3d.FillRule.Positive))


def _rim(faces: IntArray, count: int) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
    """(S, 2) directed edges of the faces that no other of them runs along the other way."""
    start, end = faces.ravel().astype(np.int64), faces[:, [1, 2, 0]].ravel().astype(np.int64)
    ahead, back = start * count + end, end * count + start
    key, times = np.unique(ahead, return_counts=True)
    other, met = np.unique(back, return_counts=True)
    at = np.minimum(np.searchsorted(other, key), len(other) - 1) if len(other) else key
    cancelled = np.where(other[at] == key, met[at], 0) if len(key) else times
    left = np.repeat(key, np.maximum(times - cancelled, 0))
    return np.stack([left // count, left % count], axis=1)


def as_loops(shape: manifold3d.CrossSection) -> Loops:
    """The loops of a cross-section, largest first, without holes too small to matter."""
    loops = [np.asarray(p, dtype=np.float64) for p in shape.to_polygons()]
    areas = [loop_area(p) for p in loops]
    kept = [k for k, area in enumerate(areas) if area > 0 or area < -SMALLEST_HOLE]
    return tuple(loops[k] for k in sorted(kept, key=lambda k: (-areas[k], k)))


def shape_of(loops: Loops) -> manifold3d.CrossSection:
    """The cross-section that loops bound."""
    return manifold3d.CrossSection(list(loops), manifold3d.FillRule.Positive)


def grown(loops: Loops, distance: float) -> Loops:
    """Loops about everything within `distance` mm of the material, and hardly more.

    Rounded corners are polygons; they are drawn about the circle, not into it, so that
    nothing within the distance is left out.
    """
    about = distance / np.cos(np.pi / ROUND)
    shape = shape_of(loops).offset(about, manifold3d.JoinType.Round, 2.0, ROUND)
    return as_loops(shape)


def coarsened(loops: Loops, within: float) -> Loops:
    """Loops with far fewer corners that hold all of the material and at most 2.1 `within` more."""
    shape = shape_of(loops).offset(1.05 * within, manifold3d.JoinType.Miter, 2.0)
    return as_loops(shape.simplify(within))


def turned(loops: Loops, degrees: float) -> Loops:
    """The loops turned about the origin, counter-clockwise."""
    turn = turn_matrix(degrees)
    return tuple(loop @ turn.T for loop in loops)


def turn_matrix(degrees: float) -> FloatArray:
    """(2, 2) rotation, exact for quarter turns."""
    quarter = degrees / 90.0
    if quarter == round(quarter):
        c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[round(quarter) % 4]
        return np.array([[c, -s], [s, c]], dtype=np.float64)
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s], [s, c]])


def moved(loops: Loops, shift: FloatArray) -> Loops:
    """The loops moved by (2,) mm."""
    return tuple(loop + shift for loop in loops)


def box(loops: Loops) -> FloatArray:
    """(2, 2) least and greatest x and y, mm."""
    return box_of(np.concatenate(loops))


def area(loops: Loops) -> float:
    """mm², holes taken off."""
    return float(sum(loop_area(loop) for loop in loops))


def distance(first: Loops, second: Loops) -> float:
    """Least distance between two silhouettes, mm; 0 where they overlap or touch.

    Two loops that do not cross are nearest at a corner of one of them, so corners are
    measured against edges both ways; crossings and one inside the other give 0.
    """
    if overlap(first, second) > 0:
        return 0.0
    return min(_corners_to_edges(first, second), _corners_to_edges(second, first))


def overlap(first: Loops, second: Loops) -> float:
    """Area that two silhouettes share, mm²."""
    a, b = box(first), box(second)
    if (a[0] > b[1]).any() or (b[0] > a[1]).any():
        return 0.0
    return float((shape_of(first) ^ shape_of(second)).area())


def _corners_to_edges(corners: Loops, edges: Loops) -> float:
    """Least distance of any corner of one to any edge of the other, mm."""
    points = np.concatenate(corners)
    start = np.concatenate(edges)
    end = np.concatenate([np.roll(loop, -1, axis=0) for loop in edges])
    # No nearer pair can be farther off than the nearest corners: only what is near is measured.
    near, _ = cKDTree(start).query(points)
    least = float(near.min())
    half = 0.5 * np.linalg.norm(end - start, axis=1)
    middle = 0.5 * (start + end)
    low, high = box_of(points)
    reach = np.maximum(np.maximum(low - middle, middle - high), 0.0)
    kept = np.flatnonzero(np.linalg.norm(reach, axis=1) <= least + half)
    low, high = box_of(start)
    aside = np.maximum(np.maximum(low - points, points - high), 0.0)
    points = points[np.linalg.norm(aside, axis=1) <= least]
    for part in range(0, len(points), 256):
        gaps = point_segment_distance(points[part : part + 256, None], start[kept], end[kept])
        least = min(least, float(gaps.min(initial=least)))
    return least
