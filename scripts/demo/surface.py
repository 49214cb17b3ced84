"""Turn a signed distance field into a closed quad mesh (vectorised, deterministic).

The field is sampled only near its zero set, in small blocks of a dense grid; the surface is
then drawn with one vertex per crossed cell ("surface nets").
"""

# Capitals name arrays of positions and rotation matrices; sums with lists move numpy points.
# ruff: noqa: N806
from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from fields import FAR, Item
from scipy import ndimage
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

BLOCK = 8
GATHER = 4
_CORNERS = np.array([[(n >> a) & 1 for a in range(3)] for n in range(8)])
_EDGES = np.array(
    [(a, b) for a in range(8) for b in range(8) if a < b and bin(a ^ b).count("1") == 1]
)


def _ambiguous_codes() -> np.ndarray:
    """Return (256,) bool: cell sign patterns whose inside or outside pinches at a point."""
    bad = np.zeros(256, dtype=bool)
    adjacent = np.zeros((8, 8), dtype=bool)
    adjacent[_EDGES[:, 0], _EDGES[:, 1]] = adjacent[_EDGES[:, 1], _EDGES[:, 0]] = True
    for code in range(256):
        inside = np.array([(code >> n) & 1 for n in range(8)], dtype=bool)
        for side in (inside, ~inside):
            nodes = np.flatnonzero(side)
            if len(nodes) > 1:
                pieces, _ = connected_components(adjacent[np.ix_(nodes, nodes)], directed=False)
                bad[code] |= pieces > 1
        for axis in range(3):
            for level in (0, 1):
                face = [n for n in range(8) if _CORNERS[n, axis] == level]
                s = inside[face]
                bad[code] |= bool(s[0] == s[3] and s[1] == s[2] and s[0] != s[1])
    return bad


_BAD = _ambiguous_codes()


def sample(
    item: Item, lo: np.ndarray, shape: np.ndarray, voxel: float, workers: int = 2
) -> np.ndarray:
    """Sample ``item`` on a grid whose first node is ``lo`` (mm) -> float32 array ``shape``.

    ``shape`` must be a multiple of BLOCK. Blocks far from the surface hold only a sign.
    """
    blocks = shape // BLOCK
    span = BLOCK * voxel
    index = np.stack(np.meshgrid(*[np.arange(b) for b in blocks], indexing="ij"), axis=-1)
    tiles = -(-blocks // GATHER)
    grid = np.full(tuple(shape), FAR, dtype=np.float32)
    view = grid.reshape(blocks[0], BLOCK, blocks[1], BLOCK, blocks[2], BLOCK)
    offsets = np.stack(np.meshgrid(*[np.arange(BLOCK)] * 3, indexing="ij"), 0).reshape(3, -1)
    limit = 1.25 * 0.5 * np.sqrt(3.0) * span + 2.0

    def work(tile: int) -> None:
        t = np.array(np.unravel_index(tile, tuple(tiles)))
        x, y, z = (slice(GATHER * n, GATHER * (n + 1)) for n in t)
        ijk = index[x, y, z].reshape(-1, 3)
        centre = lo + (ijk + 0.5) * span - 0.5 * voxel
        mid = item.fn(np.ascontiguousarray(centre.T, dtype=np.float32))
        for n in np.flatnonzero(mid <= -limit):
            view[ijk[n, 0], :, ijk[n, 1], :, ijk[n, 2], :] = -FAR
        near = ijk[np.abs(mid) < limit]
        if len(near) == 0:
            return
        nodes = near.T[:, :, None] * BLOCK + offsets[:, None, :]
        P = (lo[:, None] + nodes.reshape(3, -1) * voxel).astype(np.float32)
        values = item.fn(P).reshape(len(near), BLOCK, BLOCK, BLOCK)
        view[near[:, 0], :, near[:, 1], :, near[:, 2], :] = values

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, range(int(np.prod(tiles)))))
    return grid


def _codes(inside: np.ndarray) -> np.ndarray:
    """Return the uint8 sign pattern of every cell of a boolean node grid."""
    v = inside.view(np.uint8)
    n = [s - 1 for s in v.shape]
    code = np.zeros(n, dtype=np.uint8)
    for bit, (a, b, c) in enumerate(_CORNERS):
        code |= v[a : a + n[0], b : b + n[1], c : c + n[2]] << np.uint8(bit)
    return code


