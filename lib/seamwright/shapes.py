"""Small exact solids: for the fit gauge, for tests, and for trying things out."""

from __future__ import annotations

import numpy as np

from seamwright.mesh import FloatArray, Mesh


def box(x: float, y: float, z: float, low: tuple[float, float, float] = (0, 0, 0)) -> Mesh:
    """A box of x × y × z mm with its least corner at `low`; 12 triangles."""
    corners = np.array([[i, j, k] for k in (0, 1) for j in (0, 1) for i in (0, 1)], dtype=float)
    quads = np.array(
        [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]]
    )
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    return Mesh.of(corners * [x, y, z] + np.asarray(low, dtype=float), faces)


def revolved(radius: FloatArray, height: FloatArray, sides: int) -> Mesh:
    """The solid of a profile turned about z, closed by a point at either end.

    radius, height : (N,) mm, from the lower pole to the upper; the first and
    last radius are taken as 0.
    """
    turn = 2 * np.pi * np.arange(sides) / sides
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    rows = len(radius) - 2
    middle = np.concatenate(
        [
            np.column_stack([ring * radius[i + 1], np.full(sides, height[i + 1])])
            for i in range(rows)
        ]
    )
    vertices = np.concatenate([[[0, 0, height[0]]], middle, [[0, 0, height[-1]]]])
    here = np.arange(sides)
    after = (here + 1) % sides
    bottom = np.stack([np.zeros(sides, int), 1 + after, 1 + here], axis=1)
    base = 1 + (rows - 1) * sides
    top = np.stack([base + here, base + after, np.full(sides, base + sides)], axis=1)
    walls = [
        part
        for i in range(rows - 1)
        for low in [1 + i * sides]
        for high in [low + sides]
        for part in (
            np.stack([low + here, low + after, high + after], axis=1),
            np.stack([low + here, high + after, high + here], axis=1),
        )
    ]
    return Mesh.of(vertices, np.concatenate([bottom, *walls, top]))


def sphere(radius: float, sides: int = 48) -> Mesh:
    """A sphere about the origin, mm, of `sides` meridians and half as many rows."""
    lift = np.linspace(-np.pi / 2, np.pi / 2, sides // 2 + 1)
    return revolved(radius * np.cos(lift), radius * np.sin(lift), sides)


def torus(major: float, minor: float, sides: int = 64, tube_sides: int = 32) -> Mesh:
    """A torus about z: circles of radius `minor` round one of radius `major`, mm."""
    u, v = np.meshgrid(
        2 * np.pi * np.arange(sides) / sides,
        2 * np.pi * np.arange(tube_sides) / tube_sides,
        indexing="ij",
    )
    reach = major + minor * np.cos(v)
    vertices = np.stack([reach * np.cos(u), reach * np.sin(u), minor * np.sin(v)], axis=-1)
    i, j = np.meshgrid(np.arange(sides), np.arange(tube_sides), indexing="ij")
    i2, j2 = (i + 1) % sides, (j + 1) % tube_sides
    a, b, c, d = (p * tube_sides + q for p, q in ((i, j), (i2, j), (i2, j2), (i, j2)))
    faces = np.concatenate(
        [np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)]
    )
    return Mesh.of(vertices.reshape(-1, 3), faces)


def moved(mesh: Mesh, shift: tuple[float, float, float]) -> Mesh:
    """The mesh shifted by (3,) mm."""
    return Mesh(mesh.vertices + np.asarray(shift, dtype=float), mesh.faces, mesh.tag)
