"""A figure's skin as seams are judged by it: smoothed normals, keep-clear area, natural lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix, csc_matrix, csr_matrix
from scipy.spatial import cKDTree

from seamwright.adjacency import EdgeTable
from seamwright.errors import BadInput
from seamwright.markings import Markings
from seamwright.mesh import BoolArray, FloatArray, IntArray, Mesh
from seamwright.outline import IdArray, dot

Float32Array = npt.NDArray[np.float32]

SCALE_SHARE = 0.01
"""The length over which skin is smoothed, as a share of the figure's largest extent: 3 mm on
a 300 mm figure, about the width of a crease in cloth (common practice, no source)."""

ROUNDS, RESIDUAL = 100, 0.01
"""When smoothing ends: after so many rounds, or at this share of the first residual. Bends
are judged to a tenth of a radian, so a hundredth is enough."""


LARGE = 2.0
"""Sides longer than this many scales make a face large: smoothed normals, one a corner,
cannot tell what lies between."""


@dataclass(frozen=True, eq=False)
class Surface:
    """A figure's facts that seams are judged by; see `prepared`.

    normals : (V, 3) unit normals of the skin smoothed over `scale` mm.
    large : (L,) ascending, faces with a side longer than `LARGE` scales, across which
        smoothed normals say nothing.
    folds : (L, 3) how far the skin turns over each of their sides, corner i to i + 1,
        radians, above 0 outwards; 0 for sides shared with no large face.
    keep_clear : (F,) which faces are in the keep-clear area.
    balls : (B, 4) centres and radii, mm; skin inside them is keep-clear too.
    lines : tree of points on the natural lines, or None.
    line_ways : (N, 3) unit directions of the natural lines at those points.
    near_line : mm within which a seam counts as along a natural line.
    """

    mesh: Mesh
    normals: FloatArray
    large: IntArray
    folds: FloatArray
    scale: float
    keep_clear: BoolArray
    balls: FloatArray
    lines: cKDTree | None
    line_ways: FloatArray
    near_line: float

    def part(self, faces: BoolArray) -> Surface:
        """The facts of the chosen faces (F,) only."""
        chosen = self.mesh.faces[faces]
        used = np.zeros(len(self.mesh.vertices), dtype=bool)
        used[chosen.ravel()] = True
        index = np.cumsum(used, dtype=np.int32) - np.int32(1)
        place = np.cumsum(faces, dtype=np.int32) - np.int32(1)
        kept = faces[self.large]
        return Surface(
            Mesh(self.mesh.vertices[used], index[chosen], self.mesh.tag[faces]),
            self.normals[used],
            place[self.large[kept]],
            self.folds[kept],
            self.scale,
            self.keep_clear[faces],
            self.balls,
            self.lines,
            self.line_ways,
            self.near_line,
        )


def prepared(
    mesh: Mesh,
    markings: Markings | None = None,
    *,
    scale: float | None = None,
    near_line: float | None = None,
) -> Surface:
    """The facts of a figure that every seam is judged by.

    Parameters
    ----------
    markings : on this very mesh; nothing is marked if None.
    scale : mm over which the skin is smoothed, so that noise lower than a tenth of it does
        not count; `SCALE_SHARE` of the figure's largest extent if None.
    near_line : mm within which a seam counts as along a natural line; `scale` if None.

    Raises
    ------
    BadInput
        If the mesh has no faces, the markings are another's, or a length is not above 0.
    """
    if len(mesh.faces) == 0:
        raise BadInput("The figure has no faces; give a figure with a surface.")
    length = SCALE_SHARE * float(mesh.size.max()) if scale is None else float(scale)
    if not (np.isfinite(length) and length > 0):
        raise BadInput(f"The smoothing scale is {length} mm; give a length above 0.")
    near = length if near_line is None else float(near_line)
    if not (np.isfinite(near) and near > 0):
        raise BadInput(f"The reach of a natural line is {near} mm; give a length above 0.")
    marked = Markings.of(mesh) if markings is None else markings
    if len(marked.keep_clear) != len(mesh.faces):
        raise BadInput(
            f"The markings are of {len(marked.keep_clear)} faces but the figure has "
            f"{len(mesh.faces)}; carry them over to this figure."
        )
    points, ways = _line_points(marked.lines, near)
    return Surface(
        mesh,
        smoothed_normals(mesh, length),
        *_folds(mesh, LARGE * length),
        length,
        marked.keep_clear,
        marked.balls,
        cKDTree(points) if len(points) else None,
        ways,
        near,
    )


def _folds(mesh: Mesh, longest: float) -> tuple[IntArray, FloatArray]:
    """Faces with a side over `longest` mm, and the turn over each of their sides, radians."""
    columns = [np.ascontiguousarray(axis) for axis in mesh.vertices.T]
    long = np.zeros(len(mesh.faces), dtype=bool)
    for i in range(3):
        p, q = mesh.faces[:, i], mesh.faces[:, i - 2]
        long |= sum((axis[q] - axis[p]) ** 2 for axis in columns) > longest**2
    large = np.flatnonzero(long).astype(np.int32)
    vector = mesh.face_vectors_of(large)
    double = np.sqrt(dot(vector, vector))
    large, normal = large[double > 0], vector[double > 0] / double[double > 0][:, None]
    if not len(large):
        return large, np.zeros((0, 3))
    table = EdgeTable.of(mesh.faces[large], len(mesh.vertices))
    one = np.flatnonzero(table.mate >= 0)
    mine, other = normal[one // 3], normal[table.mate[one] // 3]
    along = mesh.vertices[table.end[one]] - mesh.vertices[table.start[one]]
    along /= np.maximum(np.sqrt(dot(along, along)), 1e-300)[:, None]
    folds = np.zeros(3 * len(large))
    folds[one] = np.arctan2(dot(np.cross(mine, other), along), dot(mine, other))
    return large, folds.reshape(-1, 3)


def smoothed_normals(mesh: Mesh, scale: float) -> FloatArray:
    """(V, 3) unit normals, smoothed over `scale` mm along the skin.

    One implicit step of heat flow, (M + s² L) x = M n, with vertex areas M and the
    cotangent Laplacian L: Desbrun, Meyer, Schröder and Barr, "Implicit fairing of irregular
    meshes using diffusion and curvature flow", 1999. Solved by conjugate gradients
    (Hestenes and Stiefel 1952), scaled by the diagonal. Length and not the number of
    triangles is what smooths. Single precision halves the time of this, which memory bounds.
    """
    area, wanted, pull = _heat_parts(mesh)
    spread = np.float32(scale * scale)
    diagonal = area + spread * (pull @ np.ones(len(area), dtype=np.float32))
    diagonal[diagonal <= 0] = 1.0
    scaled = (1 / diagonal)[:, None].astype(np.float32)

    x = wanted / np.maximum(np.linalg.norm(wanted, axis=1), np.float32(1e-30))[:, None]
    rest = wanted - (diagonal[:, None] * x - spread * (pull @ x))
    step = scaled * rest
    size = float(np.sum(rest * step, dtype=np.float64))
    enough = RESIDUAL**2 * float(np.sum(wanted * scaled * wanted, dtype=np.float64))
    for _ in range(ROUNDS):
        if size <= enough:
            break
        pushed = diagonal[:, None] * step
        pushed -= spread * (pull @ step)
        by = np.float32(size / float(np.sum(step * pushed, dtype=np.float64)))
        x += by * step
        rest -= by * pushed
        better = scaled * rest
        now = float(np.sum(rest * better, dtype=np.float64))
        step *= np.float32(now / size)
        step += better
        size = now
    long = np.asarray(x, dtype=np.float64)
    return np.asarray(long / np.maximum(np.sqrt(dot(long, long)), 1e-30)[:, None])


def _heat_parts(mesh: Mesh) -> tuple[Float32Array, Float32Array, csr_matrix]:
    """Vertex areas (V,), areas times normals (V, 3), and the cotangent weights (V, V).

    Weights below 0 are taken as 0: what is smoothed then never leaves the range it had.
    """
    faces, count = mesh.faces, len(mesh.vertices)
    # Column by column: on a million triangles, strided rows would take three times as long.
    # About a point of its own, so that single precision does not lose a figure far away.
    axes = (mesh.vertices - mesh.vertices[faces[0, 0]]).astype(np.float32).T.copy()
    corner = [[axis[faces[:, i]] for axis in axes] for i in range(3)]
    # Side i lies opposite corner i; the other two sides meet at that corner.
    side = [[q - p for p, q in zip(corner[i - 2], corner[i - 1], strict=True)] for i in range(3)]
    (ax, ay, az), (bx, by, bz) = side[0], side[1]
    vector = (ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx)
    double = np.sqrt(sum(part * part for part in vector))
    least = np.maximum(double, np.float32(1e-30))
    cotangent = np.empty(faces.shape, dtype=np.float32)
    for i in range(3):
        (px, py, pz), (qx, qy, qz) = side[i - 2], side[i - 1]
        cotangent[:, i] = (px * qx + py * qy + pz * qz) / -least
    np.clip(cotangent, -50, 50, out=cotangent)
    start = faces[:, [1, 2, 0]].ravel()
    end = faces[:, [2, 0, 1]].ravel()
    half = coo_matrix((0.5 * cotangent.ravel(), (start, end)), shape=(count, count)).tocsr()
    pull = (half + half.T).tocsr()
    np.maximum(pull.data, 0, out=pull.data)
    ends = np.arange(0, faces.size + 1, 3, dtype=np.int32)
    ones = np.ones(faces.size, dtype=np.float32)
    gather = csc_matrix((ones, faces.ravel(), ends), shape=(count, len(faces)))
    wanted = np.stack([gather @ (part / 6) for part in vector], axis=1)
    return gather @ (double / 6), wanted, pull


def _line_points(lines: FloatArray, near: float) -> tuple[FloatArray, FloatArray]:
    """(N, 3) points on segments (L, 2, 3), mm, close enough that gaps do not matter; and ways."""
    a, along = lines[:, 0], lines[:, 1] - lines[:, 0]
    length = np.sqrt(dot(along, along))
    way = along / np.maximum(length, 1e-300)[:, None]
    owner, share, _ = divided(length, near / 4)
    points = np.concatenate([a, lines[:, 1], a[owner] + share[:, None] * along[owner]])
    return points, np.concatenate([way, way, way[owner]])


def divided(length: FloatArray, step: float) -> tuple[IdArray, FloatArray, FloatArray]:
    """Each length cut into equal parts of at most `step`: owner, middle as share, length."""
    parts = np.maximum(np.ceil(length / step), 1).astype(np.int64)
    owner = np.repeat(np.arange(len(length)), parts)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(parts) - parts, parts)
    return owner, (nth + 0.5) / parts[owner], length[owner] / parts[owner]
