"""Whether a piece fits a build volume, and how it must be turned and placed to do so.

Only the convex hull matters. Upright and turned about the vertical are answered exactly; any
other rotation is answered by a dense search that is refined until it settles, with proofs that
no rotation fits where one is to be had.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from seamwright.bounds import proof
from seamwright.box import Box, planar
from seamwright.circle import smallest_circle
from seamwright.corner import Turned, free_rectangles, missing, turned, without_corners
from seamwright.disc import Disc
from seamwright.errors import BadInput
from seamwright.hull import core_of, outer
from seamwright.mesh import FloatArray
from seamwright.platform import TOLERANCE, Platform
from seamwright.rotation import Room, apart, search

Way = Literal["upright", "turned", "any", "none"]
Allowed = Literal["upright", "turned", "any"]

BESIDE = 24
"""Rotations that go on the whole platform and are then turned beside its excluded corners."""

LOOKED = 600
"""Angles at most that are looked at one by one for each of them."""


@dataclass(frozen=True, eq=False)
class Fit:
    """How a piece fits a build volume.

    Attributes
    ----------
    way : "upright" as it stands, "turned" about the vertical only, "any" rotation, "none".
    rotation : (3, 3) proper rotation to platform coordinates, ``points @ rotation.T``; for
        "none" the one that misses by least.
    size : (3,) extents in that rotation, mm.
    miss : mm by which the platform's sides, or its diameter, or the height are too short in
        that rotation, and the excluded corners too wide all round; 0 if it fits.
    spare : mm left on the tightest side, 0 if it does not fit; excluded corners not counted.
    reason : why it does not fit, as the end of a sentence; empty if it fits.
    offset : (3,) mm to add to the turned points: they then stand on z = 0 on the platform,
        x and y counted from its front left corner.
    """

    way: Way
    rotation: FloatArray
    size: FloatArray
    miss: float
    spare: float
    reason: str
    offset: FloatArray = field(default_factory=lambda: np.zeros(3))

    def placed(self, points: npt.ArrayLike) -> FloatArray:
        """(N, 3) points of the piece where they stand on the platform, mm."""
        return np.asarray(np.asarray(points, dtype=np.float64) @ self.rotation.T + self.offset)


@dataclass(frozen=True, eq=False)
class _Pose:
    """A rotation of the points, what it lacks in mm, and where it goes if not in the middle."""

    turn: FloatArray
    over: float
    offset: FloatArray | None = None


def fit(
    points: npt.ArrayLike,
    usable: npt.ArrayLike | Platform,
    *,
    up: npt.ArrayLike = (0.0, 0.0, 1.0),
    allow: Allowed = "any",
) -> Fit:
    """Find the least disturbing rotation in which a piece fits a build volume.

    Parameters
    ----------
    points : (N, 3) array-like
        The piece's vertices, mm; at least one.
    usable : Platform or (3,) array-like
        The platform, see `platform.platform_of`; or just x, y and z of a build volume inside
        its margins, mm.
    up : (3,) array-like
        The piece's own vertical; the shortest turn brings it to platform z.
    allow : {"any", "turned", "upright"}
        The most that may be done to the piece.

    Returns
    -------
    Fit
        The same for the same input. On a rectangle "turned" comes with the angle that
        leaves the most spare, "any" with the first rotation found. Where nothing fits, `miss`
        is exact if only upright or turned is allowed and nothing is excluded, and else the least
        that the search found.

    Raises
    ------
    BadInput
        If there are no points, a value is not a finite number, a length is not above
        zero, `up` has no direction or `allow` is not one of the three.
    """
    platform = usable if isinstance(usable, Platform) else _plain(usable)
    cloud, mean, base = _checked(points, up, allow)
    stand = np.ascontiguousarray(outer(cloud) @ base.T)
    way, pose, reason = _answered(stand, platform, allow)
    rotation = pose.turn @ base
    placed = stand @ pose.turn.T
    size = np.asarray(np.ptp(placed, axis=0))
    at = _centred(placed, platform) if pose.offset is None else pose.offset
    offset = np.append(at, -placed[:, 2].min()) - rotation @ mean
    spare = 0.0 if reason else max(-_over(placed, platform), 0.0)
    return Fit(way, rotation, size, pose.over if reason else 0.0, spare, reason, offset)


def _over(placed: FloatArray, platform: Platform) -> float:
    """mm that turned points lack, nothing excluded counted."""
    up = float(np.ptp(placed[:, 2])) - platform.size[2]
    if platform.round:
        return max(2 * smallest_circle(placed[:, :2])[1] - platform.size[0], up)
    return max(float((np.ptp(placed[:, :2], axis=0) - platform.size[:2]).max()), up)


def _centred(placed: FloatArray, platform: Platform) -> FloatArray:
    """(2,) the offset that brings turned points to the platform's middle."""
    if platform.round:
        return np.asarray(platform.centre - smallest_circle(placed[:, :2])[0])
    return np.asarray(platform.centre - (placed.min(axis=0) + placed.max(axis=0))[:2] / 2)


