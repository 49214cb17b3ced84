"""Lines: closed loops of mesh edges on a figure's surface, along which it can be parted."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from seamwright.adjacency import EdgeTable
from seamwright.blocks import FACES_A_BLOCK
from seamwright.errors import BadInput, SeamwrightError
from seamwright.frame import Frame
from seamwright.mesh import EdgeCounts, FloatArray, IndexArray, IntArray, Mesh
from seamwright.outline import IdArray, dot
from seamwright.seam import CREASE, Seam, SeamLine, place
from seamwright.wall import least_distance

FULL_BEND = 15.0
"""Degrees of bend at an edge by which a crease or a ridge has 63 % of its effect: fine
meshes spread a crease over several edges, so small bends must tell (common practice, no
source)."""
WITHIN = 5.0
"""A point may lie this far from the surface, mm (common practice, no source)."""
CORRIDOR = 2.0
"""A leg first looks for its way where the distances to its two ends add up to no more than
this many times the distance between them; half round a cylinder that sum is √2 times."""
DETOUR = 0.05
"""A loop the line makes in passing, shorter than this share of it, is cut off: so points
picked a little beside a crease do no harm (common practice, no source)."""


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
        (degree == 1, "is not closed: it has a loose end at {}; mark edges until it meets itself"),
    ):
        if wrong.any():
            where = place(mesh.vertices[nodes[int(np.argmax(wrong))]])
            raise BadInput(f"The line {what.format(where)}.")
    lines = [_upward(_made(mesh, nodes[loop])) for loop in _loops(ends, len(nodes))]
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


def _made(mesh: Mesh, loop: IdArray) -> Line:
    """A line of vertices in order, found to run over sound skin along mesh edges."""
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


def line_seam(
    number: int, name: str, line: SeamLine, joint: Literal["auto", "plain"] = "auto"
) -> Seam:
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
    """A line seam's line, and the figure it is drawn on; BadInput as `line_from_points`,
    naming the seam."""
    if seam.line is None:
        raise SeamwrightError(f"Seam '{seam.name}' is flat: it has no line.")
    try:
        return mesh, line_from_points(mesh, seam.line.points, crease=seam.line.crease)
    except BadInput as error:
        raise BadInput(f"Seam '{seam.name}': {error}") from error


# --- from picked points ----------------------------------------------------------------


def line_from_points(
    mesh: Mesh, points: npt.ArrayLike, *, crease: float = CREASE, within: float = WITHIN
) -> Line:
    """The line through points picked along the skin, drawn into creases on its way.

    Each point goes to its nearest vertex; each is joined to the next, and the last to the
    first, by the cheapest way along mesh edges. A mm costs 1 over flat skin, less in a
    crease, down to `crease`, and up to 2 on a ridge. Where the line would run out to a
    point and back the same way, or make a small loop, that is cut off. It runs in the
    order of the points.

    Parameters
    ----------
    points : (K, 3) mm, three or more all the way round.
    crease : what a mm in a deep crease costs; 1 and above for the plain shortest way.
    within : farthest a point may be from the surface, mm.

    Raises
    ------
    BadInput
        If there are fewer than three points, one is away from the surface, two have no way
        over the surface between them, or the line meets itself or closes on nothing.
    """
    picked = np.asarray(points, dtype=np.float64)
    if picked.ndim != 2 or picked.shape[1] != 3 or len(picked) < 3 or not len(mesh.faces):
        raise BadInput(
            "A line needs three points or more of three numbers each, "
            "picked all the way round on the surface; pick more."
        )
    if not np.isfinite(picked).all():
        raise BadInput("A point of the line has a coordinate that is not a number; pick it again.")
    stops = _snapped(mesh, picked, within)
    stops = [a for a, b in zip(stops, stops[1:] + stops[:1], strict=True) if a != b]
    walk: list[int] = []
    for a, b in zip(stops, stops[1:] + stops[:1], strict=True):
        walk += _leg(mesh, a, b, crease)[:-1]
    return _made(mesh, np.array(_simple_loop(mesh, walk, picked), dtype=np.int64))


def _snapped(mesh: Mesh, picked: FloatArray, within: float) -> list[int]:
    """The nearest vertex of a face to each point; BadInput if the surface is not near."""
    used = np.zeros(len(mesh.vertices), dtype=bool)
    used[mesh.faces.ravel()] = True
    found = []
    for point in picked:
        off = mesh.vertices - point
        squared = np.einsum("ij,ij->i", off, off)
        squared[~used] = np.inf
        k = int(np.argmin(squared))
        # A point on a large face may be far from every vertex and yet on the surface.
        if squared[k] > within**2 and (gap := _gap(mesh, point, within)) > within:
            raise BadInput(
                f"The line's point at {place(point)} is more than {within:g} mm from the "
                f"surface ({min(gap, float(np.sqrt(squared[k]))):.1f} mm); "
                "pick it on the figure."
            )
        found.append(k)
    return found


def _gap(mesh: Mesh, point: FloatArray, within: float) -> float:
    """Distance of a point from the faces whose box comes near it, mm; inf if none does."""
    low, high = mesh.vertices < point - within, mesh.vertices > point + within
    bits = np.packbits(np.concatenate([low, high], axis=1), axis=1)[:, 0]
    a, b, c = mesh.faces.T
    near = mesh.faces[(bits[a] & bits[b] & bits[c]) == 0]
    return least_distance(np.tile(point, (1, 3, 1)), mesh.vertices[near])[0]


def _leg(mesh: Mesh, a: int, b: int, crease: float) -> list[int]:
    """Vertices of the cheapest way from a to b, in a corridor that grows until there is one."""
    p, q = mesh.vertices[a], mesh.vertices[b]
    allowed = CORRIDOR * max(float(np.linalg.norm(p - q)), 1e-9 * mesh.diagonal)
    while True:
        path = _cheapest(mesh, _corridor(mesh, p, q, allowed), a, b, crease)
        if path is not None:
            return path
        if allowed > 2 * mesh.diagonal:
            raise BadInput(
                f"No way over the surface joins the line's points at {place(p)} and {place(q)}; "
                "pick all points on one surface, or mend the figure."
            )
        allowed *= 2.0


def _corridor(mesh: Mesh, p: FloatArray, q: FloatArray, allowed: float) -> IdArray:
    """(K,) faces whose corners' distances to p and q all add up to `allowed` mm at most."""
    blocks = mesh.blocks
    met = (np.abs(blocks.centre - (p + q) / 2) <= blocks.half + allowed / 2).all(axis=1)
    rows = blocks.order[np.repeat(met, FACES_A_BLOCK)[: len(blocks.order)]]
    corners = mesh.vertices[mesh.faces[rows]]
    reach = np.sqrt(dot(corners - p, corners - p)) + np.sqrt(dot(corners - q, corners - q))
    return np.sort(rows[(reach <= allowed).all(axis=1)]).astype(np.int64)


