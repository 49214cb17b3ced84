"""Room: where in the material behind a seam face a peg of some size can go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from seamwright.frame import Frame
from seamwright.mesh import FloatArray, IntArray, Mesh
from seamwright.outline import Region
from seamwright.wall import sampled


@dataclass(frozen=True, eq=False)
class Obstacles:
    """What a body sunk into one side of a seam must keep clear of.

    Attributes
    ----------
    points : (N, 2) samples of every other surface of the piece, in the seam's frame, mm.
    depth : (N,) how far behind the seam face each lies, mm.
    triangles : (T, 3, 3) the surfaces themselves, in space, mm.
    """

    points: FloatArray
    depth: FloatArray
    triangles: FloatArray


def obstacles(
    mesh: Mesh,
    own: IntArray,
    frame: Frame,
    into: FloatArray,
    region: Region,
    deepest: float,
    spacing: float,
    bodies: tuple[FloatArray, ...] = (),
) -> Obstacles:
    """Collect what lies within `deepest` mm behind a seam face, and near it sideways.

    Parameters
    ----------
    own : faces of the interface itself, which are no obstacle.
    into : (3,) unit direction from the face into the material.
    bodies : (T, 3, 3) bodies of joints the piece already has.
    """
    away = np.ones(len(mesh.faces), dtype=bool)
    away[own] = False
    height = (mesh.vertices - frame.origin) @ into
    flat = frame.to_plane(mesh.vertices)
    low = region.outline.min(axis=0) - deepest
    high = region.outline.max(axis=0) + deepest
    # Per vertex first, per face after: the vertex arrays are half as long.
    above, below = height < -spacing, height > deepest
    out = np.stack([above, below, *(flat < low).T, *(flat > high).T], axis=1)
    f = mesh.faces
    # A face is far if all its corners lie beyond the same side of the box.
    bits = np.packbits(out, axis=1)[:, 0]
    away &= (bits[f[:, 0]] & bits[f[:, 1]] & bits[f[:, 2]]) == 0
    triangles = np.concatenate([mesh.vertices[f[away]], *bodies])
    points = sampled(triangles, spacing)
    depth = (points - frame.origin) @ into
    keep = (depth > -spacing) & (depth < deepest)
    return Obstacles(frame.to_plane(points[keep]), depth[keep], triangles)


def inscribed(region: Region) -> tuple[FloatArray, float]:
    """Centre (2,) and radius, mm, of a region's largest inscribed circle.

    A grid is refined around its best cells, best first, dropping each cell whose
    centre's distance plus half diagonal cannot beat the best found: to within 0.1 % of
    the true radius. A thin ring as wide all round keeps every cell along its middle; then
    only the best go on, as any of them will do.
    """
    low, high = region.outline.min(axis=0), region.outline.max(axis=0)
    half = float((high - low).max()) / 16
    axes = [np.arange(a + half, b + 2 * half, 2 * half) for a, b in zip(low, high, strict=True)]
    cells = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    cells = np.concatenate([cells, [region.inner_point, region.centroid]])
    best, radius = region.inner_point, 0.0
    while len(cells):
        distance = region.edge_distance(cells) * np.where(region.contains(cells), 1.0, -1.0)
        k = int(np.argmax(distance))
        if distance[k] > radius:
            best, radius = cells[k], float(distance[k])
        open_cells = distance + half * np.sqrt(2) > radius * 1.001
        cells = cells[open_cells][np.argsort(-distance[open_cells], kind="stable")[:_CELLS]]
        half /= 2
        if half < 1e-3 * max(radius, 1e-6):
            break
        steps = half * np.array([[-1, -1], [-1, 1], [1, -1], [1, 1]])
        cells = (cells[:, None] + steps).reshape(-1, 2)
    return best, radius


_CELLS = 2_000
"""Cells refined at once at most."""


def spots(region: Region, spacing: float) -> FloatArray:
    """(N, 2) points of a grid that lie inside a region, mm, its inner point among them."""
    low, high = region.outline.min(axis=0), region.outline.max(axis=0)
    axes = [np.arange(a + spacing / 2, b, spacing) for a, b in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    return np.concatenate([grid[region.contains(grid)], [region.inner_point]])


def clear_radius(at: FloatArray, around: Obstacles, depth: float) -> FloatArray:
    """(N,) how far each of the (N, 2) points is, sideways, from any obstacle down to `depth`."""
    points = around.points[around.depth <= depth]
    if not len(points):
        return np.full(len(at), np.inf)
    return np.asarray(cKDTree(points).query(at)[0])
