"""Whether a piece fits a build volume, and how it must be turned to do so.

Only the convex hull matters. Upright and turned about the vertical are answered
exactly; any other rotation is answered by a dense search that is refined until it
settles, with proofs that no rotation fits where one is to be had.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog
from scipy.spatial import ConvexHull, QhullError
from scipy.spatial.distance import pdist
from scipy.spatial.transform import Rotation

from seamwright.errors import BadInput
from seamwright.mesh import FloatArray

Way = Literal["upright", "turned", "any", "none"]
Allowed = Literal["upright", "turned", "any"]
Floats = npt.NDArray[np.floating[Any]]
Indices = npt.NDArray[np.intp]

TOLERANCE = 1e-6
"""mm by which a piece may exceed the usable volume and still fit.

Rounding in float64 coordinates of a few metres stays below 1e-9 mm and the search
settles to about 1e-8 mm; no printer places its nozzle to better than about 1e-3 mm
(from memory). A millionth of a millimetre is far from both.
"""

HULL_LIMIT = 20_000
"""Points beyond which the whole hull is not built: smooth round scans keep them all."""

CORE_LIMIT = 640
"""Most hull vertices that the search uses as they are; it takes as many extremes of more."""

GRID = 24 * 24_000
"""Rotations of the whole grid; symmetry leaves 24 000 of them, about 3° apart."""

STARTS = 100
"""Poses that are refined by compass search."""

SETTLED = 8
"""The best of these, which are then settled to the last digit.

On 200 random hulls, none of them used to choose these numbers, a search of some three
times the effort found a better rotation twice, by 0.004 mm, and a worse one once.
"""


@dataclass(frozen=True, eq=False)
class Fit:
    """How a piece fits a build volume.

    Attributes
    ----------
    way : "upright" as it stands, "turned" about the vertical only, "any" rotation, "none".
    rotation : (3, 3) proper rotation to platform coordinates, ``points @ rotation.T``; for
        "none" the one that misses by least.
    size : (3,) extents in that rotation, mm.
    miss : mm by which the worst side is too long in that rotation, 0 if it fits.
    spare : mm left on the tightest side, 0 if it does not fit.
    reason : why it does not fit, as the end of a sentence; empty if it fits.
    """

    way: Way
    rotation: FloatArray
    size: FloatArray
    miss: float
    spare: float
    reason: str


def fit(
    points: npt.ArrayLike,
    usable: npt.ArrayLike,
    *,
    up: npt.ArrayLike = (0.0, 0.0, 1.0),
    allow: Allowed = "any",
) -> Fit:
    """Find the least disturbing rotation in which a piece fits a build volume.

    Parameters
    ----------
    points : (N, 3) array-like
        The piece's vertices, mm; at least one.
    usable : (3,) array-like
        x, y and z of the build volume inside its margins, mm.
    up : (3,) array-like
        The piece's own vertical; the shortest turn brings it to platform z.
    allow : {"any", "turned", "upright"}
        The most that may be done to the piece.

    Returns
    -------
    Fit
        The same for the same input. "turned" comes with the angle that leaves the most
        spare, "any" with the first rotation found. Where nothing fits, `miss` is exact if
        only upright or turned is allowed, and else the least that the search found.

    Raises
    ------
    BadInput
        If there are no points, a value is not a finite number, a length is not above
        zero, `up` has no direction or `allow` is not one of the three.
    """
    cloud, box, base = _checked(points, usable, up, allow)
    stand = np.ascontiguousarray(_outer(cloud) @ base.T)
    way, turn, reason = _answered(stand, box, allow)
    size = _sizes(stand, turn)
    over = float((size - box).max())
    return Fit(way, turn @ base, size, over if reason else 0.0, max(-over, 0.0), reason)


def _answered(stand: FloatArray, box: FloatArray, allow: str) -> tuple[Way, FloatArray, str]:
    """The way, the rotation and the reason for points that stand as the piece does."""
    turn = np.eye(3)
    over = _sizes(stand, turn) - box
    if over.max() <= TOLERANCE:
        return "upright", turn, ""
    if allow == "upright":
        return "none", turn, f"as it stands it misses by {over.max():.3g} mm"
    turn[:2, :2], planar = _planar(stand[:, :2], box[:2])
    worst = max(planar, float(over[2]))
    if worst <= TOLERANCE:
        return "turned", turn, ""
    if allow == "turned":
        return "none", turn, f"turned about the vertical it misses by {worst:.3g} mm at best"
    turn, worst = _search(stand, box)
    # Half a turn about a side of the box changes no size: take the smallest rotation.
    signs = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
    turn = signs[(signs @ np.diag(turn)).argmax()][:, None] * turn
    if worst <= TOLERANCE:
        return "any", turn, ""
    dense = f"a dense search found no rotation that fits; the best misses by {worst:.3g} mm"
    # Ten tolerances leave room for the rounding of the hull's planes.
    return "none", turn, _proof(_core(stand), box + 10 * TOLERANCE) or dense


def _checked(
    points: npt.ArrayLike, usable: npt.ArrayLike, up: npt.ArrayLike, allow: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The points about their mean, the box and the rotation that brings `up` to z."""
    p = np.ascontiguousarray(points, dtype=np.float64)
    box = np.asarray(usable, dtype=np.float64)
    n = np.asarray(up, dtype=np.float64)
    if p.ndim != 2 or p.shape[1:] != (3,) or len(p) == 0:
        raise BadInput(f"The piece's points have shape {p.shape}; give at least one row of three.")
    # One product in place of a pass of isfinite: anything not finite spoils the sum.
    with np.errstate(invalid="ignore"):
        mean = np.ones(len(p)) @ p / len(p)
    if not np.isfinite(mean).all():
        raise BadInput("The piece has a coordinate that is not a finite number; repair its mesh.")
    if box.shape != (3,) or not np.isfinite(box).all() or box.min() <= 0:
        raise BadInput(f"The usable volume is {box.tolist()}; give three lengths above 0 mm.")
    if n.shape != (3,) or not np.isfinite(n).all() or np.linalg.norm(n) < 1e-12:
        raise BadInput(f"The piece's up direction is {n.tolist()}; give one such as [0, 0, 1].")
    if allow not in get_args(Allowed):
        raise BadInput(f"allow is '{allow}'; use one of {', '.join(get_args(Allowed))}.")
    sine = float(np.hypot(n[0], n[1]))
    # Straight down has no shortest turn: it goes over the x axis.
    axis = np.array([n[1], -n[0], 0.0]) / sine if sine > 0 else np.array([1.0, 0.0, 0.0])
    base = Rotation.from_rotvec(np.arctan2(sine, n[2]) * axis)
    return np.asarray(p - mean), box, np.asarray(base.as_matrix())


