"""A flat seam from a straight stroke drawn across a limb, as the viewer sees it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.landmark import landmark
from seamwright.mesh import BoolArray, FloatArray, Mesh
from seamwright.outline import Region
from seamwright.seam import Point, Reach, Seam
from seamwright.section import Section, section

LOOKS = 256
"""Looks that are taken along a stroke to see what of the figure it goes over, besides one amid
each region that it may go over (common practice, no source)."""

ROUND = 1.3
"""Half the side of a seam's square, in the farthest that the regions reach from its middle."""


@dataclass(frozen=True)
class Sight:
    """A line of sight: where it starts, (3,) mm, and the (3,) direction it runs in."""

    origin: Point
    way: Point


@dataclass(frozen=True, eq=False)
class Stroked:
    """A seam from a stroke.

    seam : flat, with side A on the left of the stroke as the viewer sees it. It reaches to
        the regions of `whole` that are numbered in `taken`, from 1.
    side : mm, of a square about the first point of its reach that holds those regions.
    """

    seam: Seam
    whole: Section
    taken: tuple[int, ...]
    side: float


def stroked(
    mesh: Mesh, start: Sight, end: Sight, *, every: bool = False, number: int = 1,
    name: str = "Seam",
) -> Stroked:  # fmt: skip
    """The flat seam through a stroke and the direction of view.

    It takes the regions that the stroke goes right across and that the viewer sees there: one
    that begins on the body, crosses an arm before it and ends in the air takes the arm. Where
    it goes right across none, it takes those that it touches.

    Parameters
    ----------
    mesh : closed, mm.
    start, end : lines of sight through the stroke's two ends: from one eye, or parallel.
    every : take all regions that it touches, also those that lie behind others.

    Raises
    ------
    BadInput
        If the stroke has no length, lies in the direction of view, or touches no sound region.
    """
    view = _View.of(mesh, start, end)
    whole = section(mesh, view.frame)
    seen = [_Seen.of(view, whole, region) for region in whole.regions]
    touched = [s.low < 1 and s.high > 0 for s in seen]
    chosen = touched
    if not every:
        looks = [
            (max(s.low, 0.0) + min(s.high, 1.0)) / 2
            for s, is_touched in zip(seen, touched, strict=True)
            if is_touched
        ]
        visible = _visible(seen, np.concatenate([np.linspace(0, 1, LOOKS), looks]))
        chosen = [bool(v) and t for v, t in zip(visible, touched, strict=True)]
        across = [c and s.low >= 0 and s.high <= 1 for c, s in zip(chosen, seen, strict=True)]
        chosen = across if any(across) else chosen
    taken = tuple(k for k, is_in in enumerate(chosen, start=1) if is_in)
    if not taken:
        raise BadInput("The stroke crosses nothing of the figure; draw it across a limb.")
    points = tuple(landmark(whole, k).point for k in taken)
    # A landmark is rounded; the plane goes through the stroke exactly.
    middle = whole.frame.to_world(whole.frame.to_plane([points[0]]))[0]
    normal, point = _point(view.frame.normal), _point(middle)
    far = max(
        float(
            np.linalg.norm(whole.frame.to_world(whole.regions[k - 1].outline) - point, axis=1).max()
        )
        for k in taken
    )
    seam = Seam(number, name, point, normal, Reach("nearest", points))
    return Stroked(seam, whole, taken, 2 * ROUND * far)


def _point(values: FloatArray) -> Point:
    x, y, z = (float(v) + 0.0 for v in values)
    return (x, y, z)


@dataclass(frozen=True, eq=False)
class _View:
    """How the viewer sees the stroke's plane.

    axes : (2, 3) directions; a point less `origin` is their sum in some shares. From one eye
        they are the two lines of sight; of parallel ones the stroke and the line of sight.
    """

    frame: Frame
    origin: FloatArray
    axes: FloatArray
    from_eye: bool

    @staticmethod
    def of(mesh: Mesh, start: Sight, end: Sight) -> _View:
        origins = np.array([start.origin, end.origin], dtype=np.float64)
        ways = np.array([start.way, end.way], dtype=np.float64)
        lengths = np.linalg.norm(ways, axis=1)
        if not np.isfinite([origins, ways]).all() or not lengths.min() > 0:
            raise BadInput("A line of sight needs a place and a direction of some length.")
        ways = ways / lengths[:, None]
        apart = origins[1] - origins[0]
        size = max(float(np.abs(mesh.size).max()), 1e-300)
        from_eye = float(np.linalg.norm(apart)) <= 1e-9 * size
        middle = ways.sum(axis=0)
        stroke = ways[1] - ways[0] if from_eye else apart
        left = np.cross(stroke, middle)
        if not np.linalg.norm(left) > 1e-9 * np.linalg.norm(stroke) * np.linalg.norm(middle):
            raise BadInput("The stroke has no length as it is seen; draw a longer one.")
        axes = ways if from_eye else np.stack([apart, middle])
        return _View(Frame.on_plane(origins[0], left), origins[0], axes, from_eye)

    def seen(self, points: npt.ArrayLike) -> FloatArray:
        """(N, 3) for points in the plane: how far along the stroke, times the second number;
        that number, below 0 behind the eye; and the depth."""
        away = np.asarray(points, dtype=np.float64) - self.origin
        shares = np.linalg.lstsq(self.axes.T, away.T, rcond=None)[0].T
        if not self.from_eye:
            return np.stack([shares[:, 0], np.ones(len(shares)), shares[:, 1]], axis=1)
        depth = shares.sum(axis=1)
        return np.stack([shares[:, 1], depth, depth], axis=1)


@dataclass(frozen=True, eq=False)
class _Seen:
    """A region as it is seen edge on: from where to where along the stroke, of which 0 and 1
    are the ends, and the (N, 3) ends of its outline's parts as `_View.seen` has them."""

    low: float
    high: float
    start: FloatArray
    end: FloatArray

    @staticmethod
    def of(view: _View, whole: Section, region: Region) -> _Seen:
        loops = [view.seen(whole.frame.to_world(loop)) for loop in region.loops]
        start = np.concatenate(loops)
        end = np.concatenate([np.roll(loop, -1, axis=0) for loop in loops])
        before = start[:, 1] > 0
        along = start[before, 0] / start[before, 1]
        low, high = (along.min(), along.max()) if len(along) else (np.inf, -np.inf)
        # What reaches behind the eye is not gone right across.
        if not before.all():
            low, high = -np.inf, high if len(along) else -np.inf
        return _Seen(float(low), float(high), start, end)


def _visible(seen: list[_Seen], looks: FloatArray) -> BoolArray:
    """(R,) whether each region is what is met first at one of the looks along the stroke."""
    nearest = np.full((len(seen), len(looks)), np.inf)
    for k, region in enumerate(seen):
        # Where a part of the outline is seen at a look: linear in its own length.
        a = region.start[:, 0] - looks[:, None] * region.start[:, 1]
        b = region.end[:, 0] - looks[:, None] * region.end[:, 1]
        crosses = (a < 0) != (b < 0)
        share = np.divide(a, a - b, out=np.zeros_like(a), where=crosses)
        at = region.start[None] + share[..., None] * (region.end - region.start)[None]
        met = crosses & (at[..., 1] > 0)
        nearest[k] = np.where(met, at[..., 2], np.inf).min(axis=1)
    found = np.zeros(len(seen), dtype=np.bool_)
    if len(seen):
        found[np.argmin(nearest, axis=0)[np.isfinite(nearest.min(axis=0))]] = True
    return found
