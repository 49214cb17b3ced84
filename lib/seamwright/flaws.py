"""Flaws: the wrong edges and overlaps a figure came with, so that pieces may keep them, said
aloud, and have no others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from seamwright.adjacency import EdgeTable
from seamwright.contact import first_crossing
from seamwright.inspection import (
    at,
    box_pairs,
    containers,
    counted,
    find_holes,
    shell_boxes,
    shell_sums,
    shells_of,
)
from seamwright.mesh import EdgeCounts, FloatArray, IntArray, Mesh
from seamwright.outline import point_segment_distance
from seamwright.pieces import Piece

MOST_PAIRS = 500
"""Pairs of shells looked at for overlaps: some seconds' work at most."""


@dataclass(frozen=True, eq=False)
class Flaws:
    """Edges that are not shared by exactly two oppositely running faces, by where they lie.

    open, crowded, flipped : (K, 2, 3) both ends of each, mm: of one face only, of three or
        more, and of two that run the same way.
    """

    open: FloatArray
    crowded: FloatArray
    flipped: FloatArray

    @staticmethod
    def of(mesh: Mesh) -> Flaws:
        """All of a mesh."""
        edges = EdgeCounts.of(mesh.faces, len(mesh.vertices))
        return Flaws(*(_ends(mesh, e) for e in (edges.open, edges.manifold_flaws, edges.flipped)))

    @staticmethod
    def none() -> Flaws:
        """Those of a closed, oriented, manifold mesh."""
        nothing = np.zeros((0, 2, 3))
        return Flaws(nothing, nothing, nothing)

    @property
    def counts(self) -> tuple[int, int, int]:
        """How many are open, crowded and flipped."""
        return len(self.open), len(self.crowded), len(self.flipped)

    def beyond(self, old: Flaws) -> Flaws:
        """Those that are not where `old` has one, nor a part of a crowded one that a seam cut."""
        left = Counter(e.tobytes() for e in np.concatenate([old.open, old.flipped]))
        # What hangs together by a crowded edge may come apart there, into two open ones.
        left.update(2 * [e.tobytes() for e in old.crowded])

        def fresh(edges: FloatArray) -> FloatArray:
            keep = np.zeros(len(edges), dtype=bool)
            for k, edge in enumerate(edges):
                left[edge.tobytes()] -= 1
                keep[k] = left[edge.tobytes()] < 0
            return _off(edges[keep], old.crowded)

        return Flaws(fresh(self.open), fresh(self.crowded), fresh(self.flipped))


def _off(edges: FloatArray, whole: FloatArray) -> FloatArray:
    """The edges (K, 2, 3) that lie along none of `whole` (W, 2, 3)."""
    if not len(edges) or not len(whole):
        return edges
    # A cut point is rounded to single precision for the files, and so is off its edge.
    within = 2 * float(np.spacing(np.float32(np.abs(whole).max())))
    along = np.zeros(len(edges), dtype=bool)
    for k, edge in enumerate(edges):
        near = [point_segment_distance(end, whole[:, 0], whole[:, 1]) <= within for end in edge]
        along[k] = (near[0] & near[1]).any()
    return edges[~along]


def _ends(mesh: Mesh, edges: IntArray) -> FloatArray:
    """(K, 2, 3) the ends of edges (K, 2), the lexically lesser first."""
    ends = mesh.vertices[edges] + 0.0
    order = np.lexsort((ends[..., 2], ends[..., 1], ends[..., 0]), axis=1)
    return np.asarray(np.take_along_axis(ends, order[..., None], axis=1))


def old_flaws(pieces: tuple[Piece, ...], written: Callable[[Mesh], Mesh]) -> tuple[str, ...]:
    """A sentence on each piece that is not watertight, as it will be written, and where."""
    said = []
    for piece in pieces:
        mesh = written(piece.mesh)
        flaws = Flaws.of(mesh)
        if not any(flaws.counts):
            if mesh.volume <= 0:
                said.append(
                    f"Piece {piece.id} is inside out, as it is in the figure, at "
                    f"{at(mesh.bounds.mean(axis=0))}; mend the figure to turn it."
                )
            continue
        found = []
        if len(flaws.open):
            holes = find_holes(mesh.vertices, EdgeTable.of(mesh.faces, len(mesh.vertices)))
            found += [
                f"a hole {holes.perimeters[k]:.2f} mm round at {at(holes.centres[k])}"
                for k in range(min(3, holes.count))
            ]
            if holes.count > 3:
                found.append(f"{counted(holes.count - 3, 'more hole')}")
        for edges, one, many in (
            (flaws.crowded, "edge of three or more faces", "edges of three or more faces"),
            (flaws.flipped, "edge of faces that disagree", "edges of faces that disagree"),
        ):
            if len(edges):
                first = "the first at" if len(edges) > 1 else "at"
                found.append(
                    f"{counted(len(edges), one, many)}, {first} {at(edges[0].mean(axis=0))}"
                )
        said.append(
            f"Piece {piece.id} is not watertight because the figure is not: it has "
            f"{'; '.join(found)}, and its volume and mass are not sure."
        )
    return tuple(said)


def overlapping_shells(figure: Mesh) -> tuple[str, ...]:
    """A sentence on shells that run into each other or lie inside another, which stay apart.

    Mending unites them; without it each becomes a piece of its own.
    """
    shell, count = shells_of(figure)
    if count < 2:
        return ()
    rows = [np.flatnonzero(shell == k) for k in range(count)]
    pairs = box_pairs(shell_boxes(figure, shell, count))
    said = []
    for i, j in np.sort(pairs, axis=1)[:MOST_PAIRS].tolist():
        place = _where_they_cross(figure, rows[i], rows[j])
        if place is not None:
            said.append(
                f"Two shells of the figure run into each other at {at(place)}; mend it to unite "
                "them, or their pieces will overlap."
            )
    volumes = shell_sums(shell, count, figure.signed_volumes())
    for k, around in enumerate(containers(figure, shell, volumes)):
        if around >= 0 and volumes[k] > 0 and volumes[around] > 0:
            said.append(
                f"A shell at {at(figure.vertices[figure.faces[rows[k][0], 0]])} lies inside the "
                "solid of another; mend the figure to unite them, or their pieces will overlap."
            )
    if len(pairs) > MOST_PAIRS:
        more = counted(len(pairs) - MOST_PAIRS, "more pair")
        said.append(f"{more} of shells that lie close were not looked at for overlaps.")
    if len(said) > 10:
        said = [*said[:10], f"{len(said) - 10} more overlaps like these."]
    return tuple(said)


def _where_they_cross(figure: Mesh, one: IntArray, other: IntArray) -> FloatArray | None:
    """A place where two shells' faces cross or touch, looked for where their boxes meet."""
    corners = [figure.vertices[figure.faces[rows]] for rows in (one, other)]
    low = np.max([c.min(axis=(0, 1)) for c in corners], axis=0)
    high = np.min([c.max(axis=(0, 1)) for c in corners], axis=0)
    near = [
        rows[((c.min(axis=1) <= high) & (c.max(axis=1) >= low)).all(axis=1)]
        for rows, c in zip((one, other), corners, strict=True)
    ]
    faces = [np.ascontiguousarray(figure.faces[rows]) for rows in near]
    return first_crossing(figure.vertices, faces[0], figure.vertices, faces[1])
