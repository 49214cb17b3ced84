"""What a seam's reach would do: what each region ties together, and what would free it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components, maximum_flow

from seamwright.errors import BadInput
from seamwright.mesh import BoolArray, IntArray, Mesh
from seamwright.parting import part_regions, solids
from seamwright.patch import Patch, meeting, patches
from seamwright.seam import Seam, place
from seamwright.section import Section, section


@dataclass(frozen=True)
class RegionFacts:
    """What parting one region of a section would do, known before anything is cut.

    Attributes
    ----------
    number : counts from 1, largest area first.
    area, perimeter : mm², mm.
    centre : (3,) mm in space.
    separates : whether parting this region alone takes something off.
    comes_away : volume of the smaller solid it then leaves, mm³; 0 if it separates nothing.
    needs : numbers of the fewest further regions of the same section that must be parted
        with it to take something off; empty if it separates by itself.
    """

    number: int
    area: float
    perimeter: float
    centre: tuple[float, float, float]
    separates: bool
    comes_away: float
    needs: tuple[int, ...]

    @property
    def line(self) -> str:
        """The same in one sentence."""
        if self.separates:
            does = f"takes off {self.comes_away / 1000:.1f} cm³"
        else:
            does = f"separates nothing without region {' and '.join(map(str, self.needs))}"
        return (
            f"region {self.number}: {self.area:.0f} mm², {self.perimeter:.0f} mm round, at "
            f"{place(self.centre)}, {does}"
        )


def region_facts(whole: Section) -> tuple[RegionFacts, ...]:
    """Area, perimeter and effect of every region of a section of a closed mesh.

    The plane's full cut leaves some solids; each region ties two of them together.
    Parting one region separates something if it is the only tie between its two ends.
    """
    regions = whole.regions
    if not regions:
        return ()
    apart = part_regions(whole.crossing.mesh, whole, list(regions), _PROBE)
    solid = solids(apart)
    volume = np.bincount(solid, weights=apart.signed_volumes())
    ends = _ends(apart, solid, whole)
    facts = []
    for k, region in enumerate(regions):
        others = [e for j, e in enumerate(ends) if j != k]
        low, high = (_joined_to(len(volume), others, end) for end in ends[k])
        separates = not low[ends[k][1]]
        needs: tuple[int, ...] = ()
        away = 0.0
        if separates:
            away = min(float(volume[low].sum()), float(volume[high].sum()))
        else:
            cut = _least_cut(len(volume), others, ends[k][0], ends[k][1])
            rest = [j for j in range(len(regions)) if j != k]
            needs = tuple(1 + rest[j] for j in cut)
        x, y, z = whole.frame.to_world(region.centroid)
        centre = (float(x), float(y), float(z))
        facts.append(
            RegionFacts(k + 1, region.area, region.perimeter, centre, separates, away, needs)
        )
    return tuple(facts)


_PROBE = -1
"""Tag of the faces of a trial cut, which no seam has."""


def require_free(mesh: Mesh, solid: IntArray, seams: tuple[tuple[Seam, Section], ...]) -> None:
    """Raise if some seam has the same solid on both its sides."""
    for seam, whole in seams:
        tied_solid = _tied_solid(mesh, solid, seam)
        if tied_solid is None:
            continue
        tied = mesh.subset(solid == tied_solid)
        ties = _ties(tied, seam, whole)
        raise BadInput(
            f"Seam '{seam.name}' leaves the figure in one solid: it stays tied together "
            f"through {', '.join(ties)}; add {'it' if len(ties) == 1 else 'them'} to the "
            "seam's reach, or part it there with another seam."
        )


def _tied_solid(mesh: Mesh, solid: IntArray, seam: Seam) -> int | None:
    """A solid that has both sides of one place of a seam, if there is one.

    A solid may well have side A at one place and side B at another, as a coil has.
    """
    mine = np.flatnonzero(mesh.tag == seam.id)
    for k in np.unique(solid[mine]):
        rows = mine[solid[mine] == k].astype(np.int32)
        found = patches(mesh, seam.id, seam.frame, rows)
        if any(_facing(a, b) for a in found for b in found):
            return int(k)
    return None


def _facing(a: Patch, b: Patch) -> bool:
    """Whether a is of side A, b of side B, and they share an area."""
    return not a.on_b and b.on_b and bool(meeting(a.region, b.region))


def _ties(tied: Mesh, seam: Seam, whole: Section) -> list[str]:
    """The fewest further regions in the seam's plane that would free it, in words."""
    found = section(tied, seam.frame)
    apart = part_regions(tied, found, list(found.regions), _PROBE) if found.regions else tied
    solid = solids(apart)
    ends = _ends(apart, solid, found)
    faces = patches(apart, seam.id, seam.frame)
    to_world = seam.frame.to_world
    for a in faces:
        for b in faces:
            if not _facing(a, b):
                continue
            low, high = int(solid[b.faces[0]]), int(solid[a.faces[0]])
            cut = [found.regions[k] for k in _least_cut(int(solid.max()) + 1, ends, high, low)]
            return [
                f"region {1 + whole.nearest(to_world(r.inner_point))} "
                f"({r.area:.0f} mm² at {place(to_world(r.centroid))})"
                for r in cut
            ]
    return []


def _joined_to(count: int, ends: list[tuple[int, int]], start: int) -> BoolArray:
    """(count,) which nodes hang together with `start` over the given edges."""
    a, b = (np.array([e[i] for e in ends], dtype=np.int64) for i in (0, 1))
    graph = coo_matrix((np.ones(len(ends), dtype=np.int8), (a, b)), shape=(count, count))
    label = connected_components(graph, directed=False)[1]
    return np.asarray(label == label[start])


def _least_cut(count: int, ends: list[tuple[int, int]], source: int, sink: int) -> list[int]:
    """The fewest edges whose removal parts two nodes of a graph.

    By the largest flow between them (Ford & Fulkerson, "Maximal flow through a network",
    Canad. J. Math. 8, 1956).
    """
    if source == sink:
        return []
    capacity = np.zeros((count, count), dtype=np.int32)
    for a, b in ends:
        if a != b:
            capacity[a, b] += 1
            capacity[b, a] += 1
    flow = maximum_flow(coo_matrix(capacity).tocsr(), source, sink).flow
    residual = coo_matrix(capacity - flow.toarray() > 0).tocsr()
    reach = set(breadth_first_order(residual, source, return_predecessors=False).tolist())
    return [k for k, (a, b) in enumerate(ends) if (a in reach) != (b in reach)]


def _ends(apart: Mesh, solid: IntArray, whole: Section) -> list[tuple[int, int]]:
    """For each region of a trial cut, the solids below and above its inner point."""
    faces = patches(apart, _PROBE, whole.frame)
    ends = []
    for region in whole.regions:
        inner = region.inner_point[None]
        below = above = -1
        for patch in faces:
            if patch.region.contains(inner)[0]:
                below = int(solid[patch.faces[0]]) if patch.on_b else below
                above = above if patch.on_b else int(solid[patch.faces[0]])
        ends.append((below, above))
    return ends
