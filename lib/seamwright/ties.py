"""Ties: what each region of a section holds together, and the fewest that hold it all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components, maximum_flow

from seamwright.frame import Frame
from seamwright.mesh import BoolArray, FloatArray, IntArray, Mesh
from seamwright.outline import IdArray
from seamwright.parting import part_regions, solids
from seamwright.patch import patches
from seamwright.section import Section, section

_TRIAL = -1
"""Tag of the faces of the first plane's trial cut; the next has one less. No seam has any."""


@dataclass(frozen=True, eq=False)
class Ties:
    """What hangs together where a figure is parted all over some planes, for a trial.

    Attributes
    ----------
    apart, solid : the parted figure, and (F,) which solid each face of it bounds.
    ends : (T, 2) for each tie the solid below it and the one above.
    region : (T,) which region it belongs to: counting on through all planes' regions. A
        plane may divide another's region, which then has several ties.
    areas : (R,) of all planes' regions, mm².
    """

    apart: Mesh
    solid: IntArray
    ends: IdArray
    region: IdArray
    areas: FloatArray

    @property
    def count(self) -> int:
        """How many solids there are."""
        return int(self.solid.max(initial=-1)) + 1

    def volumes(self) -> FloatArray:
        """(count,) of the solids, mm³."""
        return np.asarray(np.bincount(self.solid, weights=self.apart.signed_volumes()))


def ties(mesh: Mesh, wholes: list[Section]) -> Ties:
    """Part a closed mesh all over some planes, and see what each region ties together.

    Parameters
    ----------
    wholes : a section in each plane, whose regions the ties are told by. It may be one of
        the mesh before other seams parted it.
    """
    apart = mesh
    for n, whole in enumerate(wholes):
        found = whole
        if whole.crossing.mesh is not apart:
            found = section(apart, whole.frame, whole.crossing.snap)
        if found.regions:
            apart = part_regions(apart, found, list(found.regions), _TRIAL - n)
    solid = solids(apart)
    ends, region = [np.zeros((0, 2), np.int64)], [np.zeros(0, np.int64)]
    first = 0
    for n, whole in enumerate(wholes):
        own, inner = _across(apart, solid, _TRIAL - n, whole.frame)
        ends.append(own)
        region.append(first + _holding(whole, inner))
        first += len(whole.regions)
    areas = np.array([r.area for whole in wholes for r in whole.regions])
    return Ties(apart, solid, np.concatenate(ends), np.concatenate(region), areas)


def _across(apart: Mesh, solid: IntArray, tag: int, frame: Frame) -> tuple[IdArray, FloatArray]:
    """For each patch of a trial cut the solids (T, 2) below and above, and a point (T, 2) in it.

    Both sides of a cut are divided alike, so each patch of side B has one of side A on it.
    """
    found = patches(apart, tag, frame)
    lower = [p for p in found if p.on_b]
    inner = np.array([p.region.inner_point for p in lower]).reshape(-1, 2)
    above = np.full(len(lower), -1, dtype=np.int64)
    areas = np.array([p.region.area for p in lower])
    best = np.full(len(lower), np.inf)
    for patch in found:
        if patch.on_b:
            continue
        low, high = patch.region.outline.min(axis=0), patch.region.outline.max(axis=0)
        near = np.flatnonzero(((inner >= low) & (inner <= high)).all(axis=1))
        on_it = near[patch.region.contains(inner[near])]
        # Where shells overlap several lie there: its own is the one of its size.
        off = np.abs(areas[on_it] - patch.region.area)
        closer = off < best[on_it]
        above[on_it[closer]], best[on_it[closer]] = solid[patch.faces[0]], off[closer]
    below = np.array([solid[p.faces[0]] for p in lower], dtype=np.int64)
    whole = above >= 0
    return np.stack([below[whole], above[whole]], axis=1), inner[whole]


def _holding(whole: Section, points: FloatArray) -> IdArray:
    """(N,) index of the region that holds each of the (N, 2) points, or is nearest it."""
    found = np.full(len(points), -1, dtype=np.int64)
    for k, region in enumerate(whole.regions):
        low, high = region.outline.min(axis=0), region.outline.max(axis=0)
        near = np.flatnonzero((found < 0) & ((points >= low) & (points <= high)).all(axis=1))
        found[near[region.contains(points[near])]] = k
    for i in np.flatnonzero(found < 0):
        found[i] = whole.nearest(whole.frame.to_world(points[i]))
    return found


def joined_to(count: int, ends: IdArray, start: int) -> BoolArray:
    """(count,) which solids hang together with `start` over ties (T, 2)."""
    label = _joined(count, ends)
    return np.asarray(label == label[start])


