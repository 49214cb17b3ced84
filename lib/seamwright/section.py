"""Section of a figure and a plane: regions, each an outline with holes; and what is broken.

Where the mesh is open, flipped or branches, some outline of its section is no closed loop.
A region that such an outline touches or lies in is not sure and is not given as one: what
is given is sound, and the rest is told with its place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seamwright.adjacency import linked
from seamwright.crossing import Crossing, cross
from seamwright.frame import Frame
from seamwright.mesh import FloatArray, Mesh
from seamwright.outline import Chains, IdArray, Region, chained, inside_loop, point_segment_distance
from seamwright.overlap import Loops, Meetings, material, meetings


@dataclass(frozen=True, eq=False)
class BrokenOutline:
    """Outlines that hang together and bound no sure region, because the mesh is broken there.

    Attributes
    ----------
    what : what is the matter, to follow "the section", such as "is open".
    lines : (N, 2) plane coordinates of each chain, mm; a closed one ends where it begins.
    gaps : (K, 3) places, mm, where it is broken.
    """

    what: str
    lines: tuple[FloatArray, ...]
    gaps: FloatArray

    def distance(self, point: FloatArray) -> float:
        """Distance of a (2,) point, mm; 0 inside, where open chains are closed by a line."""
        p = point[None]
        inside = sum(bool(inside_loop(p, line)[0]) for line in self.lines)
        if inside % 2:
            return 0.0
        return min(
            float(point_segment_distance(p, line[:-1], line[1:]).min()) for line in self.lines
        )

    def enters(self, boundary: FloatArray) -> bool:
        """Whether any of it lies inside a closed (N, 2) boundary, or that inside it."""
        if any(inside_loop(line, boundary).any() for line in self.lines):
            return True
        return any(self.distance(p) == 0 for p in boundary)


@dataclass(frozen=True, eq=False)
class Section:
    """Figure ∩ plane.

    Attributes
    ----------
    regions : largest area first, so region 1 is `regions[0]`. Where shells overlap, a
        region is their union: it then has a `clash`.
    gaps : (K, 3) places, mm, where an outline is open, flipped or branches, because the mesh
        is or does.
    crossing : the topology the regions were read from.
    broken : the outlines that those gaps are in.
    """

    frame: Frame
    regions: tuple[Region, ...]
    gaps: FloatArray
    crossing: Crossing
    broken: tuple[BrokenOutline, ...] = ()

    @property
    def area(self) -> float:
        """mm², all regions."""
        return float(sum(r.area for r in self.regions))

    def nearest(self, point: npt.ArrayLike) -> int:
        """Index of the region nearest a point in space (3,), mm, seen along the normal."""
        local = self.frame.to_plane(np.asarray(point, dtype=np.float64)[None])
        distances = [float(r.distance(local)[0]) for r in self.regions]
        return int(np.argmin(distances))

    def broken_nearest(self, point: npt.ArrayLike) -> BrokenOutline | None:
        """The broken outline that is nearer a point in space (3,), mm, than every region."""
        if not self.broken:
            return None
        local = self.frame.to_plane(np.asarray(point, dtype=np.float64)[None])
        away = [b.distance(local[0]) for b in self.broken]
        k = int(np.argmin(away))
        sound = min((float(r.distance(local)[0]) for r in self.regions), default=np.inf)
        return self.broken[k] if away[k] < sound else None


def section(mesh: Mesh, frame: Frame, snap: float | None = None) -> Section:
    """Cut through a mesh: the regions of material in the frame's plane.

    Examples
    --------
    >>> import numpy as np
    >>> from seamwright.shapes import box
    >>> s = section(box(10, 20, 30), Frame.on_plane((0, 0, 15), (0, 0, 1)))
    >>> [round(r.area, 6) for r in s.regions]
    [200.0]
    """
    crossing = cross(mesh, frame, snap)
    segments = crossing.segments

    def points_of(nodes: IdArray) -> FloatArray:
        return frame.to_plane(crossing.positions(nodes))

    chains = chained(segments, points_of)
    start = points_of(segments[:, 0])
    end = np.empty_like(start)
    for ids in chains.closed:
        end[ids] = start[np.roll(ids, -1)]
    for ids in chains.open:
        end[ids] = points_of(segments[ids, 1])
    met = meetings(start, end, segments, crossing.snap)
    loops = Loops.of([start[ids] for ids in chains.closed], chains.closed)
    regions, inside_out = material(loops, met, start, end, crossing.snap)
    if not chains.open and not inside_out:
        return Section(frame, regions, np.zeros((0, 3)), crossing)
    regions, broken = _told_apart(crossing, chains, (start, end), met, regions)
    for k in inside_out:
        broken = _with_inside_out(broken, loops.points[k], crossing, chains.closed[k])
    return Section(
        frame, regions, np.concatenate([b.gaps for b in broken]), crossing, tuple(broken)
    )


def _told_apart(
    crossing: Crossing,
    chains: Chains,
    ends: tuple[FloatArray, FloatArray],
    met: Meetings,
    regions: tuple[Region, ...],
) -> tuple[tuple[Region, ...], list[BrokenOutline]]:
    """The regions that no open chain touches or lies in, and what is broken."""
    count = len(chains.open)
    if not count:
        return regions, []
    start, end = ends
    owner = np.full(len(crossing.segments), -1, dtype=np.int64)
    for k, ids in enumerate(chains.open):
        owner[ids] = k
    for k, region in enumerate(regions, start=count):
        for plain in region.plain:
            owner[np.concatenate(plain.segments)] = k
    a, b = _sharing(crossing.segments, owner)
    pairs = [np.stack([a, b], axis=1), owner[met.pairs]]
    for k, ids in enumerate(chains.open):
        on_it = np.concatenate([start[ids], 0.5 * (start[ids] + end[ids]), end[ids[-1:]]])
        inside = [count + r for r, region in enumerate(regions) if region.contains(on_it).any()]
        pairs.append(np.array([[k, r] for r in inside], dtype=np.int64).reshape(-1, 2))
    linking = np.concatenate(pairs)
    # Regions that touch one another do each other no harm.
    linking = linking[(linking >= 0).all(axis=1) & (linking < count).any(axis=1)]
    label = linked(linking[:, 0], linking[:, 1], count + len(regions))
    sound = tuple(
        r for r, g in zip(regions, label[count:], strict=True) if not (label[:count] == g).any()
    )
    broken = []
    for group in dict.fromkeys(label[:count].tolist()):
        open_ids = [ids for k, ids in enumerate(chains.open) if label[k] == group]
        lines = [np.concatenate([start[ids], end[ids[-1:]]]) for ids in open_ids]
        lines += [
            np.concatenate([loop, loop[:1]])
            for r, g in zip(regions, label[count:], strict=True)
            if g == group
            for plain in r.plain
            for loop in plain.loops
        ]
        nodes = np.intersect1d(chains.loose, crossing.segments[np.concatenate(open_ids)])
        what = _what(crossing.segments, int(nodes[0]))
        broken.append(BrokenOutline(what, tuple(lines), crossing.positions(nodes)))
    return sound, broken


def _sharing(segments: IdArray, owner: IdArray) -> tuple[IdArray, IdArray]:
    """(N,), (N,) owners of segments that share a node; -1 for no owner."""
    node = segments.T.ravel()
    order = np.argsort(node, kind="stable")
    same = node[order][1:] == node[order][:-1]
    who = np.tile(owner, 2)[order]
    return who[:-1][same], who[1:][same]


def _what(segments: IdArray, node: int) -> str:
    """What is the matter with the outline at a node."""
    leaving = int((segments[:, 0] == node).sum())
    arriving = int((segments[:, 1] == node).sum())
    if leaving + arriving == 1:
        return "is open"
    return "branches" if leaving and arriving else "meets a flipped face"


def _with_inside_out(
    broken: list[BrokenOutline], loop: FloatArray, crossing: Crossing, ids: IdArray
) -> list[BrokenOutline]:
    """The broken outlines with a loop that runs clockwise round nothing.

    Inside an open outline it is one of the holes of that.
    """
    line = np.concatenate([loop, loop[:1]])
    for k, other in enumerate(broken):
        if other.distance(0.5 * (loop[0] + loop[1])) == 0:
            held = BrokenOutline(other.what, (*other.lines, line), other.gaps)
            return [*broken[:k], held, *broken[k + 1 :]]
    place = crossing.positions(crossing.segments[ids[:1], 0])
    return [*broken, BrokenOutline("is inside out", (line,), place)]
