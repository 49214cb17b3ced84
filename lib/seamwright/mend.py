"""Makes a figure closed, manifold and one solid, and says in sentences what it did.

What is sound is left as it is: no remeshing, no smoothing, and a sound figure comes
back as the very arrays it came in. Surfaces that cross themselves within one shell
are not mended here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite

import manifold3d
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.inspection import (
    NO_HEIGHT,
    EdgeTable,
    at,
    box_pairs,
    containers,
    counted,
    counting_order,
    fan_of_corner,
    flat_faces,
    next_corner,
    open_shells,
    pinched_vertices,
    same_corner_faces,
    shell_boxes,
    shell_sums,
    shells_of,
    turned_faces,
)
from seamwright.mesh import SKIN, BoolArray, FloatArray, IntArray, Mesh, joined

Progress = Callable[[float, str], None]
Rim = list[int]
Edge = tuple[int, int]

WELD = 1e-6
"""Share of the diagonal within which the vertices of open edges are one."""
FLAT_RIM = 0.02
"""A rim that strays less than this share of its extent from a plane is filled flat."""
LONG_RIM = 200
"""Filling a curved rim takes time with the cube of its edges; longer rims are first
cut down to this many (the cube is Liepa's, 2003; the number is common practice)."""
NO_THICKNESS = 1e-3
"""A shell thinner than this share of the root of its area is a sheet, not a solid."""


@dataclass(frozen=True, eq=False)
class Mended:
    """A mesh, what was done to it and what was left, each as plain sentences."""

    mesh: Mesh
    done: tuple[str, ...] = ()
    left: tuple[str, ...] = ()


def mend(
    mesh: Mesh,
    *,
    weld_distance: float | None = None,
    fill_holes: bool = True,
    unite: bool = True,
    max_hole: float | None = None,
    progress: Progress | None = None,
) -> Mended:
    """Mend what can be mended; the input is never changed.

    Parameters
    ----------
    mesh : Mesh
        The figure at its true size.
    weld_distance : float, optional
        Vertices on open edges closer than this become one, mm; a millionth of the
        diagonal unless given.
    fill_holes, unite : bool
        Whether to close holes, and to make overlapping shells one.
    max_hole : float, optional
        Leave holes with a longer rim than this open, mm.
    progress : callable, optional
        Called with the share done and what comes next; it may raise `Cancelled`.

    Returns
    -------
    Mended
        With the very same mesh, and nothing done, if it was sound.

    Raises
    ------
    BadInput
        If there are no faces, or a length is below 0 or not a number.
    """
    if len(mesh.faces) == 0:
        raise BadInput("The figure has no faces to mend; choose an object with a surface.")
    for name, length in (("weld_distance", weld_distance), ("max_hole", max_hole)):
        if length is not None and not (isfinite(length) and length >= 0):
            raise BadInput(f"{name} is {length}; give a length of 0 mm or more.")
    distance = WELD * mesh.diagonal if weld_distance is None else weld_distance
    height = NO_HEIGHT * mesh.diagonal
    steps: list[tuple[str, Callable[[Mesh, EdgeTable], Mended]]] = [
        ("welding vertices", lambda m, t: _weld(m, t, distance)),
        ("dropping duplicate faces", _drop_doubles),
        ("turning faces", _turn),
        ("parting crowded edges", _part_edges),
        ("closing holes", lambda m, t: _close(m, t, max_hole) if fill_holes else Mended(m)),
        ("turning edges of flat faces", lambda m, t: _turn_flat(m, t, height)),
        ("parting pinched vertices", _part_vertices),
        ("turning shells", _turn_shells),
        ("uniting shells", lambda m, t: _unite(m, t) if unite else Mended(m)),
    ]
    start = _drop_collapsed(mesh)
    work, done, left = start.mesh, start.done, start.left
    used = np.zeros(len(mesh.vertices), dtype=bool)
    used[mesh.faces.ravel()] = True
    loose = int((~used).sum())
    table = EdgeTable.of(work.faces, len(work.vertices))
    for number, (what, step) in enumerate(steps):
        if progress is not None:
            progress(number / len(steps), what)
        result = step(work, table)
        done, left = done + result.done, left + result.left
        if result.mesh is not work:
            work = result.mesh
            table = EdgeTable.of(work.faces, len(work.vertices))
    if loose:
        done += (f"removed {counted(loose, 'loose vertex', 'loose vertices')}",)
    if progress is not None:
        progress(1.0, "mended")
    return Mended(work.compacted(), done, left + _remaining(work, table, height, left))


def require_mended(mended: Mended, name: str) -> Mesh:
    """The mended mesh, if it is closed.

    Raises
    ------
    BadInput
        If an edge of `name` is still open, crowded or flipped: how many and where.
    """
    edges, vertices = mended.mesh.edge_counts, mended.mesh.vertices
    for bad, what, remedy in (
        (edges.open, "open edge", "close them"),
        (edges.manifold_flaws, "edge of three or more faces", "part them"),
        (edges.flipped, "edge between faces that run opposite ways", "turn the faces"),
    ):
        if len(bad):
            plural = what.replace("edge", "edges", 1)
            raise BadInput(
                f"{name} still has {counted(len(bad), what, plural)} near "
                f"{at(vertices[bad[0]].mean(axis=0))}; {remedy} in the sculpt and run again."
            )
    if len(mended.mesh.faces) == 0:
        raise BadInput(f"{name} has no faces left that enclose anything; give it thickness.")
    return mended.mesh


def _remaining(
    mesh: Mesh, table: EdgeTable, height: float, said: tuple[str, ...]
) -> tuple[str, ...]:
    """What is still wrong at the end, if no step said so already, and harmless faces."""
    left: tuple[str, ...] = ()
    bad = table.order[table.first[table.count != 2]]
    if len(bad) and not said:
        middle = mesh.vertices[[table.start[bad[0]], table.end[bad[0]]]].mean(axis=0)
        left += (
            f"{counted(len(bad), 'edge')} without exactly two faces remain, "
            f"the first at {at(middle)}",
        )
    flat = flat_faces(mesh, height)
    if len(flat):
        place = at(mesh.vertices[mesh.faces[flat[0]]].mean(axis=0))
        left += (
            f"{counted(len(flat), 'face')} of no area left, the first at {place}; "
            "this does no harm",
        )
    return left


def _drop_collapsed(mesh: Mesh) -> Mended:
    """Without the faces that name a vertex twice."""
    a, b, c = mesh.faces.T
    proper = (a != b) & (b != c) & (c != a)
    if proper.all():
        return Mended(mesh)
    said = f"dropped {counted(int((~proper).sum()), 'face')} that named a vertex twice"
    return Mended(Mesh(mesh.vertices, mesh.faces[proper], mesh.tag[proper]), (said,))


def _weld(mesh: Mesh, table: EdgeTable, distance: float) -> Mended:
    """Make vertices of open edges one where they are closer than `distance`, mm.

    Vertices off the open edges stay apart, so that no closed detail collapses.
    """
    rim = np.unique(np.concatenate([table.start[table.open], table.end[table.open]]))
    if len(rim) == 0:
        return Mended(mesh)
    p = mesh.vertices[rim]
    order = np.lexsort(p.T)
    new = np.ones(len(rim), dtype=bool)
    new[1:] = (p[order[1:]] != p[order[:-1]]).any(axis=1)
    spot = np.empty(len(rim), dtype=np.int64)
    spot[order] = np.cumsum(new) - 1
    pairs = cKDTree(p[order[new]]).query_pairs(distance, output_type="ndarray")
    links = (np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1]))
    graph = coo_matrix(links, shape=(int(new.sum()),) * 2).tocsr()
    label = connected_components(graph, directed=False)[1][spot]
    _, first, which = np.unique(label, return_index=True, return_inverse=True)
    target = np.arange(len(mesh.vertices), dtype=np.int32)
    target[rim] = rim[first][which]
    welded = len(rim) - len(first)
    if welded == 0:
        return Mended(mesh)
    said = f"welded {counted(welded, 'vertex', 'vertices')} closer than {distance:.3g} mm"
    result = _drop_collapsed(Mesh(mesh.vertices, target[mesh.faces], mesh.tag))
    return Mended(result.mesh, (said,))