def still_tied(count: int, ends: IdArray, pairs: IdArray) -> IdArray:
    """(K, 2) which pairs of different solids hang together over ties (T, 2), each once."""
    label = _joined(count, ends)
    pairs = np.unique(np.sort(pairs.reshape(-1, 2), axis=1), axis=0)
    apart = (pairs[:, 0] == pairs[:, 1]) | (label[pairs[:, 0]] != label[pairs[:, 1]])
    return np.asarray(pairs[~apart], dtype=np.int64)


def least_cut(ends: IdArray, region: IdArray, areas: FloatArray, pairs: IdArray) -> list[int]:
    """The fewest regions, and of as many those of least area, that hold pairs of solids together.

    For one pair by the largest flow between its two (Ford and Fulkerson, "Maximal flow
    through a network", Canad. J. Math. 8, 1956), a tie's capacity being so large a number
    that one tie more outweighs any area, plus its area. Where several pairs must come apart
    at once, or a region has several ties, by whole-number programming: of all regions, at
    least one on every way between a pair; the ways are found as they are needed.

    Parameters
    ----------
    ends, region : (T, 2), (T,) of the ties that may be parted, see `Ties`.
    areas : (R,) mm².
    pairs : (K, 2) different solids that hang together.

    Returns
    -------
    Regions, ascending; empty if no pair hangs together.
    """
    count = int(max(ends.max(initial=-1), pairs.max(initial=-1))) + 1
    if not count:
        return []
    loose = ends[:, 0] != ends[:, 1]
    ends, region = ends[loose], region[loose]
    pairs = still_tied(count, ends, pairs)
    if not len(pairs):
        return []
    if len(pairs) == 1 and len(np.unique(region)) == len(region):
        return sorted(region[_least_flow(count, ends, areas[region], pairs[0])].tolist())
    return _least_hitting(count, ends, region, areas, pairs)


def _least_flow(count: int, ends: IdArray, areas: FloatArray, pair: IdArray) -> BoolArray:
    """(T,) which ties the least cut between two solids parts."""
    # Flows add up to no more than all capacities, which must stay within 32 bits.
    room = max((2**31 / len(ends) - len(ends) - 4) / 2, 0.0)
    share = np.rint(areas / max(float(areas.sum()), 1e-300) * np.floor(room)).astype(np.int32)
    capacity = share + np.int32(share.sum() + 1)
    a, b = ends.T
    shape = (count, count)
    both = (np.r_[capacity, capacity], (np.r_[a, b], np.r_[b, a]))
    limits = coo_matrix(both, shape=shape).tocsr()
    flow = maximum_flow(limits, int(pair[0]), int(pair[1])).flow
    residual = csr_matrix((limits - flow) > 0)
    order = breadth_first_order(residual, int(pair[0]), return_predecessors=False)
    near = np.zeros(count, dtype=bool)
    near[order] = True
    return np.asarray(near[a] != near[b])


def _least_hitting(
    count: int, ends: IdArray, region: IdArray, areas: FloatArray, pairs: IdArray
) -> list[int]:
    """The cheapest regions of which every way between the two of a pair meets one."""
    known, local = np.unique(region, return_inverse=True)
    # All shares of area together weigh half as much as one region.
    price = 1 + 0.5 * areas[known] / max(float(areas[known].sum()), 1e-300)
    cut = np.zeros(len(known), dtype=bool)
    ways: list[npt.NDArray[np.float64]] = []
    while True:
        left = ~cut[local]
        tied = still_tied(count, ends[left], pairs)
        if not len(tied):
            return sorted(known[cut].tolist())
        for pair in tied:
            way = np.zeros(len(known))
            way[_way(count, ends[left], local[left], pair)] = 1
            ways.append(way)
        found = milp(
            price,
            constraints=LinearConstraint(csr_matrix(np.array(ways)), 1, np.inf),
            integrality=np.ones(len(known)),
            bounds=Bounds(0, 1),
            options={"mip_rel_gap": 0.0},
        )
        cut = np.asarray(found.x) > 0.5


def _way(count: int, ends: IdArray, region: IdArray, pair: IdArray) -> IdArray:
    """Regions of the ties along a shortest way between two solids."""
    graph = coo_matrix((np.ones(len(ends), np.int8), ends.T), shape=(count, count)).tocsr()
    _, before = breadth_first_order(graph, int(pair[0]), directed=False)
    at, way = int(pair[1]), []
    while at != pair[0]:
        step = {at, int(before[at])}
        k = next(k for k, (a, b) in enumerate(ends.tolist()) if {a, b} == step)
        way.append(region[k])
        at = int(before[at])
    return np.array(way, dtype=np.int64)


def _joined(count: int, ends: IdArray) -> IntArray:
    """(count,) label of what hangs together over ties."""
    graph = coo_matrix((np.ones(len(ends), np.int8), ends.T), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1])