def _codes_at(inside: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """Return the sign patterns (M,) of the given (M, 3) cells."""
    bits = inside[tuple((cells[:, None, :] + _CORNERS[None]).transpose(2, 0, 1))]
    return (bits.astype(np.uint8) << np.arange(8, dtype=np.uint8)).sum(axis=1).astype(np.uint8)


def settle(grid: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fill pinched cells so that the drawn surface is manifold.

    Returns the corrected sampling grid and the cells' sign patterns.
    """
    inside = grid < 0.0
    bad = np.argwhere(_BAD[_codes(inside)])
    for _ in range(400):
        if len(bad) == 0:
            return grid, _codes(inside)
        # Adding matter (never removing it) keeps thin walls from vanishing; the empty corner
        # nearest to the surface disturbs the shape least.
        nodes = bad[:, None, :] + _CORNERS[None]
        values = grid[tuple(nodes.transpose(2, 0, 1))]
        pick = np.where(values < 0.0, FAR, values).argmin(axis=1)
        flip = np.unique(nodes[np.arange(len(bad)), pick], axis=0)
        inside[tuple(flip.T)] = True
        grid[tuple(flip.T)] = np.float32(-0.1)
        around = np.unique((flip[:, None, :] - _CORNERS[None]).reshape(-1, 3), axis=0)
        around = np.unique(np.concatenate([around, bad]), axis=0)
        bad = around[_BAD[_codes_at(inside, around)]]
    raise RuntimeError("the sampled field still has pinched cells")


def fill(grid: np.ndarray) -> np.ndarray:
    """Keep the largest solid and fill enclosed voids, in place, on the sign of ``grid``."""
    solid, count = ndimage.label(grid < 0.0)
    if count > 1:
        sizes = np.bincount(solid.ravel())
        sizes[0] = 0
        grid[(solid != sizes.argmax()) & (solid > 0)] = np.float32(0.5)
    empty, count = ndimage.label(grid >= 0.0)
    if count > 1:
        grid[(empty != empty[0, 0, 0]) & (empty > 0)] = np.float32(-0.5)
    return grid


def _spread(solid: np.ndarray, grow: bool) -> np.ndarray:
    """Grow or shrink a boolean grid by one node in a 3 x 3 x 3 neighbourhood."""
    join = np.logical_or if grow else np.logical_and
    for axis in range(3):
        out = solid.copy()
        head = tuple(slice(1, None) if a == axis else slice(None) for a in range(3))
        tail = tuple(slice(None, -1) if a == axis else slice(None) for a in range(3))
        out[tail] = join(out[tail], solid[head])
        out[head] = join(out[head], solid[tail])
        solid = out
    return solid


def _euler(solid: np.ndarray) -> int:
    """Euler number of the union of the unit cubes set in a boolean grid."""

    def side(a: np.ndarray, axis: int) -> np.ndarray:
        return np.maximum(
            np.take(a, range(1, a.shape[axis]), axis), np.take(a, range(a.shape[axis] - 1), axis)
        )

    cubes = np.pad(solid, 1)
    faces = [side(cubes, axis) for axis in range(3)]
    edges = [side(faces[0], 1), side(faces[0], 2), side(faces[1], 2)]
    corners = side(edges[0], 2)
    return int(
        corners.sum()
        - sum(int(e.sum()) for e in edges)
        + sum(int(f.sum()) for f in faces)
        - cubes.sum()
    )


def plug(grid: np.ndarray, voxel: float) -> np.ndarray:
    """Close pinholes and tunnels up to two nodes wide, in place.

    Such gaps between fingers, ropes or strands would not survive printing; grooves that do not
    run through are left alone.
    """
    solid = grid < 0.0
    added = _spread(_spread(solid, True), False) & ~solid
    label, _ = ndimage.label(added, structure=np.ones((3, 3, 3), dtype=bool))
    for n, found in enumerate(ndimage.find_objects(label), start=1):
        near = tuple(slice(max(0, f.start - 4), f.stop + 4) for f in found)
        gap = label[near] == n
        if _euler(solid[near] | gap) <= _euler(solid[near]):
            continue
        local = np.clip(grid[near], -4.0 * voxel, 4.0 * voxel)
        soft = ndimage.gaussian_filter(np.where(gap, np.float32(-voxel), local), 0.9)
        around = ndimage.binary_dilation(gap, iterations=2)
        grid[near] = np.where(around, np.minimum(local, soft), grid[near])
    return grid


def _cell_vertices(grid: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """Return (M, 3) positions in grid units: the mean of each cell's edge crossings."""
    nodes = cells[:, None, :] + _CORNERS[None]
    values = np.clip(grid[nodes[..., 0], nodes[..., 1], nodes[..., 2]], -9.0, 9.0)
    a, b = values[:, _EDGES[:, 0]], values[:, _EDGES[:, 1]]
    crossed = (a < 0) != (b < 0)
    # Staying off the grid nodes keeps neighbouring cells' vertices apart.
    t = np.clip(np.where(crossed, a / np.where(crossed, a - b, 1.0), 0.0), 0.06, 0.94)
    ca, cb = _CORNERS[_EDGES[:, 0]], _CORNERS[_EDGES[:, 1]]
    points = ca[None] + (cb - ca)[None] * t[..., None]
    weight = crossed / crossed.sum(axis=1, keepdims=True)
    return cells + np.einsum("me,med->md", weight, points)


def extract(grid: np.ndarray, code: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Draw the zero set of ``grid`` -> (V, 3) vertices in grid units, (Q, 4) outward quads."""
    active = (code != 0) & (code != 255)
    flat = np.flatnonzero(active)
    cells = np.stack(np.unravel_index(flat, code.shape), axis=1)
    number = np.full(code.shape, -1, dtype=np.int32)
    number.ravel()[flat] = np.arange(len(flat), dtype=np.int32)
    vertices = _cell_vertices(grid, cells)
    quads = []
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        here = code.ravel()[flat]
        lower = (here & 1).astype(bool)
        upper = (here >> np.uint8(1 << axis) & 1).astype(bool)
        pick = lower != upper
        c = cells[pick]
        du, dv = np.eye(3, dtype=int)[u], np.eye(3, dtype=int)[v]
        loop = np.stack(
            [number[tuple((c - s * du - t * dv).T)] for s, t in ((0, 0), (1, 0), (1, 1), (0, 1))],
            axis=1,
        )
        flip = upper[pick]
        loop[flip] = loop[flip][:, ::-1]
        quads.append(loop)
    return vertices, np.concatenate(quads)


def largest(vertices: np.ndarray, quads: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return only the largest connected shell of a (V, 3), (Q, 4) mesh."""
    n = len(vertices)
    rows = np.repeat(quads[:, 0], 3)
    cols = quads[:, 1:].ravel()
    graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, cols)), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    keep = label == np.bincount(label).argmax()
    index = np.cumsum(keep) - 1
    return vertices[keep], index[quads[keep[quads[:, 0]]]]