def _drop_doubles(mesh: Mesh, table: EdgeTable) -> Mended:
    """One face where several on the same corners run alike; none of a membrane.

    Faces back to back cancel where they are a wall inside the solid: removing both
    leaves the edges about them two faces each. Elsewhere (a skin exported from both
    sides) one of the two stays.
    """
    found, group = same_corner_faces(mesh.faces)
    if len(found) == 0:
        return Mended(mesh)
    faces = mesh.faces[found]
    low = np.argmin(faces, axis=1)
    rows = np.arange(len(faces))
    forward = faces[rows, (low + 1) % 3] < faces[rows, (low + 2) % 3]
    _, group = np.unique(group, return_inverse=True)
    net = np.bincount(group, np.where(forward, 1, -1))
    wall = _membranes(table, found, group, net == 0)
    # Of each group, keep the first face that runs the way of the majority.
    fits = np.flatnonzero(((net[group] >= 0) == forward) & ~wall[group])
    _, first = np.unique(group[fits], return_index=True)
    keep = np.ones(len(mesh.faces), dtype=bool)
    keep[found] = False
    keep[found[fits[first]]] = True
    walls = int(wall[group].sum())
    said: tuple[str, ...] = ()
    if doubles := int((~keep).sum()) - walls:
        said += (f"dropped {counted(doubles, 'duplicate face')}",)
    if walls:
        said += (f"dropped {counted(walls, 'face')} of walls without thickness inside the solid",)
    return Mended(Mesh(mesh.vertices, mesh.faces[keep], mesh.tag[keep]), said)