def _answered(stand: FloatArray, platform: Platform, allow: str) -> tuple[Way, _Pose, str]:
    """The way, the pose and the reason for points that stand as the piece does."""
    pose = _upright(stand, platform)
    if pose.over <= TOLERANCE:
        return "upright", pose, ""
    if allow == "upright":
        return "none", pose, f"as it stands it misses by {pose.over:.3g} mm"
    pose = _about_z(stand, platform, pose)
    if pose.over <= TOLERANCE:
        return "turned", pose, ""
    if allow == "turned":
        return "none", pose, f"turned about the vertical it misses by {pose.over:.3g} mm at best"
    core = core_of(stand)
    if platform.excluded:
        pose = _beside(stand, core, platform, pose)
    else:
        turn, worst = _whole(stand, core, platform)
        pose = _Pose(turn, worst)
    if pose.over <= TOLERANCE:
        return "any", pose, ""
    dense = f"a dense search found no rotation that fits; the best misses by {pose.over:.3g} mm"
    # Ten tolerances leave room for the rounding of the hull's planes.
    return "none", pose, proof(core, platform, 10 * TOLERANCE) or dense


def _upright(stand: FloatArray, platform: Platform) -> _Pose:
    """The points as they stand."""
    over = _over(stand, platform)
    if not platform.excluded or over > TOLERANCE:
        return _Pose(np.eye(3), over)
    offset, lack = missing(stand[:, :2], platform)
    return _Pose(np.eye(3), lack, offset)


def _about_z(stand: FloatArray, platform: Platform, upright: _Pose) -> _Pose:
    """The best turn about the vertical, exactly."""
    if platform.round and not platform.excluded:
        return upright
    up = float(np.ptp(stand[:, 2])) - platform.size[2]
    turn = np.eye(3)
    if platform.excluded and up <= TOLERANCE:
        return _from_turned(turned(stand[:, :2], platform), turn)
    if platform.round:
        return upright
    turn[:2, :2], flat = planar(stand[:, :2], np.array(platform.size[:2]))
    return _Pose(turn, max(flat, up))


def _from_turned(found: Turned, turn: FloatArray) -> _Pose:
    """A rotation turned on about the vertical."""
    about = np.asarray(Rotation.from_rotvec([0.0, 0.0, found.angle]).as_matrix())
    return _Pose(about @ turn, found.overrun, found.offset)


def _room(platform: Platform) -> Room:
    """What the search looks for, nothing excluded counted."""
    if platform.round:
        return Disc(platform.size[0], platform.size[2])
    return Box(np.array(platform.size))


