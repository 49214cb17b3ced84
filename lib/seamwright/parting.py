"""Parting a mesh along one seam, touching only the faces the seam crosses; and its solids."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from seamwright.adjacency import linked
from seamwright.cap import triangles
from seamwright.crossing import Crossing, cross
from seamwright.mesh import (
    SKIN,
    BoolArray,
    FloatArray,
    IntArray,
    Mesh,
    places,
    relabelled,
)
from seamwright.outline import IdArray, Region, chained, regions_of
from seamwright.seam import Seam
from seamwright.section import Section

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
    crossing = cross(mesh, seam.frame, snap)
    # Plain regions, looked at one by one: where an earlier seam crosses, those of its two
    # sides lie against each other, which is no overlap to be looked for.
    regions, loose = regions_of(
        crossing.segments, lambda nodes: seam.frame.to_plane(crossing.positions(nodes))
    )
    found = Section(seam.frame, regions, crossing.positions(loose), crossing)
    chosen = [r for r in found.regions if _lies_in(wanted, r.inner_point, found.crossing.snap)]
    return part_regions(mesh, found, chosen, seam.id)


def part_regions(mesh: Mesh, found: Section, chosen: Sequence[Region], tag: int) -> Mesh:
    """Cut the chosen regions' faces, cap both sides, and separate them.

    Slits go with the regions they touch, and all of them where all regions are chosen.
    Faces that are not cut keep their places in the arrays; of each cut one, a part below
    takes its place and the others come at the end. So the mesh's blocks stay good.
    """
    if not chosen:
        return mesh
    crossing = found.crossing
    taken = _taken(found, chosen)
    segments = np.concatenate([ids for r in taken for ids in r.segments])
    cut_rows = crossing.segment_cut[segments]
    cut_rows = cut_rows[cut_rows >= 0]
    below, above, below_of, above_of = _subfaces(crossing, cut_rows)
    cap, middles = _without_doubled_edges(
        np.concatenate([_cap(crossing, r) for r in taken]), crossing, taken
    )
    new = _Numbers.of(crossing, crossing.segments[segments])

    cuts, count = len(cut_rows), len(mesh.faces)
    parts = [new.of_nodes(below[cuts:]), new.of_nodes(above)]
    # Points within a cap are not on its rim, so each side gets its own here.
    parts += [new.of_nodes(cap), new.of_nodes(cap[:, ::-1], len(middles))]
    faces = np.concatenate([mesh.faces, *parts], dtype=np.int32, casting="same_kind")
    replaced = crossing.cut[below_of[:cuts]]
    faces[replaced] = new.of_nodes(below[:cuts])
    parents = crossing.cut[np.concatenate([below_of[cuts:], above_of])]
    tags = np.concatenate(
        [mesh.tag, np.take(mesh.tag, parents), np.full(2 * len(cap), tag, dtype=np.int32)]
    )
    added = np.concatenate([crossing.positions(new.fresh), middles, middles])
    strip = _strip(crossing, replaced, [len(p) for p in parts], count)
    rim = new.of_nodes(crossing.segments[segments])
    copied = _separate(faces, strip, rim, len(mesh.vertices) + len(added))
    # Only vertices on the rim are copied, and of those the new ones come first.
    copies = crossing.positions(new.nodes_of(copied))
    parted = Mesh(np.concatenate([mesh.vertices, added, copies]), faces, tags)
    if not mesh.has_blocks:
        return parted
    return parted.with_blocks(mesh.blocks.grown(parted.vertices, faces))


def slits(found: Section) -> list[Region]:
    """Loops of a section that bound no area, as where a cap lies on a crease of the skin.

    What is on their two sides hangs together there, though they belong to no region.
    """
    crossing = found.crossing
    regions, loops = _plain(found.regions, crossing.snap)
    left = np.ones(len(crossing.segments), dtype=bool)
    for region in [*regions, *loops]:
        left[np.concatenate(region.segments)] = False
    rows = np.flatnonzero(left)
    if not len(rows):
        return loops

    def points_of(nodes: IdArray) -> FloatArray:
        return found.frame.to_plane(crossing.positions(nodes))

    segments = crossing.segments[rows]
    for loop in chained(segments, points_of).closed:
        left_over = Region((points_of(segments[loop, 0]),), (rows[loop],))
        # Others bound an area, of which a broken mesh leaves it unsure whether it is solid.
        if _is_flat(left_over, crossing.snap):
            loops.append(left_over)
    return loops


def _taken(found: Section, chosen: Sequence[Region]) -> list[Region]:
    """The chosen regions, with loops from node to node, and the slits that go with them."""
    within = found.crossing.snap
    every = len(chosen) == len(found.regions)
    return _plain(chosen, within)[0] + [
        slit for slit in slits(found) if every or _lies_in(chosen, slit.inner_point, within)
    ]


def _plain(regions: Sequence[Region], within: float) -> tuple[list[Region], list[Region]]:
    """The regions, or those they unite, whose loops run from node to node; and their slits.

    A loop without area on an outline is no hole, on whichever side of it rounding puts it.
    """
    plain, loops = [], []
    for region in (p for r in regions for p in r.plain):
        parts = [Region((p,), (ids,)) for p, ids in zip(region.loops, region.segments, strict=True)]
        held = [p for p in parts[1:] if not _is_slit(p, parts[0], within)]
        loops += [p for p in parts[1:] if p not in held]
        held.insert(0, parts[0])
        plain.append(Region(tuple(p.outline for p in held), tuple(p.segments[0] for p in held)))
    return plain, loops


def _is_slit(hole: Region, outline: Region, within: float) -> bool:
    """Whether a hole has no area and lies on the outline."""
    middles = 0.5 * (hole.outline + np.roll(hole.outline, -1, axis=0))
    return _is_flat(hole, within) and bool(outline.edge_distance(middles).max() <= within)


def _is_flat(loop: Region, within: float) -> bool:
    """Whether a loop bounds no area but what snapping to the plane may have given it."""
    return abs(loop.area) <= within * loop.perimeter


def _lies_in(regions: Sequence[Region], point: FloatArray, within: float) -> bool:
    """Whether a (2,) point lies in one of the regions, or no farther than `within` mm off."""
    p = point[None]
    return any(r.contains(p)[0] for r in regions) or any(
        r.edge_distance(p)[0] <= within for r in regions
    )


@dataclass(frozen=True, eq=False)
class _Numbers:
    """Vertex numbers after a cut, of a crossing's nodes and of the points within caps.

    Nodes of other regions' cut edges are never used: only those that are get a number.

    vertices, edges : how many the crossing has, so its nodes are below their sum; the
        points within the caps follow.
    fresh : (N,) nodes on cut edges, ascending, which are numbered from `vertices` on.
    """

    vertices: int
    edges: int
    fresh: IdArray

    @staticmethod
    def of(crossing: Crossing, nodes: IdArray) -> _Numbers:
        count = len(crossing.mesh.vertices)
        used = np.unique(nodes)
        return _Numbers(count, len(crossing.cut_edges), used[used >= count])

    def of_nodes(self, nodes: IdArray, beyond: int = 0) -> IdArray:
        """The numbers of nodes, points within caps counted `beyond` later."""
        within = nodes - self.edges + len(self.fresh) + beyond
        on_edge = self.vertices + np.searchsorted(self.fresh, nodes)
        late = np.where(nodes < self.vertices + self.edges, on_edge, within)
        return np.where(nodes < self.vertices, nodes, late)

    def nodes_of(self, numbers: IdArray) -> IdArray:
        """The nodes of vertices on a rim."""
        nodes = numbers.copy()
        late = numbers >= self.vertices
        nodes[late] = self.fresh[numbers[late] - self.vertices]
        return nodes


@dataclass(frozen=True, eq=False)
class _Strip:
    """The faces along a seam just cut, and what each is.

    faces : (N,) indices. below, cap : (N,) whether of side B, and whether left by the seam.
    """

    faces: IdArray
    below: BoolArray
    cap: BoolArray


def _strip(crossing: Crossing, replaced: IntArray, added: list[int], count: int) -> _Strip:
    """The faces that may touch the rim.

    replaced : the cut faces, in whose place a part below is now.
    added : how many faces are new, behind the `count` old ones: below, above, cap below,
        cap above.
    """
    stay = ~np.isin(crossing.near, replaced)
    old = np.concatenate([crossing.near[stay], replaced])
    below = [crossing.near_below[stay], np.ones(len(replaced), dtype=bool)]
    below += [np.full(n, side) for n, side in zip(added, (True, False, True, False), strict=True)]
    new = np.arange(count, count + sum(added))
    cap = np.concatenate([np.zeros(len(old), dtype=bool), new - count >= added[0] + added[1]])
    return _Strip(np.concatenate([old, new]), np.concatenate(below), cap)


def _subfaces(crossing: Crossing, rows: IdArray) -> tuple[IdArray, IdArray, IdArray, IdArray]:
    """The parts of cut faces below and above the plane, in nodes, and their parent rows.

    First comes one part of each row below the plane, then the second ones of quads. A quad
    is split along its shorter diagonal, ties by coordinates: mirrored copies of a face, as
    the two sides of an earlier seam are, then split alike.
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
    below = np.concatenate([tip[k0], quad_1[k1], second[k2], third[k3], quad_2[k1]])
    above = np.concatenate([tip[k1], quad_1[k0], quad_2[k0], second[k3], third[k2]])
    below_of = np.concatenate([rows[k0], rows[k1], rows[k2], rows[k3], rows[k1]])
    above_of = np.concatenate([rows[k1], rows[k0], rows[k0], rows[k3], rows[k2]])
    return below, above, below_of, above_of


