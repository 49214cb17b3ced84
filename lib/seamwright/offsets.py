"""Outlines moved about: placed, mirrored, offset edge by edge, drawn in, triangulated."""

from __future__ import annotations

import manifold3d
import numpy as np
import numpy.typing as npt

from seamwright.errors import BadInput
from seamwright.mesh import BoolArray, FloatArray

IdArray = npt.NDArray[np.int64]


def placed(outline: FloatArray, centre: FloatArray, turn: float) -> FloatArray:
    """The (N, 2) outline turned by `turn` degrees about its origin and moved to `centre`."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    return np.asarray(outline @ np.array([[c, s], [-s, c]]) + centre)


def mirrored(outline: FloatArray) -> FloatArray:
    """The (N, 2) outline as it looks from the other side, x negated; counter-clockwise again."""
    return np.asarray(outline[::-1] * [-1.0, 1.0])


def offset(outline: FloatArray, distance: float | FloatArray) -> FloatArray:
    """An (N, 2) outline with its edges moved outward, corners sharp.

    Parameters
    ----------
    distance : mm, one for all edges or (N,) one for each; edge k leaves corner k. A corner
        between edges in line can follow only one distance and takes the mean of the two.

    Whether the result is an outline still is for `keeps` to say.
    """
    normal = edge_normals(outline)
    before = np.roll(normal, 1, axis=0)
    # The corner shift has length 1 along both its edges' normals.
    dot = (before * normal).sum(axis=1, keepdims=True)
    if np.ndim(distance) == 0:
        return np.asarray(outline + distance * (before + normal) / (1.0 + dot))
    here = np.asarray(distance, dtype=np.float64)[:, None]
    mean, half = (np.roll(here, 1, axis=0) + here) / 2, (here - np.roll(here, 1, axis=0)) / 2
    apart = 1.0 - dot
    aside = np.where(apart > 1e-12, half / np.where(apart > 1e-12, apart, 1.0), 0.0)
    return np.asarray(outline + mean * (before + normal) / (1.0 + dot) + aside * (normal - before))


def keeps(outline: FloatArray, distance: float | FloatArray) -> bool:
    """Whether an offset by this much leaves an outline: no edge turns over or vanishes, and
    the outline does not cross itself, neither at the end nor a quarter, half or three quarters
    of the way."""
    along = np.roll(outline, -1, axis=0) - outline
    for share in (0.25, 0.5, 0.75, 1.0):
        moved = offset(outline, share * np.asarray(distance, dtype=np.float64))
        way = np.roll(moved, -1, axis=0) - moved
        if not ((way * along).sum(axis=1) > 1e-9 * (along**2).sum(axis=1)).all():
            return False
        if not is_simple(moved):
            return False
    return True


def shrunk(outline: FloatArray, distance: float) -> FloatArray:
    """An (N, 2) outline drawn in until its nearest edge is `distance` mm in.

    A convex one is scaled about its middle, which unlike an offset keeps every edge, however
    short, so a chamfer never folds. Others are offset, or scaled if that would fold them and
    all their edges face the middle.

    Raises
    ------
    BadInput
        If the outline is too narrow.
    """
    middle = outline.mean(axis=0)
    nearest = float(((outline - middle) * edge_normals(outline)).sum(axis=1).min())
    if not is_convex(outline) and keeps(outline, -distance):
        return offset(outline, -distance)
    if not nearest > distance:
        raise BadInput(
            f"An outline {np.ptp(outline, axis=0).max():.3g} mm across cannot be drawn in by "
            f"{distance:g} mm; use a smaller lead-in or a wider peg."
        )
    return np.asarray(middle + (outline - middle) * (1.0 - distance / nearest))


def outradius(outline: FloatArray) -> float:
    """Distance from the origin to the outline's farthest corner, mm."""
    return float(np.linalg.norm(outline, axis=1).max())


def area(outline: FloatArray) -> float:
    """mm², counter-clockwise positive."""
    after = np.roll(outline, -1, axis=0)
    return float(0.5 * (outline[:, 0] * after[:, 1] - after[:, 0] * outline[:, 1]).sum())


def centroid(outline: FloatArray) -> FloatArray:
    """(2,) centre of area, mm."""
    about = outline[0]
    here = outline - about
    after = np.roll(here, -1, axis=0)
    weight = here[:, 0] * after[:, 1] - after[:, 0] * here[:, 1]
    return np.asarray(about + ((here + after) * weight[:, None]).sum(axis=0) / (3 * weight.sum()))


def ends(outline: FloatArray) -> IdArray:
    """(T, 3) counter-clockwise triangles of corner numbers that fill an outline."""
    if is_convex(outline):
        k = np.arange(1, len(outline) - 1)
        return np.asarray(np.stack([np.zeros_like(k), k, k + 1], axis=1), dtype=np.int64)
    return np.asarray(manifold3d.triangulate([outline]), dtype=np.int64)


def edge_normals(outline: FloatArray) -> FloatArray:
    """(N, 2) unit outward normal of the edge that leaves each corner."""
    along = np.roll(outline, -1, axis=0) - outline
    length = np.linalg.norm(along, axis=1, keepdims=True)
    return np.asarray(np.stack([along[:, 1], -along[:, 0]], axis=1) / length)


def bends(outline: FloatArray) -> FloatArray:
    """(N,) sine of the turn to the left at each corner; negative where the outline dents."""
    along = np.roll(outline, -1, axis=0) - outline
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    before = np.roll(along, 1, axis=0)
    return np.asarray(before[:, 0] * along[:, 1] - before[:, 1] * along[:, 0])


def is_convex(outline: FloatArray) -> bool:
    """Whether no corner of a counter-clockwise outline dents it, to 1e-9 of a right angle."""
    return bool((bends(outline) > -1e-9).all())


def is_simple(outline: FloatArray) -> bool:
    """Whether an outline is counter-clockwise and no two of its edges cross or touch."""
    count = len(outline)
    after = np.roll(outline, -1, axis=0)
    i, j = np.triu_indices(count, 2)
    apart = (j + 1) % count != i
    return area(outline) > 0 and not bool(
        crossings(outline[i[apart]], after[i[apart]], outline[j[apart]], after[j[apart]]).any()
    )


def crossings(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> BoolArray:
    """Whether segments a–b and c–d, (..., 2) each, cross or touch."""
    across = (_side(a, b, c) * _side(a, b, d) <= 0) & (_side(c, d, a) * _side(c, d, b) <= 0)
    # Of segments in one line the signs tell nothing, so their extents must meet as well.
    near = (np.maximum(a, b) >= np.minimum(c, d)) & (np.maximum(c, d) >= np.minimum(a, b))
    return np.asarray(across & near.all(axis=-1))


def _side(a: FloatArray, b: FloatArray, p: FloatArray) -> FloatArray:
    """Positive where p (..., 2) lies to the left of the line from a to b."""
    u, v = b - a, p - a
    return np.asarray(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])