def _membranes(table: EdgeTable, found: IntArray, group: IntArray, even: BoolArray) -> BoolArray:
    """(G,) which groups of faces back to back are walls inside the solid.

    found, group : (N,) faces and their groups. even : (G,) as many one way as the other.
    """
    edge = np.empty(len(table.mate), dtype=np.int64)
    edge[table.order] = np.repeat(np.arange(len(table.count)), table.count)
    chosen = even[group]
    about = edge[(3 * found[chosen][:, None] + np.arange(3)).ravel()]
    others = table.count - np.bincount(about, minlength=len(table.count))
    sides = np.unique(np.stack([about, np.repeat(group[chosen], 3)], axis=1), axis=0)
    edge_of, group_of = sides.T
    inner = (others[edge_of] == 0) & (np.bincount(edge_of, minlength=len(edge))[edge_of] == 2)
    a, b = group_of[inner].reshape(-1, 2).T
    links = (np.ones(len(a), dtype=np.int8), (a, b))
    patch = connected_components(coo_matrix(links, shape=(len(even),) * 2).tocsr(), directed=False)[
        1
    ]
    vote = np.where(others[edge_of[~inner]] >= 2, 1, -1)
    tally = np.bincount(patch[group_of[~inner]], vote, minlength=len(even))
    return np.asarray((tally[patch] > 0) & even)


def _turn(mesh: Mesh, table: EdgeTable) -> Mended:
    """Make the faces of each surface run alike, turning the smaller part."""
    turned, one_sided = turned_faces(table)
    left: tuple[str, ...] = ()
    if one_sided.any():
        place = at(mesh.vertices[mesh.faces[np.argmax(one_sided)]].mean(axis=0))
        left = (
            f"{counted(int(one_sided.sum()), 'face')} of a one-sided surface, the first at "
            f"{place}, have no inside and no outside",
        )
    if not turned.any():
        return Mended(mesh, (), left)
    said = f"turned {counted(int(turned.sum()), 'face')} that ran against the neighbours"
    return Mended(_with_turned(mesh, turned), (said,), left)


def _with_turned(mesh: Mesh, turned: BoolArray) -> Mesh:
    faces = mesh.faces.copy()
    faces[turned] = faces[turned][:, ::-1]
    return Mesh(mesh.vertices, faces, mesh.tag)


def _part_edges(mesh: Mesh, table: EdgeTable) -> Mended:
    """Give every edge of three or more faces back as edges of two.

    The two faces that bound the same solid wedge stay together, so that solids which
    only touch along an edge come apart. Where an edge's ends cannot be parted, each
    pair of faces gets a middle vertex of its own.
    """
    crowded = len(table.crowded)
    if crowded == 0:
        return Mended(mesh)
    run = np.concatenate([_half_edges(table, e) for e in table.crowded])
    ends = np.zeros(len(mesh.vertices), dtype=bool)
    ends[table.start[run]] = ends[table.end[run]] = True
    work = _split_fans(mesh, table.start, _mated_by_wedge(mesh, table), ends)
    table = EdgeTable.of(work.faces, len(work.vertices))
    while len(table.crowded):
        work = _halved(work, table)
        table = EdgeTable.of(work.faces, len(work.vertices))
    return Mended(work, (f"parted {counted(crowded, 'edge')} of three or more faces",))


def _half_edges(table: EdgeTable, edge: int) -> IntArray:
    return table.order[table.first[edge] : table.first[edge] + table.count[edge]]


def _mated_by_wedge(mesh: Mesh, table: EdgeTable) -> IntArray:
    """(3F,) mates, with those about crowded edges paired by the solid between them.

    Turning about an edge, a face that runs against it opens a wedge of solid and one
    that runs along it closes the wedge: they match as brackets do.
    """
    mate = table.mate.copy()
    for e in table.crowded:
        run = _half_edges(table, e)
        a, b = sorted((int(table.start[run[0]]), int(table.end[run[0]])))
        axis = mesh.vertices[b] - mesh.vertices[a]
        axis /= max(float(np.linalg.norm(axis)), 1e-300)
        arm = mesh.vertices[table.end[next_corner(run)]] - mesh.vertices[a]
        arm -= np.outer(arm @ axis, axis)
        # A little is added so that angles just short of nothing are not a whole turn.
        angle = (np.arctan2(np.cross(arm[0], arm) @ axis, arm @ arm[0]) + 1e-8) % (2 * np.pi)
        closes = table.start[run] == a
        # Faces at the same angle: close one wedge before the next is opened.
        turn = np.lexsort((~closes, np.round(angle, 7)))
        waiting: list[int] = []
        for i in np.tile(turn, 2):
            h = int(run[i])
            if mate[h] >= 0 or h in waiting:
                continue
            if not closes[i]:
                waiting.append(h)
            elif waiting:
                g = waiting.pop()
                mate[h], mate[g] = g, h
    return mate


