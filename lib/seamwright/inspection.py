"""What is the matter with a figure: counted, placed in mm and said in plain words.

`Mesh` counts edges but does not keep which faces share them. That adjacency is
worked out here, once a call, and mending works from the same table.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil

import numpy as np
import numpy.typing as npt

from seamwright.adjacency import (
    EdgeTable,
    counting_order,
    linked,
    open_shells,
    pinched_vertices,
    turned_faces,
)
from seamwright.errors import BadInput
from seamwright.mesh import BoolArray, FloatArray, IndexArray, IntArray, Mesh, relabelled

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
    label = relabelled(mesh.shell_of_face)
    return label, int(label.max(initial=-1)) + 1


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


def spans(first: IndexArray, reach: IndexArray) -> Iterator[tuple[IndexArray, IndexArray]]:
    """Every i with first[i], first[i] + 1 ... for reach[i] numbers, a million at a time.

    The blocks keep a mesh of very many shells from filling the memory with pairs.
    """
    total = np.cumsum(reach)
    start = 0
    while start < len(reach):
        before = total[start] - reach[start]
        stop = max(start + 1, int(np.searchsorted(total, before + 2**20, side="right")))
        own = reach[start:stop]
        i = np.repeat(np.arange(start, stop), own)
        yield i, first[i] + np.arange(len(i)) - np.repeat(total[start:stop] - own - before, own)
        start = stop


def box_pairs(boxes: FloatArray) -> IntArray:
    """(P, 2) pairs of boxes (N, 2, 3) that touch or overlap."""
    order = np.argsort(boxes[:, 0, 0], kind="stable")
    low, high = boxes[order, 0], boxes[order, 1]
    after = np.arange(1, len(low) + 1)
    pairs = [np.zeros((0, 2), dtype=np.int32)]
    for i, j in spans(after, np.searchsorted(low[:, 0], high[:, 0], side="right") - after):
        meet = ((low[i] <= high[j]) & (low[j] <= high[i])).all(axis=1)
        pairs.append(order[np.stack([i[meet], j[meet]], axis=1)].astype(np.int32))
    return np.concatenate(pairs)


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
    ray, outer, way = _crossings(p, shell, np.array([0.31, 0.27, 0.42]) @ p[seed], shell[seed])
    pair, which = np.unique(ray * np.int64(count) + outer, return_inverse=True)
    pair = pair[np.bincount(which, way, minlength=len(pair)) != 0]
    pair, agreed = np.unique(
        shell[seed][pair // count] * np.int64(count) + pair % count, return_counts=True
    )
    inner, outer = (pair[agreed == speakers] // count, pair[agreed == speakers] % count)
    result = np.full(count, -1, dtype=np.int32)
    largest_first = np.argsort(-np.abs(volumes[outer]), kind="stable")
    result[inner[largest_first]] = outer[largest_first]
    return result


def _crossings(
    p: FloatArray, shell: IntArray, seeds: FloatArray, own: IntArray
) -> tuple[IndexArray, IndexArray, FloatArray]:
    """Where rays up z from `seeds` (S, 3) cross faces `p` (F, 3, 3) of shells not their own.

    shell : (F,) shell of each face. own : (S,) shell of each seed.

    Returns
    -------
    ray, shell, way : (N,) seed and shell of each crossing; way is 1 out of it, -1 into it.
    """
    order = np.argsort(seeds[:, 0], kind="stable")
    low = np.searchsorted(seeds[order, 0], p[:, :, 0].min(axis=1))
    reach = np.searchsorted(seeds[order, 0], p[:, :, 0].max(axis=1), side="right") - low
    found: list[tuple[IndexArray, IndexArray, FloatArray]] = []
    for faces, places in spans(low, reach):
        foreign = shell[faces] != own[order[places]]
        face, ray = faces[foreign], order[places[foreign]]
        corner = p[face] - seeds[ray][:, None]
        after = corner[:, [1, 2, 0]]
        turn = corner[..., 0] * after[..., 1] - corner[..., 1] * after[..., 0]
        hit = np.flatnonzero((turn > 0).all(axis=1) | (turn < 0).all(axis=1))
        area = turn[hit].sum(axis=1)
        # Each turn is the weight of the corner opposite: together they give the height.
        height = np.einsum("ni,ni->n", turn[hit], corner[hit][:, [2, 0, 1], 2]) / area
        above = hit[height > 0]
        found.append((ray[above], shell[face[above]], np.sign(area[height > 0])))
    rays, shells, ways = zip(*found, strict=True)
    return np.concatenate(rays), np.concatenate(shells), np.concatenate(ways)


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
    shells_that_may_overlap : closed outward shells whose boxes meet another's.
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
        """Whether the figure can be parted as it stands: closed, oriented, manifold, solid.

        Faces of no area and loose vertices do no harm, so they do not count here.
        """
        flaws = [self.non_manifold_edges, self.pinched_vertices, self.flipped_faces]
        flaws += [self.one_sided_faces, self.duplicate_faces]
        wrong = self.holes.count + self.inside_out_shells + sum(f.count for f in flaws)
        return wrong == 0 and self.volume > 0

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
    rim = linked(ends[0], ends[1], len(node))[ends[0]]
    length = np.linalg.norm(vertices[start] - vertices[end], axis=1)
    middle = 0.5 * (vertices[start] + vertices[end])
    edges, perimeters = np.bincount(rim), shell_sums(rim, int(rim.max(initial=-1)) + 1, length)
    # Rims of no length still have a middle: weigh their edges alike.
    weight = np.where(perimeters[rim] > 0, length, 1.0)
    total = np.bincount(rim, weight)
    centres = np.stack([np.bincount(rim, weight * m) for m in middle.T], axis=1) / total[:, None]
    order = np.argsort(-perimeters, kind="stable")
    return Holes(centres[order], perimeters[order], edges[order].astype(np.int32))


def _shell_counts(
    mesh: Mesh, signed: FloatArray, proper: BoolArray, table: EdgeTable
) -> tuple[int, int, int, int]:
    """How many shells, cavities, shells inside out, and outward shells that may overlap."""
    shell, count = shells_of(mesh)
    volumes = shell_sums(shell, count, signed)
    closed = ~open_shells(table, shell[proper], count)
    inward = closed & (volumes < 0)
    cavities = 0
    if inward.any() and count > 1:
        inside = containers(mesh, shell, volumes)
        cavities = int((inward & (inside >= 0) & (volumes[inside] > 0)).sum())
    meeting = 0
    outward = np.flatnonzero(closed & ~inward)
    if len(outward) > 1:
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
    signed = mesh.signed_volumes()
    shells, cavities, inside_out, meeting = _shell_counts(mesh, signed, proper, table)
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
        volume=float(signed.sum()),
        area=float(mesh.areas.sum()),
        size=_place(mesh.size),
        builds_over=_builds_over(mesh.size, build_volume),
    )
