"""Boundaries drawn on a plane: whether an outline is a proper one, and what lies inside it."""

from __future__ import annotations

import numpy as np

from seamwright.mesh import BoolArray, FloatArray
from seamwright.outline import Region, dot, inside_loop, point_segment_distance

TOUCHING = 1e-9
"""Share of a boundary's extent within which points lie on it: rounding, no more."""


def without_repeats(loop: FloatArray) -> FloatArray:
    """The (K, 2) points less those that lie on the one before; the last comes before the first.

    A drawn outline is often closed by its first point once more.
    """
    step = np.linalg.norm(loop - np.roll(loop, 1, axis=0), axis=1)
    return np.asarray(loop[step > TOUCHING * _extent(loop)])


def own_crossing(loop: FloatArray) -> FloatArray | None:
    """A place (2,) where a closed loop of three or more points meets itself, or None.

    A loop that folds back along itself, so that it encloses nothing there, meets itself too.
    """
    within = TOUCHING * _extent(loop)
    count = len(loop)
    after = np.roll(loop, -1, axis=0)
    along = after - loop
    ahead = np.roll(along, -1, axis=0)
    size = np.linalg.norm(along, axis=1) * np.linalg.norm(ahead, axis=1)
    fold = (np.abs(_cross(along, ahead)) <= 1e-9 * size) & (dot(along, ahead) < 0)
    if fold.any():
        return np.asarray(after[int(np.argmax(fold))])
    for k in range(count - 2):
        # The last segment is a neighbour of the first.
        other = np.arange(k + 2, count if k else count - 1)
        if not len(other):
            continue
        at, hit = _crossings(loop[k], after[k], loop[other], after[other])
        if hit.any():
            return np.asarray(at[int(np.argmax(hit))])
        ends = (
            (loop[other], loop[k], after[k]),
            (after[other], loop[k], after[k]),
            (loop[k], loop[other], after[other]),
            (after[k], loop[other], after[other]),
        )
        for points, start, end in ends:
            close = point_segment_distance(points, start, end) <= within
            if close.any():
                found = np.broadcast_to(points, (len(other), 2))
                return np.asarray(found[int(np.argmax(close))])
    return None


def is_inside(loop: FloatArray, region: Region) -> bool:
    """Whether a region lies wholly inside a closed loop; it may touch it.

    Of a region that the loop does not cut, see `cut_at`.
    """
    outline = region.outline
    on_it = _distance(outline, loop) <= TOUCHING * _extent(loop)
    return bool((inside_loop(outline, loop) | on_it).all())


def cut_at(loop: FloatArray, region: Region) -> FloatArray | None:
    """A place (2,) where a closed loop runs through a region's material, or None."""
    low, high = loop.min(axis=0), loop.max(axis=0)
    if (region.outline.min(axis=0) > high).any() or (region.outline.max(axis=0) < low).any():
        return None
    within = TOUCHING * _extent(loop)
    after = np.roll(loop, -1, axis=0)
    for part in region.loops:
        then = np.roll(part, -1, axis=0)
        for k in range(len(loop)):
            at, hit = _crossings(loop[k], after[k], part, then)
            # Where it only touches an edge or a corner it cuts nothing off.
            touching = np.minimum(
                np.minimum(_gap(at, loop[k]), _gap(at, after[k])),
                np.minimum(_gap(at, part), _gap(at, then)),
            )
            hit &= touching > within
            if hit.any():
                return np.asarray(at[int(np.argmax(hit))])
    # Without a crossing of edges it may still run through corners, or lie in the material.
    middles = np.concatenate([loop, 0.5 * (loop + after)])
    held = region.contains(middles) & (region.edge_distance(middles) > within)
    if held.any():
        return np.asarray(middles[int(np.argmax(held))])
    outline = region.outline
    clear = _distance(outline, loop) > within
    inside = inside_loop(outline, loop)
    if (inside & clear).any() and (~inside & clear).any():
        return np.asarray(outline[int(np.argmax(~inside & clear))])
    return None


def _extent(loop: FloatArray) -> float:
    return max(float(np.ptp(loop, axis=0).max(initial=0.0)), 1e-300)


def _gap(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.norm(a - b, axis=-1))


def _distance(points: FloatArray, loop: FloatArray) -> FloatArray:
    """(N,) distance of points to the nearest edge of a loop."""
    return Region((loop,), ()).edge_distance(points)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _crossings(
    p: FloatArray, p2: FloatArray, q: FloatArray, q2: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Where one segment crosses each of (N, 2) others: (N, 2) places and whether it does."""
    along, others = p2 - p, q2 - q
    turn = _cross(along, others)
    skew = turn != 0
    safe = np.where(skew, turn, 1.0)
    t = _cross(q - p, others) / safe
    u = _cross(q - p, along) / safe
    hit = skew & (t >= 0) & (t <= 1) & (u >= 0) & (u <= 1)
    return p + t[:, None] * along, hit
