"""What is the matter with a figure: counted, placed in mm and said in plain words.

`Mesh` counts edges but does not keep which faces share them. That adjacency is
worked out here, once a call, and mending works from the same table.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components

from seamwright.errors import BadInput
from seamwright.mesh import BoolArray, FloatArray, IntArray, Mesh

Place = tuple[float, float, float]

NO_HEIGHT = 1e-7
"""A face lower than this share of the figure's diagonal has no area: files in
single precision cannot tell less."""


def at(point: npt.ArrayLike) -> str:
    """A point (3,) in mm as it stands in a sentence."""
    x, y, z = np.asarray(point, dtype=np.float64) + 0.0
    return f"({x:.2f}, {y:.2f}, {z:.2f}) mm"


def counted(n: int, noun: str, plural: str | None = None) -> str:
    """A number and its noun as they stand in a sentence: "1 hole", "12,000 holes"."""
    return f"{n:,} {noun if n == 1 else plural or noun + 's'}"


def next_corner(corner: IntArray) -> IntArray:
    """(N,) the corner after each in its own face; corner 3 f + i is corner i of face f."""
    return np.asarray(corner + 1 - 3 * (corner % 3 == 2), dtype=np.int32)


@dataclass(frozen=True, eq=False)
class EdgeTable:
    """Which half-edges share an edge. Half-edge 3 f + i leaves corner i of face f.

    start, end : (3F,) vertices each half-edge runs between.
    order : (3F,) half-edges, those on the same edge next to one another.
    first, count : (E,) where each edge's run begins in `order`, and its length.
    mate : (3F,) the other half-edge where an edge has exactly two faces, else -1.
    same_way : (K,) one half-edge of each edge whose two faces run the same way.
    """

    start: IntArray
    end: IntArray
    order: IntArray
    first: IntArray
    count: IntArray
    mate: IntArray
    same_way: IntArray

    @staticmethod
    def of(faces: IntArray, vertex_count: int) -> EdgeTable:
        """Pair up the half-edges of `faces` (F, 3); no face may name a vertex twice."""
        start = faces.ravel()
        end = faces[:, [1, 2, 0]].ravel()
        low, high = np.minimum(start, end), np.maximum(start, end)
        order = counting_order(high, vertex_count)
        order = order[counting_order(low[order], vertex_count)]
        low, high = low[order], high[order]
        new = np.ones(len(order), dtype=bool)
        new[1:] = (low[1:] != low[:-1]) | (high[1:] != high[:-1])
        first = np.flatnonzero(new).astype(np.int32)
        count = np.diff(first, append=np.int32(len(order)))
        pair = first[count == 2]
        here, there = order[pair], order[pair + 1]
        mate = np.full(len(order), -1, dtype=np.int32)
        mate[here], mate[there] = there, here
        same_way = here[start[here] == start[there]]
        return EdgeTable(start, end, order, first, count, mate, same_way)

    @property
    def open(self) -> IntArray:
        """(K,) half-edges of edges that have one face only: the rims of holes."""
        return np.asarray(self.order[self.first[self.count == 1]])

    @property
    def crowded(self) -> IntArray:
        """(K,) edges of three faces or more, as indices into `first`."""
        return np.flatnonzero(self.count > 2).astype(np.int32)

    @property
    def is_whole(self) -> bool:
        """Whether every edge has two faces that run opposite ways."""
        return bool((self.count == 2).all()) and len(self.same_way) == 0


def counting_order(keys: IntArray, top: int) -> IntArray:
    """(N,) the stable order that sorts `keys`, whole numbers from 0 to top - 1.

    Turning a sparse matrix of one entry a row from rows to columns is a counting
    sort: a third of the time of a comparison sort on millions of half-edges.
    """
    rows = np.arange(len(keys) + 1, dtype=np.int32)
    entries = np.zeros(len(keys), dtype=np.int8)
    return np.asarray(csr_matrix((entries, keys, rows), shape=(len(keys), top)).tocsc().indices)


def fan_of_corner(start: IntArray, mate: IntArray) -> IntArray:
    """(3F,) label of each corner's fan: the faces about a vertex joined edge to edge.

    start, mate : (3F,) as in `EdgeTable`; `mate` may pair what the table does not.
    """
    h = np.flatnonzero(mate >= 0).astype(np.int32)
    g = mate[h]
    alike = start[h] == start[g]
    rows = np.concatenate([h, next_corner(h[alike])])
    columns = np.concatenate([np.where(alike, g, next_corner(g)), next_corner(g[alike])])
    links = (np.ones(len(rows), dtype=np.int8), (rows, columns))
    graph = coo_matrix(links, shape=(len(mate), len(mate))).tocsr()
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int32)


def pinched_vertices(table: EdgeTable, vertex_count: int) -> BoolArray:
    """(V,) vertices where two or more fans of faces meet only at a point."""
    if table.is_whole and _one_fan_everywhere(table, vertex_count):
        return np.zeros(vertex_count, dtype=bool)
    fan = fan_of_corner(table.start, table.mate)
    owner = np.zeros(int(fan.max(initial=-1)) + 1, dtype=np.int32)
    owner[fan] = table.start
    return np.asarray(np.bincount(owner, minlength=vertex_count) > 1)


def _one_fan_everywhere(table: EdgeTable, vertex_count: int) -> bool:
    """Walk once about every vertex of a whole mesh: does that visit every corner?"""
    onward = next_corner(table.mate)
    home = np.full(vertex_count, -1, dtype=np.int32)
    home[table.start] = np.arange(len(table.start), dtype=np.int32)
    home = home[home >= 0]
    here, visited = onward[home], 0
    while len(here):
        visited += len(here)
        away = here != home
        here, home = onward[here[away]], home[away]
    return visited == len(table.start)


def turned_faces(table: EdgeTable) -> tuple[BoolArray, BoolArray]:
    """Which faces run against most of their neighbours, and which have no two sides.

    Every face stands twice in a graph, as it is and turned over; faces joined by
    an edge are linked in the way that makes them agree. The smaller part of each
    surface is the part to turn. Where both stands of a face come out linked, the
    surface is one-sided.

    Returns
    -------
    turned, one_sided : (F,) bool
    """
    n = len(table.mate) // 3
    if len(table.same_way) == 0:
        return np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    h = table.order[table.first[table.count == 2]]
    p, q = h // 3, table.mate[h] // 3
    across = np.where(table.start[h] == table.start[table.mate[h]], n, 0)
    rows, columns = np.concatenate([p, p + n]), np.concatenate([q + across, q + n - across])
    graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(2 * n, 2 * n))
    label = connected_components(graph.tocsr(), directed=False)[1]
    kept, over = label[:n], label[n:]
    surface = np.minimum(kept, over)
    in_second = kept > over
    share = np.bincount(surface, in_second) / np.maximum(np.bincount(surface), 1)
    one_sided = np.asarray(kept == over)
    return np.asarray((in_second != (share[surface] > 0.5)) & ~one_sided), one_sided


def same_corner_faces(faces: IntArray) -> tuple[IntArray, IntArray]:
    """Faces that share all three vertices with another: (N,) faces, (N,) group of each."""
    corners = np.sort(faces, axis=1).astype(np.uint64)
    # Faces with the same corners have the same hash, so unique hashes settle it fast.
    weights = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)
    hashed = corners @ weights
    ordered = np.sort(hashed)
    repeated = np.unique(ordered[1:][ordered[1:] == ordered[:-1]])
    found = np.flatnonzero(np.isin(hashed, repeated)) if len(repeated) else np.zeros(0, int)
    _, group, count = np.unique(corners[found], axis=0, return_inverse=True, return_counts=True)
    group = group.ravel()
    real = count[group] > 1
    return found[real].astype(np.int32), group[real].astype(np.int32)


def flat_faces(mesh: Mesh, height: float) -> IntArray:
    """(N,) faces no higher than `height`, mm, over their longest edge."""
    # Twice the area is height times longest edge, and no edge is longer than the box.
    near = np.flatnonzero(mesh.areas <= 0.5 * height * mesh.diagonal)
    p = mesh.vertices[mesh.faces[near]]
    longest = np.linalg.norm(p - p[:, [1, 2, 0]], axis=2).max(axis=1)
    return np.asarray(near[2.0 * mesh.areas[near] <= height * longest], dtype=np.int32)


def shells_of(mesh: Mesh) -> tuple[IntArray, int]:
    """(F,) shell of each face, numbered from 0 without gaps, and how many there are."""
    label = mesh.shell_of_face
    used = np.bincount(label) > 0
    number = np.cumsum(used, dtype=np.int32) - np.int32(1)
    return np.asarray(number[label]), int(used.sum())


def shell_sums(shell: IntArray, count: int, values: FloatArray) -> FloatArray:
    """(count,) sum over each shell of a value (F,) that every face has."""
    return np.asarray(np.bincount(shell, values, minlength=count), dtype=np.float64)


def shell_boxes(mesh: Mesh, shell: IntArray, count: int) -> FloatArray:
    """(count, 2, 3) least and greatest corner of each shell's box, mm."""
    order = counting_order(shell, count)
    first = np.searchsorted(shell[order], np.arange(count))
    p = mesh.vertices[mesh.faces[order]]
    low = np.minimum.reduceat(p.min(axis=1), first, axis=0)
    return np.stack([low, np.maximum.reduceat(p.max(axis=1), first, axis=0)], axis=1)