def _whole(stand: FloatArray, core: FloatArray, platform: Platform) -> tuple[FloatArray, float]:
    """The rotation that fits or misses by least, nothing excluded counted, and its overrun."""
    turn, worst = search(stand, core, _room(platform))
    # Half a turn about a side of the box changes no size: take the smallest rotation.
    return turn if platform.round else Box.gentlest(turn), worst


def _beside(stand: FloatArray, core: FloatArray, platform: Platform, upright: _Pose) -> _Pose:
    """Any rotation that goes on the platform beside all that is excluded.

    First into the whole, for what does not go there goes nowhere; then into the free
    rectangles, as into any box; then the rotations that go into the whole are turned about the
    vertical until they go beside the corners.
    """
    turn, worst = _whole(stand, core, platform)
    if worst > TOLERANCE:
        return _Pose(turn, worst)
    if not platform.round:
        for x0, y0, x1, y1 in free_rectangles(platform):
            free = Platform((x1 - x0, y1 - y0, platform.size[2]))
            into, left = _whole(stand, core, free)
            if left <= TOLERANCE:
                return _Pose(into, left, _centred(stand @ into.T, free) + np.array([x0, y0]))
    best = upright
    for tried in _going(core, platform, turn):
        placed = stand @ tried.T
        if _over(placed, without_corners(platform)) > TOLERANCE:
            continue
        pose = _from_turned(turned(placed[:, :2], platform, LOOKED), tried)
        if pose.over < best.over:
            best = pose
        if best.over <= TOLERANCE:
            break
    return best


def _going(core: FloatArray, platform: Platform, found: FloatArray) -> Iterator[FloatArray]:
    """Rotations that go on the whole platform, well apart, those with most to spare first."""
    yield found
    room = _room(platform)
    turns = np.concatenate([*room.candidates(core)])
    over = room.overruns(core.astype(np.float32), turns)
    front = over.argsort(kind="stable")[:2000]
    for turn in apart(turns[front], over[front], 5.0, BESIDE, room):
        yield room.dealt(core, turn)


def _plain(usable: npt.ArrayLike) -> Platform:
    """A rectangular platform with nothing excluded."""
    size = np.asarray(usable, dtype=np.float64)
    if size.shape != (3,) or not np.isfinite(size).all() or size.min() <= 0:
        raise BadInput(f"The usable volume is {size.tolist()}; give three lengths above 0 mm.")
    x, y, z = size.tolist()
    return Platform((x, y, z))


def _checked(
    points: npt.ArrayLike, up: npt.ArrayLike, allow: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The points about their mean, the mean and the rotation that brings `up` to z."""
    p = np.ascontiguousarray(points, dtype=np.float64)
    n = np.asarray(up, dtype=np.float64)
    if p.ndim != 2 or p.shape[1:] != (3,) or len(p) == 0:
        raise BadInput(f"The piece's points have shape {p.shape}; give at least one row of three.")
    # One product in place of a pass of isfinite: anything not finite spoils the sum.
    with np.errstate(invalid="ignore"):
        mean = np.ones(len(p)) @ p / len(p)
    if not np.isfinite(mean).all():
        raise BadInput("The piece has a coordinate that is not a finite number; repair its mesh.")
    if n.shape != (3,) or not np.isfinite(n).all() or np.linalg.norm(n) < 1e-12:
        raise BadInput(f"The piece's up direction is {n.tolist()}; give one such as [0, 0, 1].")
    if allow not in get_args(Allowed):
        raise BadInput(f"allow is '{allow}'; use one of {', '.join(get_args(Allowed))}.")
    sine = float(np.hypot(n[0], n[1]))
    # Straight down has no shortest turn: it goes over the x axis.
    axis = np.array([n[1], -n[0], 0.0]) / sine if sine > 0 else np.array([1.0, 0.0, 0.0])
    base = Rotation.from_rotvec(np.arctan2(sine, n[2]) * axis)
    return np.asarray(p - mean), mean, np.asarray(base.as_matrix())
