"""Parting a mesh along one seam, touching only the faces the seam crosses; and its solids."""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from seamwright.crossing import Crossing
from seamwright.errors import SeamwrightError
from seamwright.mesh import SKIN, BoolArray, FloatArray, IntArray, Mesh, relabelled, vertex_shells
from seamwright.outline import IdArray, Region
from seamwright.seam import Seam, place
from seamwright.section import Section, section

# Which of the coincident faces at a seam an edge belongs to, so that side A's and
# side B's copies of a vertex can be told apart.
_SKIN_EDGE, _RIM_A, _RIM_B, _CAP_A, _CAP_B = range(5)


def part(mesh: Mesh, seam: Seam, wanted: tuple[Region, ...], snap: float | None = None) -> Mesh:
    """Part one seam's wanted regions; all other faces stay as they are.

    Parameters
    ----------
    wanted : regions in the seam's frame, see `seam.reached`. Whatever regions of `mesh`
        lie inside them are parted.
    snap : mm, see `crossing.cross`.

    Returns
    -------
    One mesh with both sides' caps, tagged `seam.id`, sharing no vertices across the seam.
    """
    found = section(mesh, seam.frame, snap)
    chosen = [
        r
        for r in found.regions
        if any(w.distance(r.inner_point[None])[0] <= found.crossing.snap for w in wanted)
    ]
    if not chosen:
        return mesh
    return part_regions(mesh, found, chosen, seam.id)


def part_regions(mesh: Mesh, found: Section, chosen: list[Region], tag: int) -> Mesh:
    """Cut the chosen regions' faces, cap both sides, and separate them."""
    crossing = found.crossing
    segments = np.concatenate([ids for r in chosen for ids in r.segments])
    cut_rows = crossing.segment_cut[segments]
    cut_rows = cut_rows[cut_rows >= 0]
    below, above, below_of, above_of = _subfaces(crossing, cut_rows)
    cap, middles = _without_doubled_edges(
        np.concatenate([_cap(crossing, r) for r in chosen]), crossing, chosen
    )
    stay = np.ones(len(mesh.faces), dtype=bool)
    stay[crossing.cut[cut_rows]] = False

    # Nodes of other regions' cut edges are never used: number only those that are.
    count = len(mesh.vertices)
    nodes = np.unique(crossing.segments[segments])
    fresh = nodes[nodes >= count]
    extra = count + len(crossing.cut_edges)
    renumber = np.full(extra + len(middles), -1, dtype=np.int32)
    renumber[:count] = np.arange(count, dtype=np.int32)
    renumber[fresh] = count + np.arange(len(fresh), dtype=np.int32)
    # Points within a cap are not on its rim, so each side gets its own here.
    own_b = count + len(fresh) + np.arange(len(middles), dtype=np.int32)
    renumber[extra:] = own_b
    cap_below = renumber[cap]
    renumber[extra:] = own_b + len(middles)
    cap_above = renumber[cap[:, ::-1]]
    vertices = np.concatenate([mesh.vertices, crossing.positions(fresh), middles, middles])
    faces = np.concatenate(
        [mesh.faces[stay], renumber[below], renumber[above], cap_below, cap_above]
    ).astype(np.int32)
    tags = np.concatenate(
        [
            mesh.tag[stay],
            mesh.tag[crossing.cut[below_of]],
            mesh.tag[crossing.cut[above_of]],
            np.full(2 * len(cap), tag, dtype=np.int32),
        ]
    )
    start = len(faces) - len(below) - len(above) - 2 * len(cap)
    parts = np.cumsum([start, len(below), len(above), len(cap)])
    side = _Sides(
        near=_near_kept(crossing, stay),
        near_below=crossing.near_below[stay[crossing.near]],
        first_below=int(parts[0]),
        first_above=int(parts[1]),
        first_cap_below=int(parts[2]),
        first_cap_above=int(parts[3]),
    )
    rim = renumber[crossing.segments[segments]].astype(np.int64)
    return _separated(Mesh(vertices, faces, tags), side, rim)


