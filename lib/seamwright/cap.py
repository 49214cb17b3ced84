"""Cap: the triangles that fill a region of a section.

A region is first divided by chords, each time into halves with about as many points, and
only what is small is handed to the triangulation of the kernel. That is faster, and a later
seam that crosses the cap meets few of its triangles: with long needles from side to side
it would cut nearly all of them.
"""

from __future__ import annotations

import manifold3d
import numpy as np

from seamwright.mesh import BoolArray, FloatArray
from seamwright.outline import IdArray, Region, inside_loop

LEAF = 128
"""Points up to which a region is not divided further."""

CLEAR = 1e-6
"""Share of a region's extent by which a chord keeps clear of its outline."""

_STARTS, _ENDS, _TRIED = 8, 16, 12


def triangles(region: Region) -> IdArray:
    """(T, 3) places, in the region's loops one after the other, of triangles that fill it.

    They face along the plane's normal and use every point of the loops and no other.
    """
    points = np.concatenate(region.loops)
    clear = CLEAR * float(np.ptp(region.outline, axis=0).max())
    ends = np.cumsum([len(loop) for loop in region.loops])
    loops = [np.arange(end - len(p), end) for end, p in zip(ends, region.loops, strict=True)]
    waiting, found = [loops], []
    while waiting:
        loops = waiting.pop()
        every = np.concatenate(loops)
        chord = _chord(points, loops, clear) if len(every) > LEAF else None
        if chord is None:
            corners = manifold3d.triangulate([np.ascontiguousarray(points[k]) for k in loops])
            found.append(every[np.asarray(corners, dtype=np.int64).reshape(-1, 3)])
        else:
            waiting += _halves(points, loops, *chord)
    return np.concatenate(found)


def _halves(points: FloatArray, loops: list[IdArray], i: int, j: int) -> list[list[IdArray]]:
    """Outline and holes of both sides of a chord between places i < j of the outline."""
    outline = loops[0]
    one = outline[i : j + 1]
    other = np.concatenate([outline[j:], outline[: i + 1]])
    if len(loops) == 1:
        return [[one], [other]]
    first = np.array([hole[0] for hole in loops[1:]])
    held = inside_loop(points[first], points[one]).tolist()
    holes = list(zip(loops[1:], held, strict=True))
    return [[one, *(h for h, in_one in holes if in_one)],
            [other, *(h for h, in_one in holes if not in_one)]]  # fmt: skip


def _chord(points: FloatArray, loops: list[IdArray], clear: float) -> tuple[int, int] | None:
    """Places i < j of the outline that a short chord joins, inside and clear of all loops."""
    outline = loops[0]
    count = len(outline)
    p = points[outline]
    start = np.arange(_STARTS) * count // _STARTS
    step = np.unique(np.linspace(count / 3, 2 * count / 3, _ENDS).astype(np.int64))
    i = np.repeat(start, len(step))
    j = (i + np.tile(step, len(start))) % count
    inside = _leaves_inward(p, i, j, clear) & _leaves_inward(p, j, i, clear)
    i, j = i[inside], j[inside]
    way = p[j] - p[i]
    # The outline comes first, so its places are good here too.
    here = points[np.concatenate(loops)].T.copy()
    after = np.arange(1, here.shape[1] + 1)
    ends = np.cumsum([len(loop) for loop in loops])
    after[ends - 1] = ends - [len(loop) for loop in loops]
    for k in np.argsort(np.einsum("ij,ij->i", way, way), kind="stable")[:_TRIED]:
        low, high = sorted((int(i[k]), int(j[k])))
        if _is_clear(here, after, low, high, clear):
            return low, high
    return None


def _turn(a: FloatArray, b: FloatArray) -> FloatArray:
    """(N,) sine of the turn from a to b, times the length of both."""
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _leaves_inward(p: FloatArray, i: IdArray, j: IdArray, clear: float) -> BoolArray:
    """(N,) whether the way from outline place i to j sets out into the material."""
    before, after = p[i - 1] - p[i], p[(i + 1) % len(p)] - p[i]
    way = p[j] - p[i]
    off = clear * np.sqrt(np.einsum("ij,ij->i", way, way))
    left, right = _turn(way, before), _turn(after, way)
    dented = _turn(-before, after) < 0
    return np.asarray(np.where(dented, (left > off) | (right > off), (left > off) & (right > off)))


def _is_clear(points: FloatArray, after: IdArray, i: int, j: int, clear: float) -> bool:
    """Whether the chord from point i to point j keeps clear of all others and of all edges.

    points : (2, N). after : (N,) the other end of each one's edge.
    """
    way = points[:, j] - points[:, i]
    length = float(np.hypot(*way))
    if length <= clear:
        return False
    x, y = points - points[:, i, None]
    along = (x * way[0] + y * way[1]) / length
    off = (y * way[0] - x * way[1]) / length
    near = (np.abs(off) <= clear) & (along >= -clear) & (along <= length + clear)
    near[[i, j]] = False
    if near.any():
        return False
    a = np.flatnonzero(off * off[after] < 0)
    b = after[a]
    at = along[a] + (along[b] - along[a]) * off[a] / (off[a] - off[b])
    return not ((at >= -clear) & (at <= length + clear)).any()