def _split_fans(mesh: Mesh, start: IntArray, mate: IntArray, chosen: BoolArray) -> Mesh:
    """A vertex for every fan of faces about the chosen vertices (V,) bool."""
    corner = np.flatnonzero(chosen[start])
    _, first, which = np.unique(
        fan_of_corner(start, mate)[corner], return_index=True, return_inverse=True
    )
    owner = start[corner[first]]
    order = np.argsort(owner, kind="stable")
    extra = order[1:][owner[order[1:]] == owner[order[:-1]]]
    vertex = owner.copy()
    vertex[extra] = len(mesh.vertices) + np.arange(len(extra))
    faces = mesh.faces.copy()
    faces.ravel()[corner] = vertex[which]
    return Mesh(np.concatenate([mesh.vertices, mesh.vertices[owner[extra]]]), faces, mesh.tag)


def _halved(mesh: Mesh, table: EdgeTable) -> Mesh:
    """Crowded edges that share no face, cut in half with a middle for each pair of faces."""
    mate = _mated_by_wedge(mesh, table)
    faces, tags = mesh.faces.tolist(), mesh.tag.tolist()
    middles: list[FloatArray] = []
    touched: set[int] = set()
    for e in table.crowded:
        run = _half_edges(table, e)
        if touched.intersection((run // 3).tolist()):
            continue
        touched.update((run // 3).tolist())
        middle = mesh.vertices[[table.start[run[0]], table.end[run[0]]]].mean(axis=0)
        for h in run[(mate[run] < 0) | (mate[run] > run)].tolist():
            m = len(mesh.vertices) + len(middles)
            middles.append(middle)
            for x in (h, int(mate[h])):
                if x >= 0:
                    a, b, c = np.roll(mesh.faces[x // 3], -(x % 3)).tolist()
                    faces[x // 3] = [a, m, c]
                    faces.append([m, b, c])
                    tags.append(tags[x // 3])
    return Mesh(
        np.concatenate([mesh.vertices, np.array(middles)]),
        np.array(faces, dtype=np.int32),
        np.array(tags, dtype=np.int32),
    )


def _close(mesh: Mesh, table: EdgeTable, max_hole: float | None) -> Mended:
    """Fill the holes, except those of sheets, which would still enclose nothing."""
    if len(table.open) == 0:
        return Mended(mesh)
    rims, astray = _rims(table.end[table.open].tolist(), table.start[table.open].tolist())
    left: tuple[str, ...] = ()
    if astray:
        left += (
            f"{counted(astray, 'open edge')} near {at(mesh.vertices[table.start[table.open[0]]])} "
            "could not be closed because they do not run round a hole",
        )
    short: list[Rim] = []
    for rim in rims:
        around = _length(mesh.vertices[rim])
        if max_hole is None or around <= max_hole:
            short.append(rim)
        else:
            left += (
                f"a hole of {len(rim)} edges around {at(mesh.vertices[rim].mean(axis=0))} was "
                f"left open because its rim of {around:.2f} mm is longer than {max_hole:.2f} mm",
            )
    about = _Surroundings.of(mesh, table)
    patches = [(nest, _filling(about, nest)) for nest in _nested(mesh.vertices, short)]
    return _without_sheets(mesh, np.array(about.hubs).reshape(-1, 3), patches, left)


@dataclass(frozen=True, eq=False)
class _Surroundings:
    """What is about the holes while they are being filled.

    vertices : (V, 3) mm. taken : edges between rim vertices, lesser vertex first.
    beside : unit normal of the face beyond each open edge, as the filling runs along it.
    hubs : vertices added so far.
    """

    vertices: FloatArray
    taken: set[Edge]
    beside: dict[Edge, FloatArray]
    hubs: list[FloatArray]

    @staticmethod
    def of(mesh: Mesh, table: EdgeTable) -> _Surroundings:
        a, b = table.end[table.open], table.start[table.open]
        on_rim = np.zeros(len(mesh.vertices), dtype=bool)
        on_rim[a] = on_rim[b] = True
        ends = np.sort(np.stack([table.start, table.end])[:, on_rim[table.start]], axis=0)
        taken = set(zip(*ends[:, on_rim[ends].all(axis=0)].tolist(), strict=True))
        normals = _unit(mesh.face_vectors[table.open // 3])
        edges = zip(a.tolist(), b.tolist(), strict=True)
        return _Surroundings(mesh.vertices, taken, dict(zip(edges, normals, strict=True)), [])

    def is_free(self, faces: IntArray) -> bool:
        """Whether no edge within a filling is there already."""
        return self.taken.isdisjoint(_edges_within(faces))


def _without_sheets(
    mesh: Mesh, hubs: FloatArray, patches: list[tuple[list[Rim], IntArray]], left: tuple[str, ...]
) -> Mended:
    """Add the fillings, but not to shells that stay without thickness."""
    if not patches:
        return Mended(mesh, (), left)
    vertices = np.concatenate([mesh.vertices, hubs])
    added = np.concatenate([filling for _, filling in patches])
    patch = np.repeat(np.arange(len(patches)), [len(filling) for _, filling in patches])
    full = Mesh(
        vertices,
        np.concatenate([mesh.faces, added]),
        np.concatenate([mesh.tag, np.full(len(added), SKIN, dtype=np.int32)]),
    )
    shell, count = shells_of(full)
    volume = np.abs(shell_sums(shell, count, full.signed_volumes()))
    area = shell_sums(shell, count, full.areas)
    sheet = 2 * volume < NO_THICKNESS * area**1.5
    sheet &= ~open_shells(EdgeTable.of(full.faces, len(vertices)), shell, count)
    own = shell[: len(mesh.faces)]
    for s in np.unique(shell[len(mesh.faces) :][sheet[shell[len(mesh.faces) :]]]):
        place = at(mesh.vertices[mesh.faces[own == s]].reshape(-1, 3).mean(axis=0))
        left += (
            f"a sheet of {counted(int((own == s).sum()), 'face')} around {place} was left open "
            "because it has no thickness and encloses nothing",
        )
    stays = ~sheet[shell]
    stays[: len(mesh.faces)] = True
    closed = [patches[i][0] for i in np.unique(patch[stays[len(mesh.faces) :]])]
    if not closed:
        return Mended(mesh, (), left)
    rim = max((rims[0] for rims in closed), key=lambda r: _length(mesh.vertices[r]))
    said = (
        f"closed {counted(len(closed), 'hole')}, the largest {_length(mesh.vertices[rim]):.2f} mm "
        f"around at {at(mesh.vertices[rim].mean(axis=0))}"
    )
    return Mended(Mesh(vertices, full.faces[stays], full.tag[stays]), (said,), left)


def _length(rim: FloatArray) -> float:
    return float(np.linalg.norm(rim - np.roll(rim, 1, axis=0), axis=1).sum())


def _rims(begin: list[int], finish: list[int]) -> tuple[list[Rim], int]:
    """Closed walks along edges that pass no vertex twice, and how many edges are in none.

    Where a walk comes back to a vertex it has passed, it has gone round a hole.
    """
    onward: dict[int, list[int]] = defaultdict(list)
    for a, b in zip(begin, finish, strict=True):
        onward[a].append(b)
    rims: list[Rim] = []
    astray = 0
    for first in begin:
        path, place = [first], {first: 0}
        while onward[path[-1]]:
            v = onward[path[-1]].pop()
            if v not in place:
                place[v] = len(path)
                path.append(v)
                continue
            rims.append(path[place[v] :])
            for passed in path[place[v] + 1 :]:
                del place[passed]
            del path[place[v] + 1 :]
        astray += len(path) - 1
    return rims, astray


@dataclass(frozen=True, eq=False)
class _Plane:
    """A flat rim's centre (3,) mm, unit normal (3,), area mm² and allowed stray mm."""

    centre: FloatArray
    normal: FloatArray
    area: float
    stray: float


def _plane(rim: FloatArray) -> _Plane | None:
    """The plane of a rim (N, 3) by Newell's method, or None if it is not flat."""
    centre = rim.mean(axis=0)
    arm = rim - centre
    normal = 0.5 * np.cross(arm, np.roll(arm, -1, axis=0)).sum(axis=0)
    area, extent = float(np.linalg.norm(normal)), float(np.linalg.norm(np.ptp(rim, axis=0)))
    if area <= 1e-9 * extent**2:
        return None
    normal /= area
    stray = FLAT_RIM * extent
    return _Plane(centre, normal, area, stray) if np.abs(arm @ normal).max() <= stray else None


def _nested(vertices: FloatArray, rims: list[Rim]) -> list[list[Rim]]:
    """Rims to fill together: a flat rim and the flat rims in it that run the other way.

    That is how the open foot of a hollow figure looks: skin outside, hollow inside.
    """
    # Rims of three edges are many in a torn mesh, and never the foot of a figure.
    planes = [_plane(vertices[rim]) if len(rim) > 3 else None for rim in rims]
    flat = [(plane, rim) for plane, rim in zip(planes, rims, strict=True) if plane is not None]
    flat.sort(key=lambda pair: -pair[0].area)
    nests = [[rim] for plane, rim in zip(planes, rims, strict=True) if plane is None]
    normals = np.array([plane.normal for plane, _ in flat]).reshape(-1, 3)
    centres = np.array([plane.centre for plane, _ in flat]).reshape(-1, 3)
    heads: dict[int, list[Rim]] = {}
    for j, (plane, rim) in enumerate(flat):
        level = np.abs(((centres - plane.centre) * normals).sum(axis=1)) <= plane.stray
        facing = np.flatnonzero(level & (normals @ plane.normal < -0.999))
        # The last one that is larger is the closest around it.
        around = [
            i
            for i in facing.tolist()
            if i < j and i in heads and _encloses(flat[i][0], vertices[flat[i][1]], vertices[rim])
        ]
        if around:
            heads[around[-1]].append(rim)
        else:
            heads[j] = [rim]
    return nests + list(heads.values())


def _encloses(plane: _Plane, outline: FloatArray, rim: FloatArray) -> bool:
    """Whether every vertex of `rim` lies inside the flat `outline`, by counting crossings."""
    frame = Frame.on_plane(plane.centre, plane.normal)
    a, q = frame.to_plane(outline), frame.to_plane(rim)[:, None]
    b = np.roll(a, -1, axis=0)
    spans = (a[:, 1] > q[..., 1]) != (b[:, 1] > q[..., 1])
    rise = np.where(b[:, 1] == a[:, 1], 1.0, b[:, 1] - a[:, 1])
    x = a[:, 0] + (q[..., 1] - a[:, 1]) * (b[:, 0] - a[:, 0]) / rise
    return bool(((spans & (x > q[..., 0])).sum(axis=1) % 2 == 1).all())


def _filling(about: _Surroundings, nest: list[Rim]) -> IntArray:
    """(T, 3) faces that close a nest of rims.

    A flat nest is triangulated in its plane, others get the filling that bends least.
    Where neither goes without doubling an edge that is there already, the rim is
    joined to a new vertex in its middle.
    """
    rim = nest[0]
    if len(nest) == 1 and len(rim) == 3:
        return np.array([rim], dtype=np.int32)
    plane = _plane(about.vertices[rim])
    filling = None if plane is None else _flat_filling(about.vertices, nest, plane)
    if filling is None or not about.is_free(filling):
        if len(nest) > 1:
            return np.concatenate([_filling(about, [one]) for one in nest])
        filling = _curved_filling(about, rim)
    if filling is None or not about.is_free(filling):
        hub = np.full(len(rim), len(about.vertices) + len(about.hubs))
        about.hubs.append(about.vertices[rim].mean(axis=0))
        filling = np.stack([hub, rim, np.roll(rim, -1)], axis=1).astype(np.int32)
    about.taken.update(_edges_within(filling))
    return filling


def _edges_within(faces: IntArray) -> list[Edge]:
    """Edges that two or more of `faces` (T, 3) share."""
    sides = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    edges, count = np.unique(sides, axis=0, return_counts=True)
    return [(a, b) for a, b in edges[count > 1].tolist()]


def _flat_filling(vertices: FloatArray, nest: list[Rim], plane: _Plane) -> IntArray | None:
    """(T, 3) faces over flat rims, the outer first; None where the rims cross themselves."""
    frame = Frame.on_plane(plane.centre, plane.normal)
    outlines = [frame.to_plane(vertices[rim]) for rim in nest]
    faces = np.asarray(manifold3d.triangulate(outlines)).reshape(-1, 3)
    points, ids = np.concatenate(outlines), np.concatenate(nest)
    a, b, c = (points[faces[:, i]] for i in range(3))
    areas = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    whole = sum(
        0.5 * float((q[:, 0] * np.roll(q[:, 1], -1) - q[:, 1] * np.roll(q[:, 0], -1)).sum())
        for q in outlines
    )
    if len(faces) != len(ids) + 2 * len(nest) - 4 or areas.min() < -1e-9 * whole:
        return None
    return ids[faces].astype(np.int32) if abs(areas.sum() - whole) <= 1e-6 * whole else None


def _curved_filling(about: _Surroundings, rim: Rim) -> IntArray | None:
    """(T, 3) faces that bend least over a rim in space; None where no filling is free.

    By dynamic programming over the rim's chords: Barequet & Sharir, "Filling gaps in
    the boundary of a polyhedron", Computer Aided Geometric Design 12 (1995), with the
    weights of Liepa, "Filling holes in meshes", Symposium on Geometry Processing 2003:
    the sharpest fold first, then the area. Area alone folds fillings back onto the
    faces about the hole. Long rims first lose their shortest ears, as a front advances.
    """
    ring, ears, vertices = list(rim), [], about.vertices
    beside = {edge: about.beside[edge] for edge in zip(rim, rim[1:] + rim[:1], strict=True)}

    def barred(a: int, b: int) -> bool:
        return (min(a, b), max(a, b)) in about.taken or (b, a) in beside or (a, b) in beside

    while len(ring) > LONG_RIM:
        p = vertices[ring]
        chord = np.linalg.norm(np.roll(p, 1, axis=0) - np.roll(p, -1, axis=0), axis=1)
        for i in np.argsort(chord, kind="stable").tolist():
            a, b = ring[i - 1], ring[(i + 1) % len(ring)]
            if not barred(a, b):
                break
        else:
            return None
        ears.append([a, ring[i], b])
        beside[a, b] = _unit(np.cross(p[i] - vertices[a], vertices[b] - vertices[a]))
        del ring[i]
    edges = zip(ring, ring[1:] + ring[:1], strict=True)
    core = _least_bent(
        vertices[ring],
        np.array([[barred(a, b) for b in ring] for a in ring]),
        np.array([beside[edge] for edge in edges]),
    )
    return None if core is None else np.array(ears + np.array(ring)[core].tolist(), dtype=np.int32)


def _unit(vectors: FloatArray) -> FloatArray:
    """Vectors (..., 3) at length 1; those of no length stay so."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(vectors / np.where(length > 0, length, 1.0))


def _least_bent(p: FloatArray, barred: BoolArray, beside: FloatArray) -> IntArray | None:
    """(N - 2, 3) triangulation of a closed line (N, 3) without the barred chords (N, N).

    beside : (N, 3) unit normal of the face on the other side of each edge of the line.
    """
    n = len(p)
    fold, area = np.zeros((n, n)), np.zeros((n, n))
    normal = np.zeros((n, n, 3))
    normal[np.arange(n - 1), np.arange(1, n)] = beside[:-1]
    apex = np.zeros((n, n), dtype=np.int32)
    for gap in range(2, n):
        i = np.arange(n - gap)
        j, k = i + gap, i[:, None] + np.arange(1, gap)
        near, far = (i[:, None], k), (k, j[:, None])
        across = np.cross(p[k] - p[i][:, None], (p[j] - p[i])[:, None])
        own = _unit(across)
        # One less the cosine between normals: 0 is flat on, 2 is folded back.
        bends = [1 - np.einsum("ikx,ikx->ik", own, normal[side]) for side in (near, far)]
        if gap == n - 1:
            bends.append(1 - own @ beside[-1])
        folds = np.max([*bends, fold[near], fold[far]], axis=0)
        areas = area[near] + area[far] + 0.5 * np.linalg.norm(across, axis=2)
        sharp = folds > folds.min(axis=1, keepdims=True) + 1e-9
        best = np.argmin(np.where(sharp, np.inf, areas), axis=1)
        row = np.arange(len(i))
        apex[i, j], normal[i, j] = k[row, best], own[row, best]
        fold[i, j], area[i, j] = folds[row, best], areas[row, best]
        if gap < n - 1:
            fold[i, j] = np.where(barred[i, j], np.inf, fold[i, j])
    if not np.isfinite(fold[0, n - 1]):
        return None
    faces, todo = [], [(0, n - 1)]
    while todo:
        a, b = todo.pop()
        if b - a > 1:
            m = int(apex[a, b])
            faces.append((a, m, b))
            todo += [(a, m), (m, b)]
    return np.array(faces, dtype=np.int32)


def _turn_flat(mesh: Mesh, table: EdgeTable, height: float) -> Mended:
    """Turn the longest edge of faces of no area, so that their neighbour takes them in.

    A corner that lies on a neighbour's edge (a T-junction) so becomes a proper corner
    of it. Needles, with two corners in one place, do no harm and stay.
    """
    flat = flat_faces(mesh, height)
    if len(flat) == 0:
        return Mended(mesh)
    near = np.zeros(len(mesh.vertices), dtype=bool)
    near[mesh.faces[flat].ravel()] = True
    local = np.flatnonzero(near[mesh.faces].any(axis=1))
    owner: dict[Edge, int] = {}
    for f, (a, b, c) in zip(local.tolist(), mesh.faces[local].tolist(), strict=True):
        owner.update({(a, b): f, (b, c): f, (c, a): f})
    faces, tag = mesh.faces.copy(), mesh.tag.copy()
    waiting, turned = set(flat.tolist()), 0
    before = -1
    while turned != before:
        before = turned
        for f in sorted(waiting):
            g = _turn_edge(mesh.vertices, faces, owner, f, waiting=waiting, height=height)
            if g >= 0:
                tag[f] = tag[g]
                waiting.discard(f)
                turned += 1
    if turned == 0:
        return Mended(mesh)
    said = f"turned the long edge of {counted(turned, 'face')} of no area"
    return Mended(Mesh(mesh.vertices, faces, tag), (said,))


def _turn_edge(
    vertices: FloatArray,
    faces: IntArray,
    owner: dict[Edge, int],
    f: int,
    *,
    waiting: set[int],
    height: float,
) -> int:
    """Turn the longest edge of face f, in place; its neighbour there, or -1 if not turned."""
    p = vertices[faces[f]]
    lengths = np.linalg.norm(p - np.roll(p, -1, axis=0), axis=1)
    a, b, c = np.roll(faces[f], -int(np.argmax(lengths))).tolist()
    g = owner.get((b, a), -1)
    if g < 0 or g in waiting or owner.get((a, b)) != f or lengths.min() <= height:
        return -1
    d = next(v for v in faces[g].tolist() if v not in (a, b))
    if d == c or (c, d) in owner or (d, c) in owner:
        return -1
    pa, pb, pc, pd = vertices[[a, b, c, d]]
    facing = np.cross(pa - pb, pd - pb)
    for q in ((pa, pd, pc), (pd, pb, pc)):
        normal = np.cross(q[1] - q[0], q[2] - q[0])
        longest = max(float(np.linalg.norm(q[i] - q[i - 1])) for i in range(3))
        if normal @ facing <= 0 or float(np.linalg.norm(normal)) <= height * longest:
            return -1
    faces[f], faces[g] = (a, d, c), (d, b, c)
    del owner[a, b], owner[b, a]
    owner.update({(a, d): f, (d, c): f, (c, a): f, (d, b): g, (b, c): g, (c, d): g})
    return g


def _part_vertices(mesh: Mesh, table: EdgeTable) -> Mended:
    """A vertex for each fan where surfaces meet only at a point, away from open edges."""
    pinched = pinched_vertices(table, len(mesh.vertices))
    unpaired = np.flatnonzero(table.mate < 0)
    pinched[table.start[unpaired]] = pinched[table.end[unpaired]] = False
    if not pinched.any():
        return Mended(mesh)
    count = counted(int(pinched.sum()), "vertex", "vertices")
    said = f"parted {count} where surfaces met only at a point"
    return Mended(_split_fans(mesh, table.start, table.mate, pinched), (said,))


def _turn_shells(mesh: Mesh, table: EdgeTable) -> Mended:
    """Make closed shells face outward, except cavities.

    A shell in another's solid is a cavity if it runs opposite to that one in the
    source, and otherwise a solid in a solid; a shell in a cavity is a solid.
    """
    shell, count = shells_of(mesh)
    volumes = shell_sums(shell, count, mesh.signed_volumes())
    closed = ~open_shells(table, shell, count)
    if not (closed & (volumes < 0)).any():
        return Mended(mesh)
    inside = containers(mesh, shell, volumes)
    outward = np.ones(count, dtype=bool)
    for s in np.argsort(-np.abs(volumes), kind="stable").tolist():
        around = int(inside[s])
        if around >= 0 and outward[around]:
            outward[s] = (volumes[s] > 0) == (volumes[around] > 0)
    turned = closed & (volumes != 0) & (outward != (volumes > 0))
    if not turned.any():
        return Mended(mesh)
    said = f"turned {counted(int(turned.sum()), 'shell')} right side out"
    return Mended(_with_turned(mesh, turned[shell]), (said,))


def _unite(mesh: Mesh, table: EdgeTable) -> Mended:
    """Make closed shells that overlap one; what does not overlap keeps its arrays."""
    shell, count = shells_of(mesh)
    if count < 2:
        return Mended(mesh)
    volumes = shell_sums(shell, count, mesh.signed_volumes())
    whole = np.flatnonzero(~open_shells(table, shell, count))
    pairs = whole[box_pairs(shell_boxes(mesh, shell, count)[whole])]
    links = (np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1]))
    cluster = connected_components(coo_matrix(links, shape=(count, count)).tocsr(), False)[1]
    solid = np.bincount(cluster, volumes > 0, minlength=count)
    crowds = np.flatnonzero(solid > 1)
    if len(crowds) == 0:
        return Mended(mesh)
    inside = containers(mesh, shell, volumes) if (volumes < 0).any() else np.full(count, -1)
    order = counting_order(shell, count)
    first = np.searchsorted(shell[order], np.arange(count + 1))
    keep = np.ones(len(mesh.faces), dtype=bool)
    united: list[Mesh] = []
    before, after = 0, 0
    left: tuple[str, ...] = ()
    for crowd in crowds:
        members = np.flatnonzero(cluster == crowd)
        bodies = [
            np.flatnonzero((np.arange(count) == s) | ((inside == s) & (volumes < 0)))
            for s in members[volumes[members] > 0]
        ]
        parts = [np.concatenate([order[first[k] : first[k + 1]] for k in b]) for b in bodies]
        union, trouble = _union(mesh, parts)
        if trouble:
            place = at(mesh.vertices[mesh.faces[parts[0][0], 0]])
            left += (f"{len(bodies)} shells about {place} could not be united: {trouble}",)
        if union is not None:
            keep[np.concatenate(parts)] = False
            united.append(union)
            before, after = before + sum(map(len, bodies)), after + shells_of(union)[1]
    if not united:
        return Mended(mesh, (), left)
    said = f"united {before} overlapping shells into {after}"
    return Mended(joined([mesh.subset(keep), *united]), (said,), left)


def _union(mesh: Mesh, parts: list[IntArray]) -> tuple[Mesh | None, str]:
    """The union of solids given by their faces, or None if nothing overlaps, or trouble.

    Every face has an id of its own, which stops the kernel from merging the faces of
    flat places and gives each new face the tag of the one it lies in.
    """
    solids = []
    for faces in parts:
        used, corners = np.unique(mesh.faces[faces], return_inverse=True)
        solid = manifold3d.Manifold(
            manifold3d.Mesh64(
                mesh.vertices[used],
                corners.reshape(-1, 3).astype(np.uint64),
                face_id=faces.astype(np.uint64),
            )
        )
        if solid.status() != manifold3d.Error.NoError:
            return None, f"one of them is no solid ({solid.status().name})"
        solids.append(solid)
    union = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    if union.status() != manifold3d.Error.NoError or union.is_empty():
        return None, f"the union failed ({union.status().name})"
    volume = sum(s.volume() for s in solids)
    if union.num_tri() == sum(s.num_tri() for s in solids) and np.isclose(
        union.volume(), volume, rtol=1e-9, atol=0
    ):
        return None, ""
    result = union.to_mesh64()
    return Mesh(
        np.array(result.vert_properties[:, :3], dtype=np.float64),
        np.array(result.tri_verts, dtype=np.int32),
        mesh.tag[np.asarray(result.face_id, dtype=np.int64)],
    ), ""