def _comes_first(a: FloatArray, b: FloatArray) -> BoolArray:
    """(N,) whether each row of a comes before that of b, in lexical order."""
    x, y, z = (a - b).T
    return np.asarray((x < 0) | ((x == 0) & ((y < 0) | ((y == 0) & (z < 0)))))


def _cap(crossing: Crossing, region: Region) -> IdArray:
    """(T, 3) nodes of the triangles that fill a region, facing along the normal."""
    nodes = np.concatenate([crossing.segments[ids, 0] for ids in region.segments])
    return np.asarray(nodes[triangles(region)])


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


def _separate(faces: IntArray, strip: _Strip, rim: IdArray, own: int) -> IdArray:
    """Give each side of the seam its own copies of the vertices on the rim, in place.

    At every rim vertex the corners of its faces are grouped by the edges they share,
    where a rim edge of side A is not one of side B; each group gets a vertex. Where
    several sheets meet in one vertex, that separates them too.

    Parameters
    ----------
    faces : (F, 3) changed in place.
    rim : (S, 2) vertices of the seam's segments.
    own : number of the first copy.

    Returns
    -------
    (N,) which vertex each copy is one of.
    """
    on_rim = np.zeros(own, dtype=bool)
    on_rim[rim.ravel()] = True
    touching = np.flatnonzero(np.take(on_rim, np.take(faces, strip.faces, axis=0)).any(axis=1))
    local, below, cap = strip.faces[touching], strip.below[touching], strip.cap[touching]
    start = faces[local].astype(np.int64)
    end = start[:, [1, 2, 0]]
    rim_keys = np.unique(_edge_keys(rim[:, 0], rim[:, 1], own))
    keys = _edge_keys(start, end, own)
    at = np.minimum(np.searchsorted(rim_keys, keys), len(rim_keys) - 1)
    kind = np.where(
        rim_keys[at] == keys,
        np.where(below, _RIM_B, _RIM_A)[:, None],
        np.where(cap, np.where(below, _CAP_B, _CAP_A), _SKIN_EDGE)[:, None],
    )
    touched = on_rim[start]
    label = _corner_groups(start, end, kind, on_rim)
    groups, inverse = np.unique(start[touched] * label.size + label[touched], return_inverse=True)
    vertex = groups // label.size
    again = np.zeros(len(groups), dtype=bool)
    again[1:] = vertex[1:] == vertex[:-1]
    new_ids = np.where(again, own - 1 + np.cumsum(again), vertex)
    start[touched] = new_ids[inverse.ravel()]
    faces[local] = start
    return np.asarray(vertex[again])


