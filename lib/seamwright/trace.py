"""What a seam meets, segment by segment: skin or seam face, bend, edges, marked areas, lines."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from seamwright.crossing import Crossing
from seamwright.markings import share_in_balls
from seamwright.mesh import SKIN, FloatArray, IntArray
from seamwright.outline import IdArray, Region, dot
from seamwright.section import Section
from seamwright.surface import Surface, divided

HOLLOW_FROM, HOLLOW_FULL = 0.1, 0.3
"""Bend of the skin across the seam over one scale, radians, from which a hollow begins to
hide a seam and from which it hides it fully: a crease of 12° and of 34°, as half of a
crease's angle falls within one scale of it (common practice, no source)."""

FEATHER = 30.0
"""An edge between skin and seam face sharper than this, degrees, chips (common practice, no
source)."""


ALONG = 0.5
"""Cosine of the angle up to which a seam follows a natural line and does not only cross it:
60°, as a line of triangle edges may zigzag by that much."""


def hidden_and_ridge(bend: FloatArray) -> tuple[FloatArray, FloatArray]:
    """For each `bend` of the skin, radians, how far a seam there hides, and lies on a ridge,
    0 to 1."""
    span = HOLLOW_FULL - HOLLOW_FROM
    hidden = np.clip((-bend - HOLLOW_FROM) / span, 0.0, 1.0)
    return hidden, np.clip((bend - HOLLOW_FROM) / span, 0.0, 1.0)


