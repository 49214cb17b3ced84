"""Lines: closed loops of mesh edges on a figure's surface, along which it can be parted."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from seamwright.adjacency import EdgeTable, next_corner
from seamwright.blocks import FACES_A_BLOCK
from seamwright.choice import AUTO, JointChoice
from seamwright.errors import BadInput, SeamwrightError
from seamwright.frame import Frame
from seamwright.mesh import EdgeCounts, FloatArray, IndexArray, IntArray, Mesh
from seamwright.outline import IdArray, dot
from seamwright.seam import Seam, SeamLine, place

FULL_BEND = 15.0
"""Degrees of bend at an edge by which a crease or a ridge has 63 % of its effect: fine
meshes spread a crease over several edges, so small bends must tell (common practice, no
source)."""
CORRIDOR = 2.0
"""A leg first looks for its way where the distances to its two ends add up to no more than
this many times the distance between them; half round a cylinder that sum is √2 times."""
ASTRAY = 1.75
"""A way that creases make this many times as long as the shortest gives way to that (common
practice, no source)."""


@dataclass(frozen=True, eq=False)
class Line:
    """A closed line on a figure's surface, from vertex to vertex along mesh edges.

    Side A of a line seam is on the left of the line as it runs, seen from outside; so the
    right-hand rule of the line points into side A.

    Attributes
    ----------
    vertices : (N,) int32 vertex ids in order, none twice, the first not repeated.
    points : (N, 3) their positions, mm.
    """

    vertices: IntArray
    points: FloatArray

    @cached_property
    def length(self) -> float:
        """mm, all the way round."""
        return float(np.linalg.norm(np.roll(self.points, -1, axis=0) - self.points, axis=1).sum())

    @cached_property
    def plane(self) -> Frame:
        """The plane nearest all its points, its normal by the right-hand rule of the line."""
        return best_plane(self.points)

    @cached_property
    def flatness(self) -> float:
        """The farthest that a point of the line is from its plane, mm."""
        return float(np.abs(self.plane.heights(self.points)).max())

    def reversed(self) -> Line:
        """The same line run the other way: sides A and B change places."""
        return Line(self.vertices[::-1].copy(), self.points[::-1].copy())


def best_plane(points: FloatArray) -> Frame:
    """The plane of least squared distances to the points (N, 3) of a closed line, mm.

    By singular values (Golub & Van Loan, "Matrix Computations", 1996). Its normal
    agrees with the right-hand rule of the line.
    """
    centre = points.mean(axis=0)
    normal = np.linalg.svd(points - centre, full_matrices=False)[2][2]
    return Frame.on_plane(centre, normal if normal @ vector_area(points) >= 0 else -normal)


def vector_area(points: FloatArray) -> FloatArray:
    """(3,) vector area of a closed line (N, 3), mm²: Newell's sum."""
    arm = points - points.mean(axis=0)
    return np.asarray(0.5 * np.cross(arm, np.roll(arm, -1, axis=0)).sum(axis=0))


# --- from marked edges -----------------------------------------------------------------


def line_from_edges(mesh: Mesh, edges: npt.ArrayLike) -> Line:
    """The one line that marked edges (E, 2) of vertex ids form, in any order.

    Raises
    ------
    BadInput
        As `lines_from_edges`; or if they form several loops.
    """
    lines = lines_from_edges(mesh, edges)
    if len(lines) > 1:
        where = " and ".join(place(line.points[0]) for line in lines[:2])
        raise BadInput(
            f"The marked edges form {len(lines)} loops, through {where}"
            f"{' and others' if len(lines) > 2 else ''}; mark one loop for each seam."
        )
    return lines[0]