# The hull


def _half_sphere(count: int) -> FloatArray:
    """(count, 3) axes spread over half the sphere: a golden-angle spiral."""
    z = (np.arange(count) + 0.5) / count
    angle = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    r = np.sqrt(1.0 - z * z)
    return np.stack([r * np.cos(angle), r * np.sin(angle), z], axis=1)


def _extreme(points: FloatArray, axes: FloatArray) -> Indices:
    """Indices of the points that are first or last along any of `axes`."""
    rows = np.arange(len(axes))
    best = np.full((2, len(axes)), -np.inf)
    index = np.zeros((2, len(axes)), dtype=np.intp)
    for start in range(0, len(points), 8192):
        along = axes @ points[start : start + 8192].T
        for side, at in enumerate((along.argmax(axis=1), along.argmin(axis=1))):
            value = along[rows, at] * (1 - 2 * side)
            better = value > best[side]
            best[side, better] = value[better]
            index[side, better] = at[better] + start
    return np.asarray(np.unique(index))


def _not_inside(points: FloatArray, axes: FloatArray) -> FloatArray:
    """The points that may be hull vertices: the extremes along some axes, and all outside these.

    S. G. Akl & G. T. Toussaint, "A fast convex hull algorithm", Inf. Proc. Letters 7
    (1978) 219. A point in a face of the extremes' hull is no vertex either, so that a flat
    side goes too; rounding alone can put it 1e-12 of the size outside.
    """
    first = _extreme(points, axes)
    try:
        planes = ConvexHull(points[first]).equations
    except QhullError:
        return _corners(points) if points.shape[1] == 3 else points
    slight = 1e-12 * max(float(points.max()), -float(points.min()))
    step = max(256, 2**17 // len(planes))
    kept = np.empty(len(points), dtype=bool)
    for start in range(0, len(points), step):
        height = planes[:, :-1] @ points[start : start + step].T
        height += planes[:, -1:]
        kept[start : start + step] = height.max(axis=0) > slight
    kept[first] = True
    return np.asarray(points[kept])


def _outer(points: FloatArray) -> FloatArray:
    """(H, 3) points with the same hull as `points`: its vertices, unless there are too many."""
    for axes, most in ((6, np.inf), (24, np.inf), (96, 100_000)):
        if 1000 < len(points) < most:
            points = _not_inside(points, _half_sphere(axes))
    return points if len(points) > HULL_LIMIT else _corners(points)


def _corners(points: FloatArray) -> FloatArray:
    """(H, 3) hull vertices of points that may lie in a plane, on a line or in one place."""
    try:
        return np.asarray(points[ConvexHull(points).vertices])
    except QhullError:
        # Too few points, or all in a plane to within rounding: see which below.
        first = points[np.linalg.norm(points, axis=1).argmax()]
    away = points - first
    long = away[np.linalg.norm(away, axis=1).argmax()]
    length = float(np.linalg.norm(long))
    if length == 0.0:
        return points[:1]
    u = long / length
    aside = away - np.outer(away @ u, u)
    wide = aside[np.linalg.norm(aside, axis=1).argmax()]
    if np.linalg.norm(wide) <= 1e-12 * length:
        return np.stack([first, first + long])
    v = wide / np.linalg.norm(wide)
    if np.abs(away @ np.cross(u, v)).max() > 1e-9 * length:
        return np.unique(points, axis=0)
    return np.asarray(points[_outline(np.stack([away @ u, away @ v], axis=1))])


def _core(points: FloatArray) -> FloatArray:
    """(C, 3) hull vertices that stand in for all: every one of them if they are few."""
    if len(points) <= CORE_LIMIT:
        return points
    return _corners(points[_extreme(points, _half_sphere(CORE_LIMIT // 2))])


# Turned about one axis


def _outline(points: FloatArray) -> Indices:
    """Indices of the hull vertices of (N, 2) points, counter-clockwise."""
    try:
        return np.asarray(ConvexHull(points).vertices, dtype=np.intp)
    except QhullError:
        # On a line to within rounding, about 1e-13 of its length: its two ends.
        a = np.linalg.norm(points - points.mean(axis=0), axis=1).argmax()
        b = np.linalg.norm(points - points[a], axis=1).argmax()
        return np.asarray(np.unique([a, b]))


def _planar(points: FloatArray, box: FloatArray) -> tuple[FloatArray, float]:
    """The rotation of (N, 2) points that misses the (2,) rectangle by least, exactly.

    Between neighbouring edge directions the same vertices bound each extent, so both are
    cosines of the angle with positive value, hence concave. The larger of two concave
    excesses is least at an end of the interval or where the two are equal, and both are
    had in closed form: nothing is sampled. Returns the rotation (2, 2) and the excess, mm.
    """
    if len(points) > 1000:
        fan = np.arange(16) * np.pi / 16
        points = _not_inside(np.array(points), np.stack([np.cos(fan), np.sin(fan)], axis=1))
    hull = points[_outline(points)]
    edges = np.roll(hull, -1, axis=0) - hull
    normals = np.arctan2(-edges[:, 0], edges[:, 1]) % (2 * np.pi)
    order = np.argsort(normals, kind="stable")
    normals = normals[order]

    def span(angle: FloatArray) -> FloatArray:
        """(K, 2) from the last vertex to the first along each direction."""
        turns = np.stack([angle, angle + np.pi]) % (2 * np.pi)
        first, last = hull[order[np.searchsorted(normals, turns) % len(hull)]]
        return np.asarray(first - last)

    def excess(angle: FloatArray) -> FloatArray:
        c, s = np.cos(angle), np.sin(angle)
        w, h = span(angle).T, span(angle + np.pi / 2).T
        over = np.stack([w[0] * c + w[1] * s - box[0], h[1] * c - h[0] * s - box[1]])
        return np.asarray(over.max(axis=0))

    knots = np.unique(np.concatenate([normals % np.pi, (normals + np.pi / 2) % np.pi, [0, np.pi]]))
    low, high = knots[:-1], knots[1:]
    w, h = span((low + high) / 2).T, span((low + high) / 2 + np.pi / 2).T
    # w - box0 = h - box1 is one cosine: reach * cos(angle - phase) = box0 - box1.
    across, along = w[0] - h[1], w[1] + h[0]
    reach, phase = np.hypot(across, along), np.arctan2(along, across)
    real = reach > abs(box[0] - box[1])
    bow = np.arccos((box[0] - box[1]) / np.where(real, reach, np.inf))
    equal = np.stack([phase - bow, phase + bow]) % (2 * np.pi)
    angles = np.concatenate([knots, equal[(equal > low) & (equal < high) & real]])
    # Half a turn changes nothing, so every angle can be within a quarter turn.
    angles = np.where(angles > np.pi / 2, angles - np.pi, angles)
    values = excess(angles)
    alike = angles[values <= values.min() + 1e-9]
    best = alike[np.abs(alike).argmin()]
    c, s = np.cos(best), np.sin(best)
    return np.array([[c, s], [-s, c]]), float(values.min())


# Any rotation


def _sizes(points: FloatArray, turn: FloatArray) -> FloatArray:
    """(3,) extents of (N, 3) points in one rotation, mm."""
    return np.asarray(np.ptp(turn @ points.T, axis=1))


def _excess(points: Floats, turns: FloatArray, box: FloatArray) -> FloatArray:
    """(B,) mm by which each of (B, 3, 3) rotations misses, its extents dealt to the best sides.

    Longest to longest is the best deal, so one rotation stands for its six
    permutations, and with the four half turns for all 24 of the box's rotations.
    """
    rows = turns.reshape(-1, 3).astype(points.dtype)
    size = np.empty(len(rows))
    step = max(1, 2**17 // len(points))
    for start in range(0, len(rows), step):
        along = rows[start : start + step] @ points.T
        size[start : start + step] = along.max(axis=1) - along.min(axis=1)
    return np.asarray((np.sort(size.reshape(-1, 3), axis=1) - np.sort(box)).max(axis=1))


def _dealt(points: FloatArray, turn: FloatArray, box: FloatArray) -> FloatArray:
    """(3, 3) proper rotation: the rows of `turn` with the longest extent on the longest side."""
    rows = np.empty((3, 3))
    rows[box.argsort(kind="stable")] = turn[_sizes(points, turn).argsort(kind="stable")]
    rows[0] *= np.sign(np.linalg.det(rows))
    u, _, v = np.linalg.svd(rows)
    return np.asarray(u @ v)


@lru_cache(maxsize=1)
def _grid() -> FloatArray:
    """(B, 3, 3) rotations spread evenly over those that the box's symmetry leaves different.

    Super-Fibonacci spiral: M. Alexa, "Super-Fibonacci spirals: fast, low-discrepancy
    sampling of SO(3)", CVPR 2022. The part nearest the identity under the cube's 24
    rotations: A. Heinz & P. Neumann, Acta Cryst. A47 (1991) 780.
    """
    s = np.arange(GRID) + 0.5
    inner, outer = np.sqrt(s / GRID), np.sqrt(1.0 - s / GRID)
    a, b = 2 * np.pi * s / np.sqrt(2.0), 2 * np.pi * s / 1.533751168755204288118041
    q = np.stack([inner * np.sin(a), inner * np.cos(a), outer * np.sin(b), outer * np.cos(b)], 1)
    part, real = np.abs(q[:, :3]), np.abs(q[:, 3])
    near = (part.max(axis=1) <= (np.sqrt(2.0) - 1) * real) & (part.sum(axis=1) <= real)
    return np.asarray(Rotation.from_quat(q[near]).as_matrix())


def _about(axes: FloatArray, count: int, reach: float = np.pi / 2) -> FloatArray:
    """(M * count, 3, 3) rotations that bring each of (M, 3) axes to z, spun through `reach`."""
    u = np.cross(np.eye(3)[np.abs(axes).argmin(axis=1)], axes)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(axes, u)[:, None]
    angle = np.arange(count)[:, None] * (reach / count)
    c, s, u = np.cos(angle), np.sin(angle), u[:, None]
    w = np.repeat(axes[:, None], count, axis=1)
    return np.asarray(np.stack([c * u + s * v, c * v - s * u, w], axis=2).reshape(-1, 3, 3))


def _flush(points: FloatArray, axes: FloatArray, box: FloatArray) -> FloatArray:
    """(3M, 3, 3) the exactly best rotation about each of (M, 3) axes on each side of the box."""
    out = []
    for turn in _about(axes, 1):
        for side in range(3):
            flat, _ = _planar(points @ turn[:2].T, np.delete(box, side))
            out.append(np.vstack([flat @ turn[:2], turn[2:]]))
    return np.array(out)


def _edges(hull: ConvexHull) -> tuple[Indices, Indices, FloatArray]:
    """(E, 2) facets on either side, (E, 2) vertices and (E, 3) vector of each edge of a hull."""
    facet, corner = np.nonzero(hull.neighbors > np.arange(len(hull.simplices))[:, None])
    ends = np.stack([hull.simplices[facet, (corner + k) % 3] for k in (1, 2)], axis=1)
    along = hull.points[ends[:, 1]] - hull.points[ends[:, 0]]
    return np.stack([facet, hull.neighbors[facet, corner]], axis=1), ends, along


def _contact_axes(core: FloatArray) -> FloatArray:
    """(M, 3) unit normals of the hull's faces and directions of its edges."""
    try:
        hull = ConvexHull(core)
        axes = np.concatenate([hull.equations[:, :3], _edges(hull)[2]])
    except QhullError:
        along = np.roll(core, -1, axis=0) - core
        axes = np.concatenate([along, np.cross(along[:1], along[-1:])])
    length = np.linalg.norm(axes, axis=1)
    return np.asarray(axes[length > 0] / length[length > 0, None])


def _longest(core: FloatArray) -> FloatArray:
    """(3,) the longest span between two of two or more points."""
    a, b = np.triu_indices(len(core), 1)
    at = pdist(core).argmax()
    return np.asarray(core[a[at]] - core[b[at]])


def _candidates(core: FloatArray, box: FloatArray) -> Iterator[FloatArray]:
    """Groups of (B, 3, 3) rotations to try, the quickest and least disturbing first."""
    yield _flush(core, np.eye(3), box)
    yield _grid()
    # Every face and edge of the hull along a side of the box, the best of them exactly.
    axes = _contact_axes(core)
    scan = _about(axes, 30)
    yield scan
    value = _excess(core.astype(np.float32), scan, box).reshape(len(axes), -1).min(axis=1)
    yield _flush(core, axes[value.argsort(kind="stable")[:12]], box)
    # The longest span along each of the box's diagonals, spun about itself.
    span = _longest(core)
    spin = _about(span[None] / np.linalg.norm(span), 360, 2 * np.pi)
    for signs in ([1, 1, 1], [1, 1, -1], [1, -1, 1], [-1, 1, 1]):
        diagonal = (box * signs)[None] / np.linalg.norm(box)
        yield np.swapaxes(_about(diagonal, 1), 1, 2) @ spin


def _search(cloud: FloatArray, box: FloatArray) -> tuple[FloatArray, float]:
    """The first rotation found that fits, else the one that misses by least, and its excess."""
    core = _core(cloud)
    small = core.astype(np.float32)
    best, least = np.eye(3), np.inf
    pool, values = [], []
    for group in _candidates(core, box):
        value = _excess(small, group, box)
        front = value.argsort(kind="stable")[:400]
        pool.append(group[front])
        values.append(value[front])
        exact = _excess(cloud, group[front[:4]], box)
        if exact.min() < least:
            best, least = group[front[exact.argmin()]], float(exact.min())
        if least <= TOLERANCE:
            return _dealt(cloud, best, box), least
    starts = _apart(np.concatenate(pool), np.concatenate(values), 4.0, STARTS)
    points = core
    # Several starts run down to the same place: only one of those is settled.
    for turn in _apart(*_descended(core, starts, box), 1.0, SETTLED):
        points, settled, excess = _settled(points, cloud, _dealt(core, turn, box), box, least)
        if excess < least:
            best, least = settled, excess
        if least <= TOLERANCE:
            break
    return _dealt(cloud, best, box), least


def _apart(turns: FloatArray, values: FloatArray, degrees: float, count: int) -> FloatArray:
    """(S, 3, 3) the best rotations that are so far apart, up to `count`, symmetry counted."""
    left = turns[values.argsort(kind="stable")]
    chosen: list[FloatArray] = []
    while len(left) and len(chosen) < count:
        chosen.append(left[0])
        # Alike but for the box's symmetry: each row lies along some row of the other.
        alike = np.abs(left @ left[0].T).max(axis=2).min(axis=1) > np.cos(np.radians(degrees))
        left = left[~alike]
    return np.array(chosen)


def _descended(
    core: FloatArray, turns: FloatArray, box: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """(B, 3, 3) rotations after a compass search from each, and their (B,) excess.

    The excess has kinks, where a fixed compass sticks: it is turned at every round.
    """
    best, step = _excess(core, turns, box), np.full(len(turns), np.radians(2.0))
    compass, rows = np.concatenate([_half_sphere(8), -_half_sphere(8)]), np.arange(len(turns))
    for turned in _grid()[:: len(_grid()) // 24]:
        vectors = step[:, None, None] * (compass @ turned)
        small = Rotation.from_rotvec(vectors.reshape(-1, 3)).as_matrix()
        trial = small.reshape(len(turns), -1, 3, 3) @ turns[:, None]
        value = _excess(core, trial.reshape(-1, 3, 3), box).reshape(len(turns), -1)
        at = value.argmin(axis=1)
        better = value[rows, at] < best
        turns = np.where(better[:, None, None], trial[rows, at], turns)
        best = np.where(better, value[rows, at], best)
        step = np.where(better, 1.2 * step, 0.5 * step)
    return turns, best


def _settled(
    points: FloatArray, cloud: FloatArray, turn: FloatArray, box: FloatArray, least: float
) -> tuple[FloatArray, FloatArray, float]:
    """Settle on some points, take in those of the cloud that stick out, and settle again.

    Returns the points with those taken in, the rotation and the cloud's excess, mm.
    """
    best, excess = turn, np.inf
    for _ in range(10):
        turn, inner = _stepped(points, turn, box)
        along = turn @ cloud.T
        outer = float((np.ptp(along, axis=1) - box).max())
        if outer < excess:
            best, excess = turn, outer
        # The points' excess is the least that the cloud can have hereabouts.
        if min(excess, least) - inner <= TOLERANCE / 100:
            break
        ends = np.concatenate([along.argmax(axis=1), along.argmin(axis=1)])
        points = np.concatenate([points, cloud[ends]])
    return points, best, excess


def _stepped(points: FloatArray, turn: FloatArray, box: FloatArray) -> tuple[FloatArray, float]:
    """Successive linear programs in a shrinking trust region, down to the last digit."""
    excess = float((_sizes(points, turn) - box).max())
    reach = np.radians(1.0)
    for _ in range(40):
        if excess <= 0.0 or reach < 1e-10:
            break
        step, promise = _linear_step(points @ turn.T, box, excess, reach)
        if promise < TOLERANCE / 1000:
            break
        trial = Rotation.from_rotvec(step).as_matrix() @ turn
        gain = excess - float((_sizes(points, trial) - box).max())
        if gain > 0.1 * promise:
            turn, excess = trial, excess - gain
        reach *= 2.0 if gain > 0.7 * promise else 0.5 if gain > 0.1 * promise else 0.2
    return turn, excess


def _linear_step(
    along: FloatArray, box: FloatArray, excess: float, reach: float
) -> tuple[FloatArray, float]:
    """The small rotation, within `reach` radians per axis, that promises the least excess.

    A rotation vector r moves coordinate k of y by r . (y x e_k). Unknowns: r / reach,
    the moves of three upper and three lower bounds, and of the excess, in units of the
    largest coordinate times `reach`, which keeps the solver's own tolerance apt.

    Returns the rotation vector, radians, and how much less excess it promises, mm.
    """
    along = along - (along.max(axis=0) + along.min(axis=0)) / 2
    arm = max(float(np.abs(along).max()), 1e-12)
    unit = arm * reach
    rows, limits = [], []
    for k in range(3):
        moves = np.cross(along, np.eye(3)[k]) / arm
        for sign, column in ((1.0, 3 + k), (-1.0, 6 + k)):
            gap = ((sign * along[:, k]).max() - sign * along[:, k]) / unit
            # No point moves by more than two units, so those further back never lead.
            near = gap < 4.0
            block = np.zeros((int(near.sum()), 10))
            block[:, :3], block[:, column] = sign * moves[near], -1.0
            rows.append(block)
            limits.append(gap[near])
        total = np.zeros((1, 10))
        total[0, [3 + k, 6 + k, 9]] = 1.0, 1.0, -1.0
        rows.append(total)
        limits.append(np.array([(excess - np.ptp(along[:, k]) + box[k]) / unit]))
    bounds = [(-1.0, 1.0)] * 3 + [(None, None)] * 7
    found = linprog(np.eye(10)[9], np.concatenate(rows), np.concatenate(limits), bounds=bounds)
    if found.x is None:
        return np.zeros(3), 0.0
    return found.x[:3] * reach, -float(found.x[9]) * unit


# Proofs that nothing fits


def _proof(core: FloatArray, box: FloatArray) -> str:
    """Why no rotation can fit, if one of five measures proves it; else empty.

    None of them is less for a convex body than for one inside it. Volume, surface and
    mean width are mixed volumes: R. Schneider, "Convex Bodies: the Brunn-Minkowski
    Theory" (2nd ed. 2014), sections 5.1 and 5.3.
    """
    a, b, c = box
    span, diagonal = float(np.linalg.norm(_longest(core))), float(np.linalg.norm(box))
    found = [(span, diagonal, "longest span", "diagonal, ", "mm", 1.0)]
    try:
        hull = ConvexHull(core)
    except QhullError:
        hull = None
    if hull is not None:
        facets, _, along = _edges(hull)
        m, n = hull.equations[facets[:, 0], :3], hull.equations[facets[:, 1], :3]
        bend = np.arctan2(np.linalg.norm(np.cross(m, n), axis=1), (m * n).sum(axis=1))
        # Mean width of a polytope: edge length times outer angle, summed, over 4 pi.
        mean = float(np.linalg.norm(along, axis=1) @ bend) / (4 * np.pi)
        width, side = _least_width(hull), float(box.min())
        found += [
            (width, side, "least thickness", "shortest side, ", "mm", 1.0),
            (hull.volume, a * b * c, "hull's volume", "", "cm³", 1e-3),
            (hull.area, 2 * (a * b + b * c + c * a), "hull's surface", "", "cm²", 1e-2),
            (mean, (a + b + c) / 2, "mean width", "", "mm", 1.0),
        ]
    for piece, limit, what, which, unit, factor in found:
        if piece > limit:
            x, y = _told_apart(piece * factor, limit * factor)
            return f"its {what}, {x} {unit}, is more than the build volume's {which}{y} {unit}"
    return ""


def _told_apart(larger: float, smaller: float) -> tuple[str, str]:
    """Both numbers with three digits, or as many more as show which is the larger."""
    for digits in range(max(0, 2 - int(np.log10(max(smaller, 1e-9)))), 12):
        a, b = f"{larger:.{digits}f}", f"{smaller:.{digits}f}"
        if a != b:
            break
    return a, b


def _least_width(hull: ConvexHull) -> float:
    """The least distance between two parallel planes that hold the hull between them, mm.

    They touch a face and a vertex, or two edges: M. E. Houle & G. T. Toussaint,
    "Computing the width of a set", IEEE Trans. PAMI 10 (1988) 761. Two edges can be
    touched where the arcs of their normals cross on the sphere, one of them mirrored;
    unmirrored crossings are let in too, since every width tried is one that exists.
    """
    facets, _, along = _edges(hull)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    side = along @ hull.equations[:, :3].T
    cross = side[:, facets[:, 0]] * side[:, facets[:, 1]] <= 1e-12
    i, j = np.nonzero(np.triu(cross & cross.T, 1))
    normals = np.cross(along[i], along[j])
    length = np.linalg.norm(normals, axis=1)
    normals = normals[length > 1e-9] / length[length > 1e-9, None]
    least = np.inf
    for tried in np.array_split(np.concatenate([hull.equations[:, :3], normals]), 32):
        if len(tried):
            least = min(least, float(np.ptp(hull.points @ tried.T, axis=0).min()))
    return least