class Trace:
    """What a seam meets, segment by segment of its outlines.

    Attributes
    ----------
    start, end : (S, 3) mm. length : (S,) mm.
    skin : (S,) whether on sculpted skin.
    bend : (S,) how far the skin turns across the seam over one scale, radians; above 0
        outwards.
    hidden, ridge, exposed, keep_clear, on_lines : (S,) shares of each segment.
    angle_a, angle_b : (S,) between skin and seam face in the material of side A and B, degrees.
    """

    def __init__(self, surface: Surface, section: Section, regions: Sequence[Region]) -> None:
        crossing = section.crossing
        ids = np.concatenate([part for r in regions for part in r.segments])
        nodes = crossing.segments[ids]
        self.start, self.end = crossing.positions(nodes[:, 0]), crossing.positions(nodes[:, 1])
        gap = self.end - self.start
        self.length = np.sqrt(dot(gap, gap))
        above, below = _faces_at(crossing, nodes, crossing.segment_cut[ids])
        in_plane = np.flatnonzero(crossing.segment_cut[ids] < 0)
        middle = (self.start + self.end) / 2
        lean, bend = self._skin(surface, section, above, gap, middle)
        self.skin = surface.mesh.tag[above] == SKIN
        self.angle_a = 90 - lean
        self.angle_b = 90 + lean
        if len(in_plane):
            other = below[in_plane]
            lean, second = self._skin(surface, section, other, gap[in_plane], middle[in_plane])
            self.angle_b[in_plane] = 90 + lean
            bend[in_plane] = (bend[in_plane] + second) / 2
            self.skin[in_plane] |= surface.mesh.tag[other] == SKIN
        self.bend = bend
        hidden, ridge = hidden_and_ridge(bend)
        self.hidden, self.ridge = self.skin * hidden, self.skin * ridge
        self.keep_clear = clear_shares(surface, above, below, self.start, self.end) * self.skin
        self.on_lines = line_shares(surface, self.start, self.end)
        self.exposed = self.skin * (1 - self.hidden) * (1 - self.on_lines)

    @cached_property
    def feather(self) -> float:
        """mm where the edge of either side is sharper than `FEATHER`."""
        # A hair's breadth keeps rounding from deciding at the very angle.
        sharp = np.minimum(self.angle_a, self.angle_b) < FEATHER - 1e-9
        return float(self.length[sharp].sum())

    def _skin(
        self,
        surface: Surface,
        section: Section,
        faces: IdArray,
        gap: FloatArray,
        middle: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """How far each face leans towards the seam's normal, degrees, and its `bend`."""
        corner = surface.mesh.vertices[surface.mesh.faces[faces]]
        sides = np.roll(corner, -2, axis=1) - np.roll(corner, -1, axis=1)
        vector = np.cross(sides[:, 0], sides[:, 1])
        double = np.maximum(np.sqrt(dot(vector, vector)), 1e-300)
        normal = vector / double[:, None]
        sine = np.clip(normal @ section.frame.normal, -1.0, 1.0)
        along = np.cross(section.frame.normal, normal)
        flat = np.sqrt(dot(along, along))
        # A face that all but lies in the plane meets it along its edge.
        along = np.where((flat > 1e-6)[:, None], along, gap)
        along /= np.maximum(np.sqrt(dot(along, along)), 1e-300)[:, None]
        across = np.cross(normal, along)
        # A linear function's slope across, from its corner values: the share of each is
        # the part of the opposite side along the seam, over twice the area.
        share = np.einsum("nij,nj->ni", sides, along) / double[:, None]
        turned = np.einsum("nij,nj->ni", surface.normals[surface.mesh.faces[faces]], across)
        bend = np.einsum("ni,ni->n", share, turned) * surface.scale
        large, row = _rows_of(surface.large, faces)
        if len(large):
            # A side's turn is felt half at the side itself, less with distance from it, as
            # smoothing would have it, and not by a seam that runs square to it.
            sides = np.roll(corner[large], -1, axis=1) - corner[large]
            sides /= np.maximum(np.sqrt(dot(sides, sides)), 1e-300)[..., None]
            arm = middle[large, None] - corner[large]
            off = np.cross(sides, arm)
            near = np.exp(-np.sqrt(dot(off, off)) / surface.scale)
            parallel = np.einsum("nij,nj->ni", sides, along[large]) ** 2
            bend[large] = 0.5 * (surface.folds[row] * near * parallel).sum(axis=1)
        return np.degrees(np.arcsin(sine)), bend


def _rows_of(sorted_ids: IntArray, wanted: IdArray) -> tuple[IdArray, IdArray]:
    """Which of `wanted` are among ascending ids, and at which row each of those is."""
    if not len(sorted_ids):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    at = np.minimum(np.searchsorted(sorted_ids, wanted), len(sorted_ids) - 1)
    there = np.flatnonzero(sorted_ids[at] == wanted)
    return there, at[there]


def _faces_at(crossing: Crossing, nodes: IdArray, cut: IdArray) -> tuple[IdArray, IdArray]:
    """(S,) the faces above and below the plane that each segment lies on.

    A cut face is both. An edge in the plane has a face on each side; where the mesh is open
    and one is missing, the other stands in.
    """
    above = crossing.cut[np.maximum(cut, 0)].astype(np.int64) if len(crossing.cut) else 0 * cut
    below = above.copy()
    flat = np.flatnonzero(cut < 0)
    if not len(flat):
        return above, below
    count = np.int64(len(crossing.mesh.vertices))
    low, high = nodes[flat].min(axis=1), nodes[flat].max(axis=1)
    wanted = low * count + high
    corners = crossing.mesh.faces[crossing.near].astype(np.int64)
    after = np.roll(corners, -1, axis=1)
    key = (np.minimum(corners, after) * count + np.maximum(corners, after)).ravel()
    owner = np.repeat(crossing.near, 3)
    lower = np.repeat(crossing.near_below, 3)
    found = []
    for side in (~lower, lower):
        mine, whose = key[side], owner[side]
        order = np.argsort(mine, kind="stable")
        at = np.searchsorted(mine[order], wanted)
        at = np.minimum(at, max(len(mine) - 1, 0))
        hit = mine[order][at] == wanted if len(mine) else np.zeros(len(wanted), dtype=bool)
        found.append(np.where(hit, whose[order][at] if len(mine) else 0, -1))
    upper, under = found
    above[flat] = np.where(upper >= 0, upper, under)
    below[flat] = np.where(under >= 0, under, upper)
    return above, below


def clear_shares(
    surface: Surface, side: IdArray, other: IdArray, start: FloatArray, end: FloatArray
) -> FloatArray:
    """(S,) share of each segment in the keep-clear area.

    side, other : (S,) the faces a segment lies on: one and the same, or those either side of
        an edge. What runs along the area's edge does not cross it, so both must be in it.
    """
    both = surface.keep_clear[side] & surface.keep_clear[other]
    return np.maximum(both, share_in_balls(start, end, surface.balls))


def line_shares(surface: Surface, start: FloatArray, end: FloatArray) -> FloatArray:
    """(S,) share of each segment that is within `near_line` of a natural line and follows it."""
    if surface.lines is None:
        return np.zeros(len(start))
    gap = end - start
    length = np.sqrt(dot(gap, gap))
    step = surface.near_line / 4
    owner, share, part = divided(length, step)
    middle = start[owner] + share[:, None] * gap[owner]
    reach = surface.near_line + step
    distance, nearest = surface.lines.query(middle, distance_upper_bound=reach)
    # What is out of reach has the number after the last.
    way = surface.line_ways[np.minimum(nearest, len(surface.line_ways) - 1)]
    across = np.abs(dot(way, gap[owner])) < ALONG * length[owner]
    distance[across] = np.inf
    # A part that straddles the limit counts in part.
    inside = np.clip(0.5 + (surface.near_line - distance) / np.maximum(part, 1e-300), 0.0, 1.0)
    return np.asarray(np.bincount(owner, inside * part, len(length)) / np.maximum(length, 1e-300))