def lines_from_edges(mesh: Mesh, edges: npt.ArrayLike) -> tuple[Line, ...]:
    """Every line that marked edges (E, 2) of vertex ids form, longest first.

    Marked edges have no direction: each line runs so that side A is above, or, where the
    line stands upright, towards the greater x or y. The order of the edges makes no
    difference.

    Raises
    ------
    BadInput
        If there are no edges, one is not an edge of the mesh, or a line is open, branches
        or touches an open border.
    """
    pairs = np.asarray(edges, dtype=np.int64).reshape(-1, 2)
    astray = pairs[(pairs < 0) | (pairs >= len(mesh.vertices))]
    if len(astray):
        raise BadInput(
            f"A marked edge names vertex {int(astray[0])}, but there are "
            f"{len(mesh.vertices)}; mark the line again on this figure."
        )
    pairs = np.unique(np.sort(pairs[pairs[:, 0] != pairs[:, 1]], axis=1), axis=0)
    if not len(pairs):
        raise BadInput("The line has no edges; mark the edges of a closed loop.")
    nodes, ends = np.unique(pairs, return_inverse=True)
    ends = ends.reshape(-1, 2)
    degree = np.bincount(ends.ravel())
    for wrong, what in (
        (degree > 2, "branches at {}; unmark the edges that lead off it"),
        (
            degree == 1,
            "is not closed: it has a loose end at {}; mark edges until it meets itself",
        ),
    ):
        if wrong.any():
            where = place(mesh.vertices[nodes[int(np.argmax(wrong))]])
            raise BadInput(f"The line {what.format(where)}.")
    lines = [_upward(made(mesh, nodes[loop])) for loop in _loops(ends, len(nodes))]
    return tuple(sorted(lines, key=lambda line: (-line.length, *line.points[0].tolist())))


def _loops(ends: IdArray, count: int) -> list[IdArray]:
    """Walks round, each from its least node, where every node has two edges."""
    both = np.concatenate([ends, ends[:, ::-1]])
    ahead = both[np.lexsort((both[:, 1], both[:, 0])), 1].reshape(count, 2).tolist()
    seen = [False] * count
    loops = []
    for first in range(count):
        if seen[first]:
            continue
        loop, here = [first], ahead[first][0]
        seen[first] = True
        while here != first:
            loop.append(here)
            seen[here] = True
            a, b = ahead[here]
            here = b if a == loop[-2] else a
        loops.append(np.array(loop, dtype=np.int64))
    return loops


def _upward(line: Line) -> Line:
    """The line, run so that its right-hand rule points up, or along y or x if level."""
    area = vector_area(line.points)
    lead = 2 if abs(area[2]) > 0.02 * np.linalg.norm(area) else int(np.argmax(np.abs(area)))
    if area[lead] >= 0:
        return line
    back = line.reversed()
    return Line(np.roll(back.vertices, 1), np.roll(back.points, 1, axis=0))


def made(mesh: Mesh, loop: IdArray) -> Line:
    """A line of vertices in order, found to run over sound skin along mesh edges.

    Raises
    ------
    BadInput
        With the place, if it touches an open border, an edge of more than two faces or faces
        that look opposite ways, or if no mesh edge joins two of its points.
    """
    on_line = np.zeros(len(mesh.vertices), dtype=bool)
    on_line[loop] = True
    used, local = np.unique(
        mesh.faces[on_line[mesh.faces].any(axis=1)].ravel(), return_inverse=True
    )
    counts = EdgeCounts.of(local.reshape(-1, 3).astype(np.int32), max(len(used), 1))
    for flaws, what in (
        (counts.open, "touches an open border"),
        (counts.manifold_flaws, "runs over an edge of more than two faces"),
        (counts.flipped, "runs over faces that look opposite ways"),
    ):
        ends = used[flaws.astype(np.int64)]
        ends = ends[on_line[ends].any(axis=1)]
        if len(ends):
            at = ends[0][on_line[ends[0]]][0]
            raise BadInput(
                f"The line {what} at {place(mesh.vertices[at])}; mend the figure or move the line."
            )
    tri = used[local].reshape(-1, 3)
    count = len(mesh.vertices)
    skin = _keys(tri.ravel(), tri[:, [1, 2, 0]].ravel(), count)
    away = ~np.isin(_keys(loop, np.roll(loop, -1), count), skin)
    if away.any():
        k = int(np.argmax(away))
        raise BadInput(
            f"The line leaves the surface between {place(mesh.vertices[loop[k]])} and "
            f"{place(mesh.vertices[loop[(k + 1) % len(loop)]])}, which no mesh edge joins; "
            "mark edges of this figure."
        )
    return Line(loop.astype(np.int32), mesh.vertices[loop])


