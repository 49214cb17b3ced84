"""The figure: from what a file holds to triangles at true size, upright, in millimetres."""

from __future__ import annotations

import math
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from seamwright.errors import BadInput
from seamwright.mesh import FloatArray, IntArray, Mesh

UNITS = MappingProxyType({"um": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8})
"""Millimetres in one of each length unit; an inch is 25.4 mm exactly (agreement of 1959)."""

# Rows say where the new x, y and z come from. Each is one quarter turn, so that left stays
# left: about the x axis for y (its old z comes to face the front, -y), about the y axis for x.
_UPRIGHT = MappingProxyType(
    {
        "x": np.array([[0.0, 0.0, -1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]]),
        "y": np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]),
        "z": np.eye(3),
    }
)

_FLAT = 1e-6
"""A figure thinner than this share of its diagonal is flat: far below what float32 files keep."""


def true_size(
    mesh: Mesh,
    *,
    unit: str,
    scale: float | None = None,
    target_height: float | None = None,
    up: str = "z",
) -> Mesh:
    """The figure upright and at the size it is to be printed, in mm.

    The source unit is turned into mm, the `up` axis is turned to z, and then
    either the scale factor or the target height sets the size. All of it is done
    about the origin: the figure is never recentred.

    Parameters
    ----------
    mesh : Mesh
        The sculpt in its source unit.
    unit : str
        Length unit of the source, a key of `UNITS`.
    scale : float, optional
        Scale factor; 12 means twelve times the source.
    target_height : float, optional
        Height of the result along z, mm. Not together with `scale`.
    up : {"z", "y", "x"}
        Which axis of the source points up. For "y" the point (x, y, z) becomes
        (x, -z, y), for "x" it becomes (-z, y, x); both are rotations, so nothing
        is mirrored.

    Raises
    ------
    BadInput
        If the unit or the axis is unknown, both sizes are given, a size is not a
        finite number above 0, or a height is asked of a figure that has none.
    """
    factor = true_factor(mesh, unit=unit, scale=scale, target_height=target_height, up=up)
    vertices = mesh.vertices if up == "z" else mesh.vertices @ _UPRIGHT[up].T
    return Mesh(np.ascontiguousarray(vertices * factor), mesh.faces, mesh.tag)


def true_factor(
    mesh: Mesh,
    *,
    unit: str,
    scale: float | None = None,
    target_height: float | None = None,
    up: str = "z",
) -> float:
    """Millimetres at true size in one source unit; parameters and errors as `true_size`."""
    if unit not in UNITS:
        raise BadInput(f"Unit {unit!r} is unknown; use one of {', '.join(UNITS)}.")
    if up not in _UPRIGHT:
        raise BadInput(f"Up axis {up!r} is unknown; use x, y or z.")
    if scale is not None and target_height is not None:
        raise BadInput("Give the scale factor or the target height, not both.")
    _require_positive(scale, "The scale factor")
    _require_positive(target_height, "The target height in mm")
    if target_height is not None:
        vertices = mesh.vertices if up == "z" else mesh.vertices @ _UPRIGHT[up].T
        return target_height / _height(mesh, vertices, up)
    return UNITS[unit] * (scale or 1.0)


def require_solid(mesh: Mesh, name: str) -> None:
    """Refuse a mesh that cannot enclose anything: no faces, or all in one plane.

    The thickness is measured along the thinnest principal direction, so a flat
    figure is found in whatever direction it lies.

    Raises
    ------
    BadInput
        If there are no faces or the thickness is below 1e-6 of the diagonal.
    """
    if len(mesh.faces) == 0:
        raise BadInput(f"{name} has no faces; give a closed surface.")
    points = mesh.compacted().vertices
    points = points - points.mean(axis=0)
    # Principal directions: the right singular vectors of the centred points.
    directions = np.linalg.svd(points, full_matrices=False)[2]
    thickness = float(np.ptp(points @ directions.T, axis=0).min())
    diagonal = float(np.linalg.norm(np.ptp(points, axis=0)))
    if thickness <= _FLAT * diagonal:
        raise BadInput(
            f"{name} is flat: {thickness:.3g} thick for a diagonal of {diagonal:.3g}; "
            "give it a thickness."
        )


def welded(points: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], IntArray]:
    """Points with equal coordinates made one; exact, in order of first appearance.

    A vectorised hash table, because sorting the corners of a million triangles
    takes several times as long: in every round each slot of the table settles the
    first point that falls into it and all its equals, and the rest is hashed anew.

    Parameters
    ----------
    points : (N, 3) float32 or float64
        Coordinates; 0.0 and -0.0 are equal, what is not a number equals nothing.

    Returns
    -------
    positions : (U, 3) of the same type
        The different points.
    index : (N,) int32
        Which of them each given point is.
    """
    points = np.ascontiguousarray(points) + points.dtype.type(0)  # -0.0 + 0.0 is 0.0
    same_as = np.empty(len(points), dtype=np.int32)
    bits = points.view(np.uint32 if points.dtype == np.float32 else np.uint64)
    # Odd multipliers near 2**64 divided by the golden ratio and its powers
    # (multiplicative hashing: Knuth, The Art of Computer Programming 3, 6.4).
    odd = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64)
    key = bits[:, 0] * odd[0]
    key ^= (bits[:, 1] * odd[1]) ^ (key >> np.uint64(29))
    key = (key * odd[2]) ^ (bits[:, 2] * odd[0])
    width = max(len(points).bit_length(), 4)
    pending = np.arange(len(points), dtype=np.int32)
    while len(pending):
        key = (key ^ (key >> np.uint64(32))) * odd[1]
        slot = (key >> np.uint64(64 - width)).astype(np.int64)
        table = np.empty(1 << width, dtype=np.int32)
        # numpy assigns in order and the last value stays: backwards, the first point wins.
        table[slot[::-1]] = pending[::-1]
        chosen = table[slot]
        equal = points[chosen] == points[pending]
        # Comparing the ids as well settles a point that equals nothing, not even itself.
        settled = (equal[:, 0] & equal[:, 1] & equal[:, 2]) | (chosen == pending)
        same_as[pending[settled]] = chosen[settled]
        pending, key = pending[~settled], key[~settled]
    first = same_as == np.arange(len(points), dtype=np.int32)
    number = np.cumsum(first, dtype=np.int32) - np.int32(1)
    return points[first], number[same_as]


