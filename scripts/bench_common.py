"""What the benchmark's parts share: figures, the clock, a row of the table."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import manifold3d
import numpy as np
import trimesh

from seamwright.frame import Frame
from seamwright.shapes import sphere

Arrays = tuple[np.ndarray, np.ndarray]
Work = Callable[[], object]


@dataclass(frozen=True)
class Row:
    """One line of the table; `asked` is how many times faster than the reference, 0 if
    nothing is."""

    name: str
    ours: float
    reference: float
    asked: float

    @property
    def missed(self) -> bool:
        return self.reference / self.ours < self.asked


# --- the figures -----------------------------------------------------------------------


def bumps(v: np.ndarray) -> np.ndarray:
    """(N,) factors near 1 that make a smooth surface a sculpted one."""
    return 1 + 0.06 * np.sin(9 * v[:, 0]) * np.cos(7 * v[:, 1]) + 0.02 * np.sin(40 * v[:, 2])


def displaced_sphere(subdivisions: int) -> Arrays:
    """A bumpy sphere of about 100 mm radius with 20 × 4^subdivisions triangles."""
    ball = trimesh.creation.icosphere(subdivisions=subdivisions)
    v = np.asarray(ball.vertices)
    return 100 * v * bumps(v)[:, None], np.asarray(ball.faces, dtype=np.int32)


def limb(start: tuple, end: tuple, radius: float, sides: int) -> manifold3d.Manifold:
    """A bumpy sausage between two points, mm, of about sides² triangles."""
    ball = sphere(1.0, sides)
    v = ball.vertices * bumps(ball.vertices)[:, None] * radius
    axis = np.subtract(end, start)
    length = float(np.linalg.norm(axis))
    # The ball is drawn out at its middle, across which the rows are spaced alike.
    v[:, 2] += length * np.clip(0.5 + ball.vertices[:, 2], 0, 1)
    turned = v @ Frame.on_plane(start, axis).axes + start
    return solid(turned, ball.faces)


def body(sides: int) -> Arrays:
    """A standing figure about 180 mm high, of about 6 sides² triangles."""
    limbs = [
        limb((0, 0, -10), (0, 0, 60), 32, sides),
        limb((0, 0, 85), (0, 0, 105), 18, sides),
        limb((20, 0, 62), (66, 0, 8), 11, sides),
        limb((-20, 0, 62), (-66, 0, 8), 11, sides),
        limb((14, 0, -10), (24, 0, -90), 14, sides),
        limb((-14, 0, -10), (-24, 0, -90), 14, sides),
    ]
    whole = manifold3d.Manifold.batch_boolean(limbs, manifold3d.OpType.Add).to_mesh64()
    vertices = np.array(whole.vert_properties[:, :3])
    return vertices, np.asarray(whole.tri_verts).astype(np.int32)


# --- time ------------------------------------------------------------------------------


def seconds(runs: int, *works: Work) -> list[float]:
    """Median wall time of each work, done in turns, the first turn thrown away."""
    times: list[list[float]] = [[] for _ in works]
    for turn in range(runs + 1):
        for work, taken in zip(works, times, strict=True):
            start = time.perf_counter()
            work()
            if turn:
                taken.append(time.perf_counter() - start)
    return [float(np.median(taken)) for taken in times]


# --- what is measured ------------------------------------------------------------------


def solid(vertices: np.ndarray, faces: np.ndarray) -> manifold3d.Manifold:
    """A Manifold from bare arrays."""
    return manifold3d.Manifold(manifold3d.Mesh64(vertices, faces.astype(np.uint64)))