def _keys(a: IndexArray, b: IndexArray, count: int) -> IdArray:
    """One number for each undirected edge."""
    return np.asarray(np.minimum(a, b).astype(np.int64) * count + np.maximum(a, b))


# --- seams -----------------------------------------------------------------------------


def line_seam(number: int, name: str, line: SeamLine, joint: JointChoice = AUTO) -> Seam:
    """A seam along a line; its plane is the one nearest the line's points.

    Raises
    ------
    BadInput
        If the line has fewer than three points, or they are all on one straight line.
    """
    points = np.asarray(line.points, dtype=np.float64)
    if len(points) < 3 or not np.linalg.norm(vector_area(points)) > 0:
        raise BadInput(
            f"Seam '{name}': a line needs three points or more all the way round; pick more."
        )
    frame = best_plane(points)
    px, py, pz = (float(x) for x in frame.origin)
    nx, ny, nz = (float(x) for x in frame.normal)
    return Seam(number, name, (px, py, pz), (nx, ny, nz), joint=joint, line=line)


def line_of(mesh: Mesh, seam: Seam) -> tuple[Mesh, Line]:
    """A line seam's line, and the figure divided along it: see `drawing.drawn`.

    Raises
    ------
    BadInput
        As `drawing.drawn`, naming the seam.
    """
    from seamwright.drawing import drawn  # noqa: PLC0415  (drawing is built on this module)

    if seam.line is None:
        raise SeamwrightError(f"Seam '{seam.name}' is flat: it has no line.")
    try:
        return drawn(mesh, seam.line.points, crease=seam.line.crease)
    except BadInput as error:
        raise BadInput(f"Seam '{seam.name}': {error}") from error


# --- ways along edges ------------------------------------------------------------------


def cheapest_way(mesh: Mesh, a: int, b: int, crease: float) -> list[int]:
    """Vertices of the cheapest way from vertex a to b along edges.

    A mm costs 1 over flat skin, less in a crease, down to `crease`, and up to 2 on a ridge.
    If creases lead it far astray, the shortest way is taken instead.

    Raises
    ------
    BadInput
        If the surface does not join the two.
    """
    if a > b:
        # There and back must be the same, for what runs out and back to be seen.
        return cheapest_way(mesh, b, a, crease)[::-1]
    p, q = mesh.vertices[a], mesh.vertices[b]
    allowed = CORRIDOR * max(float(np.linalg.norm(p - q)), 1e-9 * mesh.diagonal)
    while True:
        # The corridor grows until there is a way in it.
        rows, corners = _met(mesh, p, q, allowed)
        reach = np.sqrt(dot(corners - p, corners - p)) + np.sqrt(dot(corners - q, corners - q))
        path = _cheapest(mesh, np.sort(rows[(reach <= allowed).all(axis=1)]), a, b, crease)
        if path is not None:
            return path
        if allowed > 2 * mesh.diagonal:
            raise BadInput(
                f"No way over the surface joins the line's points at {place(p)} and {place(q)}; "
                "pick all points on one surface, or mend the figure."
            )
        allowed *= 2.0


def within_reach(mesh: Mesh, a: int, b: int, length: float) -> IdArray:
    """(K,) faces that ways of at most `length` mm between vertices a and b may run over."""
    p, q = mesh.vertices[a], mesh.vertices[b]
    rows, corners = _met(mesh, p, q, length)
    middle = corners.mean(axis=1)
    arm = corners - middle[:, None]
    size = np.sqrt(dot(arm, arm).max(axis=1))
    reach = np.sqrt(dot(middle - p, middle - p)) + np.sqrt(dot(middle - q, middle - q))
    return np.asarray(rows[reach - 2 * size <= length])