def triangulated(
    points: FloatArray, sizes: npt.NDArray[np.int64], corners: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Polygons as triangles that cover the same area, in the order of the polygons.

    A quad is split from its first corner unless that folds it over a dent; a
    polygon of five or more corners is a fan unless that folds it, and is otherwise
    triangulated in its plane. No corner is left out, so neighbours still meet edge
    to edge. Polygons of fewer than three corners have no area and are dropped.

    Parameters
    ----------
    points : (V, 3) mm or any unit.
    sizes : (P,) int64, how many corners each polygon has.
    corners : (sum of sizes,) int64, the polygons' vertex indices, all in range.

    Returns
    -------
    (F, 3) int64 triangles.
    """
    if (sizes == 3).all():
        return corners.reshape(-1, 3)
    start = np.cumsum(sizes) - sizes
    owners: list[npt.NDArray[np.int64]] = [np.zeros(0, dtype=np.int64)]
    parts: list[npt.NDArray[np.int64]] = [np.zeros((0, 3), dtype=np.int64)]
    for size in np.unique(sizes[sizes >= 3]).tolist():
        which = np.flatnonzero(sizes == size)
        polygons = corners[start[which][:, None] + np.arange(size)]
        parts.append(_split(points, polygons).reshape(-1, 3))
        owners.append(np.repeat(which, size - 2))
    order = np.argsort(np.concatenate(owners), kind="stable")
    return np.concatenate(parts)[order]


def _split(points: FloatArray, polygons: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """(P, n) polygons of n corners each as (P, n - 2, 3) triangles."""
    size = polygons.shape[1]
    fan = np.stack([np.array([0, i, i + 1]) for i in range(1, size - 1)])
    triangles = polygons[:, fan]
    if size == 3:
        return triangles
    folded = _folded(points, triangles)
    if size == 4:
        other = polygons[folded][:, [[1, 2, 3], [1, 3, 0]]]
        better = ~_folded(points, other)
        triangles[np.flatnonzero(folded)[better]] = other[better]
        return triangles
    for i in np.flatnonzero(folded).tolist():
        local = _in_plane(points[polygons[i]])
        if len(local) == size - 2:
            triangles[i] = polygons[i][local]
    return triangles


def _folded(points: FloatArray, triangles: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """(P,) whether any of a polygon's (P, n - 2, 3) triangles looks against the polygon."""
    a, b, c = (points[triangles[:, :, i]] for i in range(3))
    vectors = np.cross(b - a, c - a)
    # The sum of a fan's triangles is the polygon's area vector however it is split.
    along = np.einsum("pij,pj->pi", vectors, vectors.sum(axis=1))
    return np.asarray((along < 0.0).any(axis=1))


def _in_plane(ring: FloatArray) -> npt.NDArray[np.int64]:
    """Triangles of a (n, 3) ring that has dents, by triangulating its view along its normal."""
    from manifold3d import triangulate  # noqa: PLC0415  (heavy, and dented n-gons are rare)

    spread = ring - ring.mean(axis=0)
    normal = np.cross(spread, np.roll(spread, -1, axis=0)).sum(axis=0)
    drop = int(np.argmax(np.abs(normal)))
    keep = [(drop + 1) % 3, (drop + 2) % 3]
    # Seen along an axis the ring must run counter-clockwise for the triangulation.
    flat = spread[:, keep] if normal[drop] > 0 else spread[:, keep] * [-1.0, 1.0]
    return np.asarray(triangulate([np.ascontiguousarray(flat)]), dtype=np.int64).reshape(-1, 3)


def _height(mesh: Mesh, vertices: FloatArray, up: str) -> float:
    """Extent along z of the vertices that faces use, in source units; never zero."""
    used = vertices[np.unique(mesh.faces)]
    size = np.ptp(used, axis=0) if len(used) else np.zeros(3)
    height = float(size[2])
    if not height > _FLAT * float(np.linalg.norm(size)):
        raise BadInput(
            f"The figure has no height along its {up} axis, so a target height cannot "
            "be met; give a scale factor or another up axis."
        )
    return height


def _require_positive(value: float | None, what: str) -> None:
    if value is not None and not (math.isfinite(value) and value > 0):
        raise BadInput(f"{what} is {value}; give a number above 0.")
