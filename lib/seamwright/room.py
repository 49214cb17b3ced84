"""Room: where in the material behind a seam face a peg of some size can go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from seamwright.frame import Frame
from seamwright.mesh import FloatArray, IntArray, Mesh
from seamwright.middle import along, count_for, middle_line
from seamwright.outline import Region
from seamwright.rim import PIECES, diagram, rim_of
from seamwright.wall import between_corners, sampled

__all__ = [
    "Obstacles",
    "along",
    "clear_radius",
    "count_for",
    "inscribed",
    "middle_line",
    "obstacles",
    "spots",
]

MOST_SAMPLES = 1_000_000
"""Samples of what is behind a face: 24 MB. A face 3 m across at the widest spacing; what is
planned farther apart is proven exactly all the same."""


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

    @cached_property
    def _trees(self) -> dict[tuple[float, float, float], cKDTree]:
        """Trees asked for so far, by depth and lean."""
        return {}

    def down_to(self, depth: float) -> Obstacles:
        """Only the samples down to `depth` mm, and none of the surfaces."""
        near = self.depth <= depth
        return Obstacles(self.points[near], self.depth[near], np.zeros((0, 3, 3)))

    def tree(self, depth: float, lean: FloatArray | None = None) -> cKDTree:
        """The points down to `depth` mm, shifted back along `lean`; kept for the next time.

        lean : (2,) shift sideways per mm of depth; none for straight down.
        """
        slope = (0.0, 0.0) if lean is None else (float(lean[0]), float(lean[1]))
        key = (float(depth), *slope)
        if key not in self._trees:
            near = self.depth <= depth
            points = self.points[near]
            if slope != (0.0, 0.0):
                points = points - self.depth[near, None] * np.array(slope)
            # A few hundred places are looked up in each, so it must be made quickly.
            self._trees[key] = cKDTree(
                points, leafsize=32, balanced_tree=False, compact_nodes=False
            )
        return self._trees[key]


def obstacles(
    mesh: Mesh,
    own: IntArray,
    frame: Frame,
    into: FloatArray,
    region: Region,
    deepest: float,
    spacing: float,
    bodies: tuple[FloatArray, ...] = (),
    lean: FloatArray | None = None,
) -> Obstacles:
    """Collect what lies within `deepest` mm behind a seam face, and near it sideways.

    Parameters
    ----------
    own : faces of the interface itself, which are no obstacle.
    into : (3,) unit direction from the face into the material.
    bodies : (T, 3, 3) bodies of joints the piece already has.
    lean : (2,) shift sideways per mm of depth of what will be sunk in, if it leans: then
        more is collected to that side.
    """
    away = np.ones(len(mesh.faces), dtype=bool)
    away[own] = False
    height = (mesh.vertices - frame.origin) @ into
    flat = frame.to_plane(mesh.vertices)
    shift = np.zeros(2) if lean is None else deepest * np.asarray(lean)
    low = region.outline.min(axis=0) - deepest + np.minimum(shift, 0.0)
    high = region.outline.max(axis=0) + deepest + np.maximum(shift, 0.0)
    # Per vertex first, per face after: the vertex arrays are half as long.
    above, below = height < -spacing, height > deepest
    out = np.stack([above, below, *(flat < low).T, *(flat > high).T], axis=1)
    f = mesh.faces
    # A face is far if all its corners lie beyond the same side of the box.
    bits = np.packbits(out, axis=1)[:, 0]
    away &= (bits[f[:, 0]] & bits[f[:, 1]] & bits[f[:, 2]]) == 0
    near = f[away]
    skin = mesh.vertices[near]
    triangles = np.concatenate([skin, *bodies])
    # A corner is shared by about six faces: it is taken once.
    corners = np.zeros(len(mesh.vertices), dtype=bool)
    corners[near.ravel()] = True
    samples = [mesh.vertices[corners], between_corners(skin, spacing, MOST_SAMPLES)]
    samples += [sampled(b, spacing, MOST_SAMPLES) for b in bodies]
    points = np.concatenate(samples)
    depth = (points - frame.origin) @ into
    keep = (depth > -spacing) & (depth < deepest)
    return Obstacles(frame.to_plane(points[keep]), depth[keep], triangles)


def among(
    bodies: Sequence[FloatArray], frame: Frame, into: FloatArray, deepest: float, spacing: float
) -> Obstacles:
    """Only the bodies (T, 3, 3) that a piece has, within `deepest` mm behind a seam face."""
    near = []
    for body in bodies:
        height = (body.reshape(-1, 3) - frame.origin) @ into
        if height.min() < deepest and height.max() > -spacing:
            near.append(body)
    points = np.concatenate([np.zeros((0, 3)), *(sampled(b, spacing, MOST_SAMPLES) for b in near)])
    depth = (points - frame.origin) @ into
    keep = (depth > -spacing) & (depth < deepest)
    triangles = np.concatenate([np.zeros((0, 3, 3)), *near])
    return Obstacles(frame.to_plane(points[keep]), depth[keep], triangles)


def clear_radius(
    at: FloatArray, around: Obstacles, depth: float, lean: FloatArray | None = None
) -> FloatArray:
    """(N,) how far each of the (N, 2) points is, sideways, from any obstacle down to `depth`.

    lean : (2,) shift sideways per mm of depth, in the seam's frame, of a body that does not
        go straight down: the tangent of its lean. The radius is that in any plane along the
        seam, about where the body's axis passes through it.
    """
    tree = around.tree(depth, lean)
    if not tree.n:
        return np.full(len(at), np.inf)
    return np.asarray(tree.query(at)[0])


def inscribed(region: Region) -> tuple[FloatArray, float]:
    """Centre (2,) and radius, mm, of a region's largest inscribed circle, to within 0.1 %.

    Its centre is a corner of the Voronoi diagram of the outline. The diagram is that of
    points along it, and is refined where a larger circle than the best found may yet lie:
    a circle of radius r that reaches points `h` apart reaches the outline between them by
    sqrt(r² - h²/4) at least. Where it is as wide all along, as in a ring, only the best
    `_OPEN` places are refined and the rest taken as they are, as any of them will do.
    """
    seeds = np.array([region.inner_point, region.centroid])
    distance = region.edge_distance(seeds) * region.contains(seeds)
    k = int(np.argmax(distance))
    best, radius = seeds[k], float(distance[k])
    # A disc's radius is twice its area over its perimeter, a strip's once.
    step = max(region.area / region.perimeter, radius, region.perimeter / PIECES)
    rim = rim_of(region).divided(step)
    for turn in range(_ROUNDS):
        found = diagram(rim, radius)
        hopeful = np.flatnonzero(found.inside)
        hopeful = hopeful[np.argsort(-found.reach[hopeful], kind="stable")[:_ASKED]]
        if not len(hopeful):
            break
        exact = rim.distance(found.nodes[hopeful])
        k, before = int(np.argmax(exact)), radius
        if exact[k] > radius:
            best, radius = found.nodes[hopeful[k]], float(exact[k])
        rest = hopeful[found.reach[hopeful] > radius * (1 + _NEARLY)]
        if len(rest) > _OPEN and turn > 0 and radius < before * (1 + _NEARLY):
            break
        finer = rim.finer_about(found.nodes[rest[:_OPEN]], 2 * np.sqrt(2 * _NEARLY) * radius)
        if finer is None:
            break
        rim = finer
    return best, radius


_NEARLY = 1e-3
"""Share of the largest circle's radius that does not matter."""

_ROUNDS, _ASKED, _OPEN = 6, 5_000, 30
"""Rounds of refining, and places measured and refined in each, at most."""


def spots(region: Region, spacing: float) -> FloatArray:
    """(N, 2) points of a grid that lie inside a region, mm, its inner point among them."""
    low, high = region.outline.min(axis=0), region.outline.max(axis=0)
    axes = [np.arange(a + spacing / 2, b, spacing) for a, b in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    return np.concatenate([grid[rim_of(region).contains(grid)], [region.inner_point]])
