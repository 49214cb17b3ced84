"""Makes a figure closed, manifold and one solid, and says in sentences what it did.

What is sound is left as it is: no remeshing, no smoothing, and a sound figure comes
back as the very arrays it came in. Surfaces that cross themselves within one shell
are not mended here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import islice
from math import isfinite

import manifold3d
import numpy as np
from scipy.spatial import cKDTree

from seamwright.adjacency import (
    EdgeTable,
    counting_order,
    half_edges,
    halved,
    linked,
    mated_by_wedge,
    open_shells,
    pinched_vertices,
    split_fans,
    turned_faces,
)
from seamwright.errors import BadInput, Progress
from seamwright.figure import welded
from seamwright.filling import Edge, Rim, Surroundings, filling_of, nested, rims_of
from seamwright.inspection import (
    NO_HEIGHT,
    at,
    box_pairs,
    containers,
    counted,
    flat_faces,
    same_corner_faces,
    shell_boxes,
    shell_sums,
    shells_of,
)
from seamwright.mesh import SKIN, BoolArray, FloatArray, IntArray, Mesh, joined

WELD = 1e-6
"""Share of the diagonal within which the vertices of open edges are one."""
NO_THICKNESS = 1e-3
"""A shell thinner than this share of the root of its area is a sheet, not a solid."""


@dataclass(frozen=True, eq=False)
class Mended:
    """A mesh, what was done to it and what was left, each as plain sentences."""

    mesh: Mesh
    done: tuple[str, ...] = ()
    left: tuple[str, ...] = ()


Step = Callable[[Mesh, EdgeTable], Mended]


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
    _require_length(weld_distance, "weld_distance")
    _require_length(max_hole, "max_hole")
    distance = WELD * mesh.diagonal if weld_distance is None else weld_distance
    height = NO_HEIGHT * mesh.diagonal
    steps: list[tuple[str, Step]] = [
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
    used = np.zeros(len(mesh.vertices), dtype=bool)
    used[mesh.faces.ravel()] = True
    loose = int((~used).sum())
    result, table = _through(mesh, steps, progress or (lambda done, what: None))
    done, left = result.done, result.left + _remaining(result.mesh, table, height)
    if loose:
        done += (f"removed {counted(loose, 'loose vertex', 'loose vertices')}",)
    return Mended(result.mesh.compacted(), done, left)


def _through(
    mesh: Mesh, steps: list[tuple[str, Step]], progress: Progress
) -> tuple[Mended, EdgeTable]:
    """Take a mesh through the steps; the edges are paired anew only after a change."""
    result = _drop_collapsed(mesh)
    work, done, left = result.mesh, result.done, result.left
    table = EdgeTable.of(work.faces, len(work.vertices))
    for number, (what, step) in enumerate(steps):
        progress(number / len(steps), what)
        if len(work.faces) == 0:
            break
        result = step(work, table)
        done, left = done + result.done, left + result.left
        if result.mesh is not work:
            work = result.mesh
            table = EdgeTable.of(work.faces, len(work.vertices))
    progress(1.0, "mended")
    return Mended(work, done, left), table


def _require_length(value: float | None, name: str) -> None:
    if value is not None and not (isfinite(value) and value >= 0):
        raise BadInput(f"{name} is {value}; give a length of 0 mm or more.")


def _remaining(mesh: Mesh, table: EdgeTable, height: float) -> tuple[str, ...]:
    """Edges that are still wrong at the end, and faces of no area, which do no harm."""
    if len(mesh.faces) == 0:
        return ("no faces are left, because none of them enclosed anything",)
    left: tuple[str, ...] = ()
    bad = table.order[table.first[table.count != 2]]
    if len(bad):
        middle = mesh.vertices[[table.start[bad[0]], table.end[bad[0]]]].mean(axis=0)
        left += (f"{counted(len(bad), 'edge')} without two faces, the first at {at(middle)}",)
    flat = flat_faces(mesh, height)
    if len(flat):
        place = at(mesh.vertices[mesh.faces[flat[0]]].mean(axis=0))
        left += (f"{counted(len(flat), 'face')} of no area, harmless, the first at {place}",)
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
    spots, spot = welded(mesh.vertices[rim])
    pairs = cKDTree(spots).query_pairs(distance, output_type="ndarray")
    label = linked(pairs[:, 0], pairs[:, 1], len(spots))[spot]
    _, first, which = np.unique(label, return_index=True, return_inverse=True)
    target = np.arange(len(mesh.vertices), dtype=np.int32)
    target[rim] = rim[first][which]
    gone = len(rim) - len(first)
    if gone == 0:
        return Mended(mesh)
    said = f"welded {counted(gone, 'vertex', 'vertices')} closer than {distance:.3g} mm"
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
    group = np.unique(group, return_inverse=True)[1].astype(np.int32)
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
    meeting = np.bincount(edge_of, minlength=len(others))[edge_of]
    # Groups hang together where no other face meets them.
    on = (others[edge_of[1:]] == 0) & (edge_of[1:] == edge_of[:-1])
    a, b = group_of[1:][on], group_of[:-1][on]
    patch = linked(a, b, len(even))
    vote = np.where(
        others[edge_of] >= 2, 1, np.where((others[edge_of] == 1) | (meeting == 1), -1, 0)
    )
    tally = np.bincount(patch[group_of], vote, minlength=len(even))
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
    run = np.concatenate([half_edges(table, e) for e in table.crowded])
    ends = np.zeros(len(mesh.vertices), dtype=bool)
    ends[table.start[run]] = ends[table.end[run]] = True
    work = split_fans(mesh, table.start, mated_by_wedge(mesh, table), ends)
    table = EdgeTable.of(work.faces, len(work.vertices))
    while len(table.crowded):
        work = halved(work, table)
        table = EdgeTable.of(work.faces, len(work.vertices))
    return Mended(work, (f"parted {counted(crowded, 'edge')} of three or more faces",))


def _close(mesh: Mesh, table: EdgeTable, max_hole: float | None) -> Mended:
    """Fill the holes, except those of sheets, which would still enclose nothing."""
    if len(table.open) == 0:
        return Mended(mesh)
    rims, astray = rims_of(table)
    left: tuple[str, ...] = ()
    if astray:
        left += (
            f"{counted(astray, 'open edge')} near {at(mesh.vertices[table.start[table.open[0]]])} "
            "could not be closed because they do not run round a hole",
        )
    if max_hole is not None:
        lengths = [_length(mesh.vertices[rim]) for rim in rims]
        long = sorted((i for i, x in enumerate(lengths) if x > max_hole), key=lambda i: -lengths[i])
        left += _first_ten(
            f"a hole of {len(rims[i])} edges around {at(mesh.vertices[rims[i]].mean(axis=0))} was "
            f"left open because its rim of {lengths[i]:.2f} mm is longer than {max_hole:.2f} mm"
            for i in long
        )
        rims = [rim for rim, x in zip(rims, lengths, strict=True) if x <= max_hole]
    about = Surroundings.of(mesh, table)
    patches = [(nest, filling_of(about, nest)) for nest in nested(mesh.vertices, rims)]
    return _without_sheets(mesh, np.array(about.hubs).reshape(-1, 3), patches, left)


def _first_ten(said: Iterable[str]) -> tuple[str, ...]:
    """The first sentences of many alike, and how many more there are."""
    rest = iter(said)
    first = tuple(islice(rest, 10))
    more = sum(1 for _ in rest)
    return (*first, f"{more:,} more like it") if more else first


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
    table = EdgeTable.of(full.faces, len(vertices))
    half = np.flatnonzero(table.mate >= 0)
    surface = linked(half // 3, table.mate[half] // 3, len(full.faces))
    count = int(surface.max()) + 1
    volume = np.abs(shell_sums(surface, count, full.signed_volumes()))
    area = shell_sums(surface, count, full.areas)
    sheet = (2 * volume < NO_THICKNESS * area**1.5) & ~open_shells(table, surface, count)
    own, filled = surface[: len(mesh.faces)], surface[len(mesh.faces) :]
    sizes = np.bincount(own, minlength=count)
    middles = [shell_sums(own, count, x) for x in mesh.vertices[mesh.faces].mean(axis=1).T]
    sheets = np.unique(filled[sheet[filled]])
    left += _first_ten(
        f"a sheet of {counted(int(sizes[s]), 'face')} around "
        f"{at([x[s] / sizes[s] for x in middles])} was left open because it has no thickness "
        "and encloses nothing"
        for s in sheets[np.argsort(-sizes[sheets], kind="stable")]
    )
    stays = ~sheet[surface]
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
    return Mended(split_fans(mesh, table.start, table.mate, pinched), (said,))


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
    closed = ~open_shells(table, shell, count)
    whole, cavity = np.flatnonzero(closed), closed & (volumes < 0)
    pairs = whole[box_pairs(shell_boxes(mesh, shell, count)[whole])]
    cluster = linked(pairs[:, 0], pairs[:, 1], count)
    solid = np.bincount(cluster, closed & (volumes > 0), minlength=count)
    crowds = np.flatnonzero(solid > 1)
    if len(crowds) == 0:
        return Mended(mesh)
    inside = containers(mesh, shell, volumes) if cavity.any() else np.full(count, -1)
    order = counting_order(shell, count)
    first = np.searchsorted(shell[order], np.arange(count + 1))
    keep = np.ones(len(mesh.faces), dtype=bool)
    united: list[Mesh] = []
    before, after = 0, 0
    left: tuple[str, ...] = ()
    for crowd in crowds:
        members = np.flatnonzero(cluster == crowd)
        bodies = [
            np.flatnonzero((np.arange(count) == s) | ((inside == s) & cavity))
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