def box_pairs(boxes: FloatArray) -> IntArray:
    """(P, 2) pairs of boxes (N, 2, 3) that touch or overlap."""
    order = np.argsort(boxes[:, 0, 0], kind="stable")
    low, high = boxes[order, 0], boxes[order, 1]
    reach = np.searchsorted(low[:, 0], high[:, 0], side="right") - np.arange(len(low)) - 1
    i = np.repeat(np.arange(len(low)), reach)
    j = i + 1 + np.arange(len(i)) - np.repeat(np.cumsum(reach) - reach, reach)
    meet = ((low[i] <= high[j]) & (low[j] <= high[i])).all(axis=1)
    return np.asarray(np.stack([order[i[meet]], order[j[meet]]], axis=1), dtype=np.int32)


def containers(mesh: Mesh, shell: IntArray, volumes: FloatArray) -> IntArray:
    """(K,) the smallest shell that each shell lies wholly in, or -1.

    Nine faces speak for each shell. A ray from each of them counts how often it
    leaves every other shell less how often it enters: not zero is inside.

    shell : (F,) shell of each face. volumes : (K,) signed volume of each shell, mm³.
    """
    count, speakers = len(volumes), 9
    # The rays run askew to everything a sculptor lines up, so that none meets an edge.
    skew = np.linalg.qr(np.array([[0.83, 0.41, 0.29], [-0.37, 0.91, 0.17], [0.23, -0.31, 0.89]]))[0]
    p = (mesh.vertices @ skew)[mesh.faces]
    faces_of = np.bincount(shell, minlength=count)
    spread = (faces_of[:, None] * np.arange(speakers)) // speakers
    seed = counting_order(shell, count)[(np.cumsum(faces_of) - faces_of)[:, None] + spread].ravel()
    speaker_of = np.repeat(np.arange(count), speakers)
    seeds = np.array([0.31, 0.27, 0.42]) @ p[seed]
    order = np.argsort(seeds[:, 0], kind="stable")
    low = np.searchsorted(seeds[order, 0], p[:, :, 0].min(axis=1))
    reach = np.searchsorted(seeds[order, 0], p[:, :, 0].max(axis=1), side="right") - low
    face = np.repeat(np.arange(len(p)), reach)
    ray = order[low[face] + np.arange(len(face)) - np.repeat(np.cumsum(reach) - reach, reach)]
    foreign = shell[face] != speaker_of[ray]
    face, ray = face[foreign], ray[foreign]
    corner = p[face] - seeds[ray][:, None]
    after = corner[:, [1, 2, 0]]
    turn = corner[..., 0] * after[..., 1] - corner[..., 1] * after[..., 0]
    area = turn.sum(axis=1)
    hit = np.flatnonzero((turn > 0).all(axis=1) | (turn < 0).all(axis=1))
    # Each turn is the weight of the corner opposite: together they give the height.
    height = np.einsum("ni,ni->n", turn[hit], corner[hit][:, [2, 0, 1], 2]) / area[hit]
    above = hit[height > 0]
    pair, which = np.unique(ray[above] * np.int64(count) + shell[face[above]], return_inverse=True)
    wound = np.bincount(which, np.sign(area[above]), minlength=len(pair)) != 0
    pair = speaker_of[pair[wound] // count] * np.int64(count) + pair[wound] % count
    pair, agreed = np.unique(pair, return_counts=True)
    inner, outer = (pair[agreed == speakers] // count, pair[agreed == speakers] % count)
    result = np.full(count, -1, dtype=np.int32)
    largest_first = np.argsort(-np.abs(volumes[outer]), kind="stable")
    result[inner[largest_first]] = outer[largest_first]
    return result


@dataclass(frozen=True)
class Flaw:
    """How often something is wrong, and where it is first: a point in mm, or None."""

    count: int
    place: Place | None

    @staticmethod
    def of(points: FloatArray) -> Flaw:
        """One flaw for each of `points` (N, 3)."""
        return Flaw(len(points), _place(points[0]) if len(points) else None)


@dataclass(frozen=True, eq=False)
class Holes:
    """Closed rims of open edges, the longest first; rims that touch count as one.

    centres : (K, 3) mm. perimeters : (K,) mm. edges : (K,) open edges of each.
    """

    centres: FloatArray
    perimeters: FloatArray
    edges: IntArray

    @property
    def count(self) -> int:
        """How many there are."""
        return len(self.edges)


@dataclass(frozen=True)
class BuildsOver:
    """How many times over the build volume a figure is, along x, y and z.

    ratios : size over build volume. counts : build volumes in a row that take it.
    """

    ratios: Place
    counts: tuple[int, int, int]

    @property
    def largest(self) -> float:
        """The ratio along the axis where the figure is the furthest over."""
        return max(self.ratios)


@dataclass(frozen=True, eq=False)
class Inspection:
    """What a mesh is and what is wrong with it. Lengths in mm, mm² and mm³.

    shells : connected by shared vertices. cavities : closed shells that face inward
    inside another; inside_out_shells : those that do without being inside one.
    flipped_faces : the smaller part of each surface whose faces do not run alike.
    one_sided_faces : of surfaces that cannot be made to run alike.
    pinched_vertices : where surfaces meet at a point, away from crowded edges.
    duplicate_faces : faces too many on the same three vertices.
    shells_that_may_overlap : outward shells whose boxes meet another's.
    volume : by the divergence theorem; only a closed mesh has one in earnest.
    """

    triangles: int
    vertices: int
    shells: int
    cavities: int
    inside_out_shells: int
    holes: Holes
    non_manifold_edges: Flaw
    pinched_vertices: Flaw
    flipped_faces: Flaw
    one_sided_faces: Flaw
    zero_area_faces: Flaw
    duplicate_faces: Flaw
    isolated_vertices: Flaw
    shells_that_may_overlap: int
    volume: float
    area: float
    size: Place
    builds_over: BuildsOver | None

    @property
    def inward_shells(self) -> int:
        """Closed shells of negative volume: cavities and shells inside out."""
        return self.cavities + self.inside_out_shells

    @property
    def is_sound(self) -> bool:
        """Whether the figure can be parted as it stands: closed, oriented, manifold.

        Faces of no area and loose vertices do no harm, so they do not count here.
        """
        flaws = [self.non_manifold_edges, self.pinched_vertices, self.flipped_faces]
        flaws += [self.one_sided_faces, self.duplicate_faces]
        wrong = self.holes.count + self.inside_out_shells + sum(f.count for f in flaws)
        return wrong == 0

    def lines(self) -> tuple[str, ...]:
        """The findings as plain sentences, what the figure is before what is wrong."""
        x, y, z = self.size
        cavities = f", of them {counted(self.cavities, 'cavity', 'cavities')}"
        said = [
            f"{counted(self.triangles, 'triangle')}, "
            f"{counted(self.vertices, 'vertex', 'vertices')}, "
            f"{counted(self.shells, 'shell')}{cavities if self.cavities else ''}.",
            f"Size {x:.1f} × {y:.1f} × {z:.1f} mm, surface {self.area / 100:,.1f} cm², "
            f"volume {self.volume / 1000:,.1f} cm³.",
        ]
        if self.builds_over is not None:
            over, many = self.builds_over, " × ".join(str(n) for n in self.builds_over.counts)
            axis = "xyz"[over.ratios.index(over.largest)]
            if over.largest <= 1:
                said.append("It fits the build volume as it stands.")
            else:
                said.append(
                    f"It is {over.largest:.2f} times the build volume along {axis}; "
                    f"{many} build volumes would span it."
                )
        if self.holes.count:
            said.append(
                f"{counted(self.holes.count, 'hole')}, the largest "
                f"{self.holes.perimeters[0]:.2f} mm around at {at(self.holes.centres[0])}."
            )
        if self.inside_out_shells:
            said.append(f"{counted(self.inside_out_shells, 'shell')} inside out.")
        for flaw, noun, plural in (
            (
                self.non_manifold_edges,
                "edge of three or more faces",
                "edges of three or more faces",
            ),
            (self.pinched_vertices, "vertex pinched to a point", "vertices pinched to a point"),
            (
                self.flipped_faces,
                "face flipped against its neighbours",
                "faces flipped against their neighbours",
            ),
            (self.one_sided_faces, "face of a one-sided surface", "faces of a one-sided surface"),
            (self.duplicate_faces, "duplicate face", "duplicate faces"),
            (self.zero_area_faces, "face of no area", "faces of no area"),
            (self.isolated_vertices, "loose vertex", "loose vertices"),
        ):
            if flaw.place is not None:
                where = "at" if flaw.count == 1 else "the first at"
                said.append(f"{counted(flaw.count, noun, plural)}, {where} {at(flaw.place)}.")
        if self.shells_that_may_overlap:
            said.append(
                f"{self.shells_that_may_overlap:,} shells lie so close that they may overlap."
            )
        said.append(
            "Sound: closed, and every face looks outward."
            if self.is_sound
            else "Not sound: mend it before parting it."
        )
        return tuple(said)


def _place(point: npt.ArrayLike) -> Place:
    x, y, z = np.asarray(point, dtype=np.float64).tolist()
    return (x, y, z)


def find_holes(vertices: FloatArray, table: EdgeTable) -> Holes:
    """The rims of open edges, the longest first."""
    start, end = table.start[table.open], table.end[table.open]
    node, ends = np.unique(np.concatenate([start, end]), return_inverse=True)
    ends = ends.reshape(2, -1)
    links = (np.ones(len(start), dtype=np.int8), (ends[0], ends[1]))
    graph = coo_matrix(links, shape=(len(node), len(node))).tocsr()
    rim = connected_components(graph, directed=False)[1][ends[0]] if len(node) else ends[0]
    length = np.linalg.norm(vertices[start] - vertices[end], axis=1)
    middle = 0.5 * (vertices[start] + vertices[end])
    edges, perimeters = np.bincount(rim), shell_sums(rim, int(rim.max(initial=-1)) + 1, length)
    # Rims of no length still have a middle: weigh their edges alike.
    weight = np.where(perimeters[rim] > 0, length, 1.0)
    total = np.bincount(rim, weight)
    centres = np.stack([np.bincount(rim, weight * m) for m in middle.T], axis=1) / total[:, None]
    order = np.argsort(-perimeters, kind="stable")
    return Holes(centres[order], perimeters[order], edges[order].astype(np.int32))


def open_shells(table: EdgeTable, shell: IntArray, count: int) -> BoolArray:
    """(count,) shells with an edge that is not shared by two opposite faces."""
    bad = np.concatenate([np.flatnonzero(table.mate < 0), table.same_way]) // 3
    return np.asarray(np.bincount(shell[bad], minlength=count) > 0)


def _inward_shells(mesh: Mesh, proper: BoolArray, table: EdgeTable) -> tuple[int, int, int, int]:
    """How many shells, cavities, shells inside out, and outward shells that may overlap."""
    shell, count = shells_of(mesh)
    volumes = shell_sums(shell, count, mesh.signed_volumes())
    inward = (volumes < 0) & ~open_shells(table, shell[proper], count)
    cavities = 0
    if inward.any() and count > 1:
        inside = containers(mesh, shell, volumes)
        cavities = int((inward & (inside >= 0) & (volumes[inside] > 0)).sum())
    meeting = 0
    if count > 1:
        outward = np.flatnonzero(~inward)
        meeting = len(np.unique(box_pairs(shell_boxes(mesh, shell, count)[outward])))
    return count, cavities, int(inward.sum()) - cavities, meeting


def _builds_over(size: FloatArray, build_volume: npt.ArrayLike | None) -> BuildsOver | None:
    if build_volume is None:
        return None
    room = np.asarray(build_volume, dtype=np.float64)
    if room.shape != (3,) or not np.isfinite(room).all() or room.min() <= 0:
        raise BadInput(f"Build volume {build_volume!r} must be three lengths above 0 mm.")
    ratios = _place(size / room)
    # A figure that fills the build volume to the last digit still fits it.
    x, y, z = (max(1, ceil(r - 1e-9)) for r in ratios)
    return BuildsOver(ratios, (x, y, z))


def inspect(mesh: Mesh, build_volume: npt.ArrayLike | None = None) -> Inspection:
    """Everything that is wrong with a figure, and how large it is.

    Parameters
    ----------
    mesh : Mesh
        The figure at its true size.
    build_volume : (3,) mm, optional
        What to measure the figure against: a printer profile's `usable`.

    Raises
    ------
    BadInput
        If the mesh has no faces or the build volume is not three lengths.
    """
    if len(mesh.faces) == 0:
        raise BadInput("The figure has no faces to inspect; choose an object with a surface.")
    faces, vertices = mesh.faces, mesh.vertices
    a, b, c = faces.T
    proper = (a != b) & (b != c) & (c != a)
    faces = faces if proper.all() else faces[proper]
    table = EdgeTable.of(faces, len(vertices))
    middles = vertices[faces].mean(axis=1) if len(table.same_way) else vertices[:0]
    turned, one_sided = turned_faces(table)
    crowded = table.order[table.first[table.crowded]]
    pinched = pinched_vertices(table, len(vertices))
    pinched[table.start[crowded]] = pinched[table.end[crowded]] = False
    doubled, group = same_corner_faces(faces)
    spare = np.setdiff1d(np.arange(len(group)), np.unique(group, return_index=True)[1])
    used = np.zeros(len(vertices), dtype=bool)
    used[mesh.faces.ravel()] = True
    shells, cavities, inside_out, meeting = _inward_shells(mesh, proper, table)
    flat = flat_faces(mesh, NO_HEIGHT * mesh.diagonal)
    return Inspection(
        triangles=len(mesh.faces),
        vertices=len(vertices),
        shells=shells,
        cavities=cavities,
        inside_out_shells=inside_out,
        holes=find_holes(vertices, table),
        non_manifold_edges=Flaw.of(
            0.5 * (vertices[table.start[crowded]] + vertices[table.end[crowded]])
        ),
        pinched_vertices=Flaw.of(vertices[pinched]),
        flipped_faces=Flaw.of(middles[turned] if turned.any() else vertices[:0]),
        one_sided_faces=Flaw.of(middles[one_sided] if one_sided.any() else vertices[:0]),
        zero_area_faces=Flaw.of(vertices[mesh.faces[flat]].mean(axis=1)),
        duplicate_faces=Flaw.of(vertices[faces[doubled[spare]]].mean(axis=1)),
        isolated_vertices=Flaw.of(vertices[~used]),
        shells_that_may_overlap=meeting,
        volume=mesh.volume,
        area=float(mesh.areas.sum()),
        size=_place(mesh.size),
        builds_over=_builds_over(mesh.size, build_volume),
    )