@dataclass(frozen=True, eq=False)
class _Sides:
    """Where in a just-cut face array the faces near the seam are, and on which side."""

    near: IntArray
    near_below: BoolArray
    first_below: int
    first_above: int
    first_cap_below: int
    first_cap_above: int


def _near_kept(crossing: Crossing, stay: BoolArray) -> IntArray:
    """New indices of the near faces that were not cut away."""
    kept = crossing.near[stay[crossing.near]]
    gone = np.sort(np.flatnonzero(~stay))
    return np.asarray(kept - np.searchsorted(gone, kept), dtype=np.int32)


def _subfaces(crossing: Crossing, rows: IdArray) -> tuple[IdArray, IdArray, IdArray, IdArray]:
    """The parts of cut faces below and above the plane, in nodes, and their parent rows.

    A quad is split along its shorter diagonal, ties by coordinates: mirrored copies of
    a face, as the two sides of an earlier seam are, then split alike.
    """
    corners = crossing.cut_corners[rows].astype(np.int64)
    kind = crossing.cut_kind[rows]
    p, q, r = corners.T
    a, b = crossing.cut_nodes[rows].T
    tip = np.stack([p, a, b], axis=1)
    position = crossing.positions
    mesh_points = crossing.mesh.vertices
    far = np.linalg.norm(position(a) - position(r), axis=1)
    near = np.linalg.norm(position(b) - position(q), axis=1)
    tied = _comes_first(mesh_points[r], mesh_points[q])
    split_ar = ((far < near) | ((far == near) & tied))[:, None]
    quad_1 = np.where(split_ar, np.stack([a, q, r], 1), np.stack([a, q, b], 1))
    quad_2 = np.where(split_ar, np.stack([a, r, b], 1), np.stack([q, r, b], 1))
    # A face with its first vertex on the plane falls into two triangles.
    second = np.stack([p, q, a], axis=1)
    third = np.stack([p, a, r], axis=1)
    k0, k1, k2, k3 = (kind == k for k in range(4))
    below = np.concatenate([tip[k0], quad_1[k1], quad_2[k1], second[k2], third[k3]])
    above = np.concatenate([tip[k1], quad_1[k0], quad_2[k0], second[k3], third[k2]])
    below_of = np.concatenate([rows[k0], rows[k1], rows[k1], rows[k2], rows[k3]])
    above_of = np.concatenate([rows[k1], rows[k0], rows[k0], rows[k3], rows[k2]])
    return below, above, below_of, above_of


def _comes_first(a: FloatArray, b: FloatArray) -> BoolArray:
    """(N,) whether each row of a comes before that of b, in lexical order."""
    x, y, z = (a - b).T
    return np.asarray((x < 0) | ((x == 0) & ((y < 0) | ((y == 0) & (z < 0)))))


def _cap(crossing: Crossing, region: Region) -> IdArray:
    """(T, 3) nodes of the triangles that fill a region, facing along the normal."""
    nodes = np.concatenate([crossing.segments[ids, 0] for ids in region.segments])
    triangles = manifold3d.triangulate([np.ascontiguousarray(p) for p in region.loops])
    return np.asarray(nodes[np.asarray(triangles, dtype=np.int64)])