def _cheapest(mesh: Mesh, rows: IdArray, a: int, b: int, crease: float) -> list[int] | None:
    """The cheapest way over edges that two of the chosen faces share, or None.

    Dijkstra, "A note on two problems in connexion with graphs", Numer. Math. 1, 1959.
    """
    used, local = np.unique(mesh.faces[rows].ravel(), return_inverse=True)
    ends = np.searchsorted(used, [a, b])
    if not len(used) or (used[np.minimum(ends, len(used) - 1)] != [a, b]).any():
        return None
    table = EdgeTable.of(local.reshape(-1, 3).astype(np.int32), len(used))
    h = np.flatnonzero(table.mate > np.arange(len(table.mate)))
    cost = _costs(mesh, rows, table, h, mesh.vertices[used], crease)
    start, end = table.start[h], table.end[h]
    graph = csr_matrix(
        (np.tile(cost, 2), (np.r_[start, end], np.r_[end, start])), shape=(len(used), len(used))
    )
    before = dijkstra(graph, indices=int(ends[0]), return_predecessors=True)[1]
    path = [int(ends[1])]
    while path[-1] != ends[0]:
        path.append(int(before[path[-1]]))
        if path[-1] < 0:
            return None
    return [int(v) for v in used[path[::-1]]]


def _costs(
    mesh: Mesh, rows: IdArray, table: EdgeTable, h: IdArray, points: FloatArray, crease: float
) -> FloatArray:
    """(H,) cost of each edge, by its length and how the two faces at it bend.

    h : half-edges of the local `table`, whose faces are the mesh's `rows`.
    """
    normals = mesh.face_vectors_of(rows)
    own, other = normals[h // 3], normals[table.mate[h] // 3]
    along = points[table.end[h]] - points[table.start[h]]
    length = np.linalg.norm(along, axis=1)
    # Positive on a ridge: turning from this face's normal to the other's about the edge.
    sine = np.einsum("ij,ij->i", np.cross(own, other), along) / np.maximum(length, 1e-300)
    bend = np.degrees(np.arctan2(sine, np.einsum("ij,ij->i", own, other)))
    effect = 1.0 - np.exp(-np.abs(bend) / FULL_BEND)
    share = np.where(bend < 0, (min(crease, 1.0) - 1.0) * effect, effect if crease < 1 else 0.0)
    # An edge without length must still count as an edge in the sparse graph.
    return np.asarray(np.maximum(length * (1.0 + share), 1e-12))


def _simple_loop(mesh: Mesh, walk: list[int], picked: FloatArray) -> list[int]:
    """The closed walk without spikes and small loops; BadInput if it still meets itself."""
    while True:
        walk = _without_spikes(walk)
        if len(walk) < 3:
            raise BadInput(
                f"The line through {place(picked[0])} closes on nothing: it runs out and back "
                "the same way; pick points all the way round."
            )
        seen: dict[int, int] = {}
        again = next((j for j, v in enumerate(walk) if seen.setdefault(v, j) != j), None)
        if again is None:
            return walk
        first = seen[walk[again]]
        inner, outer = walk[first:again], walk[again:] + walk[:first]
        lengths = [_length(mesh, w) for w in (inner, outer)]
        if min(lengths) > DETOUR * sum(lengths):
            raise BadInput(
                f"The line meets itself at {place(mesh.vertices[walk[again]])}; "
                "move the points near there, or pick more of them."
            )
        walk = outer if lengths[0] < lengths[1] else inner


def _without_spikes(walk: list[int]) -> list[int]:
    """The closed walk without any stretch run out and straight back."""
    kept: list[int] = []
    for v in walk:
        if len(kept) > 1 and kept[-2] == v:
            kept.pop()
        elif not kept or kept[-1] != v:
            kept.append(v)
    while len(kept) > 2 and (kept[1] == kept[-1] or kept[0] == kept[-2]):
        kept = kept[1:-1] if kept[1] == kept[-1] else kept[:-2]
    while len(kept) > 1 and kept[0] == kept[-1]:
        kept.pop()
    return kept


def _length(mesh: Mesh, walk: list[int]) -> float:
    """Length of a closed walk, mm."""
    p = mesh.vertices[walk]
    return float(np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1).sum())