def _edge_keys(start: IdArray, end: IdArray, count: int) -> IdArray:
    """One number for each undirected edge."""
    return np.asarray(np.minimum(start, end) * count + np.maximum(start, end))


def _corner_groups(start: IdArray, end: IdArray, kind: IdArray, on_rim: BoolArray) -> IdArray:
    """(F, 3) a label for each corner; corners of one vertex joined by shared edges agree."""
    corner = np.arange(start.size).reshape(start.shape)
    # Each edge start→end touches the corner at its start and the next one at its end.
    at = np.concatenate([start.ravel(), end.ravel()])
    to = np.concatenate([end.ravel(), start.ravel()])
    what = np.tile(kind.ravel(), 2)
    who = np.concatenate([corner.ravel(), corner[:, [1, 2, 0]].ravel()])
    keep = np.flatnonzero(on_rim[at])
    key = (at[keep] * len(on_rim) + to[keep]) * (_CAP_B + 1) + what[keep]
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order[1:]] == key[order[:-1]])
    who = who[keep[order]]
    return linked(who[1:][same], who[:-1][same], start.size).astype(np.int64).reshape(start.shape)


def solids(mesh: Mesh) -> IntArray:
    """(F,) which solid each face bounds: an outer shell together with the cavities in it."""
    shell = relabelled(mesh.shell_of_face)
    # A shell with a seam face has the outline of a region on it, so it is an outer one.
    capped = np.zeros(int(shell.max(initial=-1)) + 1, dtype=bool)
    capped[shell[mesh.tag != SKIN]] = True
    return shell if capped.all() else relabelled(_owners(mesh, shell, capped)[shell])


def _owners(mesh: Mesh, shell: IntArray, capped: BoolArray) -> IntArray:
    """(K,) for each shell the outer shell of its solid.

    shell : (F,) of each face. capped : (K,) whether a shell has a seam face.
    """
    rows = places(shell, len(capped))
    volume = np.where(capped, np.inf, 0.0)
    for k in np.flatnonzero(~capped):
        volume[k] = mesh.volume_of(rows[k])
    owner = np.arange(len(volume), dtype=np.int32)
    outer = np.flatnonzero(volume > 0).tolist()
    for cavity in np.flatnonzero(volume < 0):
        # A cavity may touch a solid it is not in, so several of its faces vote.
        some = rows[cavity][:: max(1, len(rows[cavity]) // 9)]
        probes = mesh.vertices[mesh.faces[some]].mean(axis=1)
        around = [
            k
            for k in outer
            if 2 * sum(encloses(mesh.vertices, mesh.faces[rows[k]], p) for p in probes)
            > len(probes)
        ]
        # A shell inside out, or open, lies in none: it stays by itself, and is told of.
        if around:
            owner[cavity] = min(around, key=lambda k: mesh.volume_of(rows[k]))
    return owner


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