def _without_doubled_edges(
    cap: IdArray, crossing: Crossing, chosen: list[Region]
) -> tuple[IdArray, FloatArray]:
    """Caps none of whose inner edges is also an edge of the skin or of another outline.

    Where a crease of the skin runs across the plane between two vertices of the rim, a
    triangle of the cap may take it for an edge, which would then have four faces. Such an
    edge is divided in its middle.

    Returns
    -------
    (T, 3) triangles in nodes, of which those from V + E on are the (M, 3) new points.
    """
    count = len(crossing.mesh.vertices)
    extra = count + len(crossing.cut_edges)
    nodes = np.unique(np.concatenate([crossing.segments[s, 0] for r in chosen for s in r.segments]))
    on_skin = nodes[nodes < count]
    near = crossing.mesh.faces[crossing.near].astype(np.int64)
    lying = np.isin(near, on_skin)
    start, end = near, near[:, [1, 2, 0]]
    both = lying & lying[:, [1, 2, 0]]
    taken = (
        np.concatenate([start[both], crossing.segments[:, 0]]),
        np.concatenate([end[both], crossing.segments[:, 1]]),
    )
    inner_start, inner_end = cap.ravel(), cap[:, [1, 2, 0]].ravel()
    keys = _edge_keys(inner_start, inner_end, extra)
    found, uses = np.unique(keys, return_counts=True)
    doubled = np.intersect1d(found[uses == 2], _edge_keys(*taken, extra))
    if not len(doubled):
        return cap, np.zeros((0, 3))
    ends = np.stack([doubled // extra, doubled % extra], axis=1)
    middles = 0.5 * (crossing.positions(ends[:, 0]) + crossing.positions(ends[:, 1]))
    triangles = [tuple(t) for t in cap.tolist()]
    for k, (u, w) in enumerate(ends.tolist()):
        middle = extra + k
        divided = []
        for t in triangles:
            if u not in t or w not in t:
                divided.append(t)
                continue
            # Turned so that the divided edge is the first.
            a, b, c = next(
                (t[i], t[i - 2], t[i - 1]) for i in range(3) if {t[i], t[i - 2]} == {u, w}
            )
            divided += [(a, middle, c), (middle, b, c)]
        triangles = divided
    return np.array(triangles, dtype=np.int64), middles


def _separated(mesh: Mesh, side: _Sides, rim: IdArray) -> Mesh:
    """Give each side of the seam its own copies of the vertices on the rim.

    At every rim vertex the corners of its faces are grouped by the edges they share,
    where a rim edge of side A is not one of side B; each group gets a vertex. Where
    several sheets meet in one vertex, that separates them too.
    """
    count = len(mesh.vertices)
    on_rim = np.zeros(count, dtype=bool)
    on_rim[rim.ravel()] = True
    local = np.concatenate([side.near, np.arange(side.first_below, len(mesh.faces))])
    below = np.zeros(len(local), dtype=bool)
    below[: len(side.near)] = side.near_below
    index = local - side.first_below
    below[(index >= 0) & (local < side.first_above)] = True
    below[(local >= side.first_cap_below) & (local < side.first_cap_above)] = True
    cap = local >= side.first_cap_below
    cap[: len(side.near)] = False

    faces = mesh.faces[local].astype(np.int64)
    start, end = faces, faces[:, [1, 2, 0]]
    rim_keys = np.unique(_edge_keys(rim[:, 0], rim[:, 1], count))
    keys = _edge_keys(start, end, count)
    at = np.minimum(np.searchsorted(rim_keys, keys), len(rim_keys) - 1)
    is_rim = rim_keys[at] == keys
    kind = np.where(
        is_rim,
        np.where(below, _RIM_B, _RIM_A)[:, None],
        np.where(cap, np.where(below, _CAP_B, _CAP_A), _SKIN_EDGE)[:, None],
    )
    label = _corner_groups(start, end, kind, on_rim, count)
    corner_vertex = np.where(on_rim[start], start, -1)
    touched = corner_vertex >= 0
    pair = np.stack([corner_vertex[touched], label[touched]], axis=1)
    groups, inverse = np.unique(pair, axis=0, return_inverse=True)
    first = np.r_[True, groups[1:, 0] != groups[:-1, 0]]
    new_ids = np.where(first, groups[:, 0], count - 1 + np.cumsum(~first))
    faces[touched] = new_ids[inverse.ravel()]
    all_faces = mesh.faces.copy()
    all_faces[local] = faces
    return Mesh(
        np.concatenate([mesh.vertices, mesh.vertices[groups[~first, 0]]]), all_faces, mesh.tag
    )


def _edge_keys(start: IdArray, end: IdArray, count: int) -> IdArray:
    """One number for each undirected edge."""
    return np.asarray(np.minimum(start, end) * count + np.maximum(start, end))


def _corner_groups(
    start: IdArray, end: IdArray, kind: IdArray, on_rim: BoolArray, count: int
) -> IdArray:
    """(F, 3) a label for each corner; corners of one vertex joined by shared edges agree."""
    corner = np.arange(start.size).reshape(start.shape)
    # Each edge start→end touches the corner at its start and the next one at its end.
    at = np.concatenate([start.ravel(), end.ravel()])
    to = np.concatenate([end.ravel(), start.ravel()])
    what = np.tile(kind.ravel(), 2)
    who = np.concatenate([corner.ravel(), corner[:, [1, 2, 0]].ravel()])
    keep = on_rim[at]
    at, to, what, who = at[keep], to[keep], what[keep], who[keep]
    order = np.lexsort((what, to, at))
    at, to, what, who = at[order], to[order], what[order], who[order]
    same = (at[1:] == at[:-1]) & (to[1:] == to[:-1]) & (what[1:] == what[:-1])
    graph = coo_matrix(
        (np.ones(int(same.sum()), dtype=np.int8), (who[1:][same], who[:-1][same])),
        shape=(start.size, start.size),
    )
    return np.asarray(connected_components(graph, directed=False)[1]).reshape(start.shape)


def solids(mesh: Mesh) -> IntArray:
    """(F,) which solid each face bounds: an outer shell together with the cavities in it.

    Raises
    ------
    SeamwrightError
        If a cavity lies in no solid.
    """
    shell = relabelled(vertex_shells(mesh.faces, len(mesh.vertices))[mesh.faces[:, 0]])
    # A shell with a seam face has the outline of a region on it, so it is an outer one.
    capped = np.zeros(int(shell.max(initial=-1)) + 1, dtype=bool)
    capped[shell[mesh.tag != SKIN]] = True
    volume = np.where(capped, np.inf, 0.0)
    for k in np.flatnonzero(~capped):
        volume[k] = mesh.volume_of(np.flatnonzero(shell == k))
    cavities = np.flatnonzero(volume < 0)
    if not len(cavities):
        return shell
    outer = {int(k): np.flatnonzero(shell == k) for k in np.flatnonzero(volume > 0)}
    owner = np.arange(len(volume), dtype=np.int32)
    for cavity in cavities:
        rows = np.flatnonzero(shell == cavity)
        # A cavity may touch a solid it is not in, so several of its faces vote.
        probes = mesh.vertices[mesh.faces[rows[:: max(1, len(rows) // 9)]]].mean(axis=1)
        around = [
            k
            for k, faces in outer.items()
            if 2 * sum(encloses(mesh.vertices, mesh.faces[faces], p) for p in probes) > len(probes)
        ]
        if not around:
            raise SeamwrightError(
                f"A cavity at {place(probes[0])} lies in no solid; mend the figure first."
            )
        owner[cavity] = min(around, key=lambda k: mesh.volume_of(outer[k]))
    return relabelled(owner[shell])


def encloses(vertices: FloatArray, faces: IntArray, point: FloatArray) -> bool:
    """Whether a closed surface goes round a point that is not on it: its winding number.

    Solid angles by van Oosterom & Strackee, "The solid angle of a plane triangle",
    IEEE Trans. Biomed. Eng. 30(2), 1983.
    """
    a, b, c = (vertices[faces[:, i]] - point for i in range(3))
    la, lb, lc = (np.linalg.norm(x, axis=1) for x in (a, b, c))
    numerator = np.einsum("ij,ij->i", a, np.cross(b, c))
    denominator = (
        la * lb * lc
        + np.einsum("ij,ij->i", a, b) * lc
        + np.einsum("ij,ij->i", b, c) * la
        + np.einsum("ij,ij->i", c, a) * lb
    )
    return bool(2 * np.arctan2(numerator, denominator).sum() > 2 * np.pi)