def _met(mesh: Mesh, p: FloatArray, q: FloatArray, reach: float) -> tuple[IdArray, FloatArray]:
    """(K,) faces of all blocks with places whose distances to p and q may add up to `reach`, mm
    or less, and (K, 3, 3) their corners.
    """
    blocks = mesh.blocks
    met = (np.abs(blocks.centre - (p + q) / 2) <= blocks.half + reach / 2).all(axis=1)
    rows = blocks.order[np.repeat(met, FACES_A_BLOCK)[: len(blocks.order)]].astype(np.int64)
    return rows, mesh.vertices[mesh.faces[rows]]


def _cheapest(mesh: Mesh, rows: IdArray, a: int, b: int, crease: float) -> list[int] | None:
    """The cheapest way over edges that two of the chosen faces share, or None.

    Dijkstra, "A note on two problems in connexion with graphs", Numer. Math. 1, 1959.
    """
    used, faces = local_faces(mesh, rows)
    ends = np.searchsorted(used, [a, b])
    if not len(used) or (used[np.minimum(ends, len(used) - 1)] != [a, b]).any():
        return None
    table = EdgeTable.of(faces, len(used))
    h = np.flatnonzero(table.mate > np.arange(len(table.mate)))
    start, end = table.start[h], table.end[h]
    points = mesh.vertices[used]
    # An edge without length must still count as an edge in the sparse graph.
    length = np.maximum(
        np.sqrt(dot(points[end] - points[start], points[end] - points[start])), 1e-12
    )

    def found(cost: FloatArray) -> list[int] | None:
        ways = (np.tile(cost, 2), (np.r_[start, end], np.r_[end, start]))
        graph = csr_matrix(ways, shape=(len(used), len(used)))
        before = dijkstra(graph, indices=int(ends[0]), return_predecessors=True)[1]
        path = [int(ends[1])]
        while path[-1] != ends[0]:
            path.append(int(before[path[-1]]))
            if path[-1] < 0:
                return None
        return path[::-1]

    path = found(length * shares(bends(mesh, rows, table, h), crease) if crease < 1 else length)
    if path is not None and crease < 1:
        least = ASTRAY * float(np.linalg.norm(points[ends[1]] - points[ends[0]]))
        if walk_length(points[path]) > least:
            plain = found(length)
            if plain and walk_length(points[path]) > ASTRAY * walk_length(points[plain]):
                path = plain
    return None if path is None else [int(v) for v in used[path]]


def walk_length(points: FloatArray) -> float:
    """Length of a line (N, 3) from its first point to its last, mm."""
    step = np.diff(points, axis=0)
    return float(np.sqrt(dot(step, step)).sum())


def local_faces(mesh: Mesh, rows: IdArray) -> tuple[IdArray, IntArray]:
    """The vertices (U,) that the chosen faces use, ascending, and the faces (K, 3) by those."""
    chosen = mesh.faces[rows]
    on = np.zeros(len(mesh.vertices), dtype=bool)
    on[chosen] = True
    number = np.cumsum(on, dtype=np.int32) - np.int32(1)
    return np.flatnonzero(on), number[chosen]


def bends(mesh: Mesh, rows: IdArray, table: EdgeTable, h: IdArray) -> FloatArray:
    """(H,) degrees by which the skin bends at each edge, above 0 on a ridge.

    h : half-edges of the local `table`, whose faces are the mesh's `rows`.
    """
    normals = mesh.face_vectors_of(rows)
    own, other = normals[h // 3], normals[table.mate[h] // 3]
    corners = mesh.faces[rows].ravel()
    along = mesh.vertices[corners[next_corner(h.astype(np.int32))]] - mesh.vertices[corners[h]]
    # Positive on a ridge: turning from this face's normal to the other's about the edge.
    sine = dot(np.cross(own, other), along) / np.maximum(np.sqrt(dot(along, along)), 1e-300)
    return np.asarray(np.degrees(np.arctan2(sine, dot(own, other))))


def shares(bend: FloatArray, crease: float) -> FloatArray:
    """(H,) what a mm costs along edges that bend by so many degrees, against 1 over flat skin.

    crease : the least, in a deep crease; 2 is the most, on a ridge.
    """
    effect = 1.0 - np.exp(-np.abs(bend) / FULL_BEND)
    return np.asarray(1.0 + np.where(bend < 0, crease - 1.0, 1.0) * effect)
