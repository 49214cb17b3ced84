"""What a seam would be like before it is cut: seen or hidden, its neck, thin walls, edges.

A figure's facts are prepared once; each seam then costs only what its section costs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError, cKDTree

from seamwright.errors import BadInput
from seamwright.line import Line
from seamwright.markings import LEAST
from seamwright.mesh import FloatArray, Mesh
from seamwright.outline import IdArray, Region, dot
from seamwright.seam import Point, place
from seamwright.section import Section
from seamwright.surface import Surface, divided, prepared
from seamwright.trace import FEATHER, Trace, clear_shares, hidden_and_ridge, line_shares

__all__ = [
    "LineQuality",
    "SeamQuality",
    "Surface",
    "Weights",
    "cost",
    "hull_width",
    "line_quality",
    "prepared",
    "quality",
]

OUTLINE_POINTS = 256
"""An outline of more points is thinned to about this many to find its largest circle: on a
disc that changes its diameter by less than a ten-thousandth."""

CELLS = 24
"""Places refined a round in the search for the largest circle."""

WALL = 3.0
"""mm; the wall asked for when none is given, as in a printer profile."""


@dataclass(frozen=True)
class Weights:
    """What a mm of each counts for in a seam's cost (common practice, no source).

    length : of the whole seam: glue, filling and sanding.
    exposed : on open skin, neither in a hollow nor along a natural line.
    ridge : added where the skin bends outwards across the seam, where it shows most.
    keep_clear : in the keep-clear area.
    feather : where either edge is sharper than `FEATHER`.
    thin : where the outline's own material is thinner than the wall.
    neck : of the circumference of a disc as large as each region, so that of two places
        that are alike otherwise the narrower is better.
    """

    length: float = 0.15
    exposed: float = 1.0
    ridge: float = 0.5
    keep_clear: float = 20.0
    feather: float = 1.0
    thin: float = 1.0
    neck: float = 0.5


@dataclass(frozen=True)
class SeamQuality:
    """What a seam would be like. Lengths are in mm along the outlines of its regions.

    Attributes
    ----------
    length : of the seam: outlines and holes; the neck's perimeter.
    on_seams : along faces left by other seams, which is no skin; it is neither hidden nor
        visible.
    hidden : in hollows. Where a hollow hides a seam only in part, that part of the length.
    ridge : where skin bends outwards across the seam as much as a hollow would inwards.
    exposed : neither in a hollow nor along a natural line.
    keep_clear : in the keep-clear area.
    on_lines : within reach of natural lines, see `surface.Surface.near_line`.
    area : of all regions, mm².
    inscribed_width : the widest round bar that passes through the narrowest region, mm:
        what the neck can carry. Never more than `hull_width`.
    hull_width : least distance of two parallel lines that hold the narrowest region, mm,
        by the calipers on its hull: what a gap must be for it to pass through.
    thin : where the material inside the outline is thinner than `wall`.
    thinnest : least such thickness, mm; None where nothing is thinner than the wall.
    feather : where an edge on either side is sharper than 30°.
    least_angle, least_at : the sharpest edge, degrees, and its place, mm.
    cost : mm, lower is better; see `Weights`.
    """

    length: float
    on_seams: float
    hidden: float
    ridge: float
    exposed: float
    keep_clear: float
    on_lines: float
    area: float
    inscribed_width: float
    hull_width: float
    wall: float
    thin: float
    thinnest: float | None
    feather: float
    least_angle: float
    least_at: Point
    cost: float

    @property
    def visible(self) -> float:
        """mm on skin that is smooth or bends outwards."""
        return self.length - self.on_seams - self.hidden

    @property
    def hidden_share(self) -> float:
        """Of the length on skin, the share in hollows; 1 for a seam that meets no skin."""
        skin = self.length - self.on_seams
        return self.hidden / skin if skin > 0 else 1.0

    @property
    def feather_share(self) -> float:
        """Of the whole length, the share with an edge sharper than 30°."""
        return self.feather / self.length

    @property
    def on_lines_share(self) -> float:
        """Of the whole length, the share along natural lines."""
        return self.on_lines / self.length

    def lines(self) -> tuple[str, ...]:
        """Plain sentences with numbers and units, for the panel and the report."""
        said = [
            f"The seam is {self.length:.1f} mm long: {self.hidden:.1f} mm "
            f"({100 * self.hidden_share:.0f} %) lie in hollows, {self.visible:.1f} mm show, "
            f"{self.ridge:.1f} mm of them on ridges."
        ]
        if self.on_seams > LEAST:
            said.append(f"{self.on_seams:.1f} mm run along other seams' faces.")
        if self.on_lines > LEAST:
            said.append(
                f"{self.on_lines:.1f} mm ({100 * self.on_lines_share:.0f} %) follow natural lines."
            )
        if self.keep_clear > LEAST:
            said.append(f"{self.keep_clear:.1f} mm cross the keep-clear area; move the seam.")
        said.append(
            f"The neck is {self.area:.0f} mm² and {self.hull_width:.1f} mm wide at least; "
            f"a bar of {self.inscribed_width:.1f} mm passes through it."
        )
        if self.thinnest is not None:
            said.append(
                f"{self.thin:.1f} mm of the outline are thinner than the wall of "
                f"{self.wall:.1f} mm, down to {self.thinnest:.1f} mm."
            )
        said.append(
            f"The sharpest edge is {self.least_angle:.0f}° at {place(self.least_at)}; "
            + (
                f"{self.feather:.1f} mm ({100 * self.feather_share:.0f} %) are sharper than "
                f"{FEATHER:.0f}° and may chip."
                if self.feather > 0
                else f"none is sharper than {FEATHER:.0f}°."
            )
        )
        said.append(f"Cost {self.cost:.1f} mm (lower is better).")
        return tuple(said)


def quality(
    surface: Surface,
    section: Section,
    regions: Sequence[Region] | None = None,
    *,
    wall: float = WALL,
    weights: Weights | None = None,
) -> SeamQuality:
    """Judge a seam before it is cut.

    Parameters
    ----------
    section : of `surface.mesh`.
    regions : those of the section that the seam takes, see `seam.reached`; all if None.
    wall : mm; outlines whose material is thinner count as fine detail.

    Raises
    ------
    BadInput
        If there is no region, the section is of another mesh, or the wall is not above 0.
    """
    chosen = section.regions if regions is None else tuple(regions)
    if not chosen:
        raise BadInput(
            f"The section at {place(section.frame.origin)} has no region to judge; move the seam."
        )
    if section.crossing.mesh is not surface.mesh:
        raise BadInput("The section is of another mesh; prepare the figure it was made from.")
    if not (np.isfinite(wall) and wall > 0):
        raise BadInput(f"The wall is {wall} mm; give a thickness above 0.")
    found = Trace(surface, section, chosen)
    thin, thinnest = _thin(chosen, wall)
    least = np.minimum(found.angle_a, found.angle_b)
    k = int(np.argmin(least))
    x, y, z = (float(q) for q in (found.start[k] + found.end[k]) / 2)
    total = found.length
    return SeamQuality(
        length=float(total.sum()),
        on_seams=float(total[~found.skin].sum()),
        hidden=float((total * found.hidden).sum()),
        ridge=float((total * found.ridge).sum()),
        exposed=float((total * found.exposed).sum()),
        keep_clear=float((total * found.keep_clear).sum()),
        on_lines=float((total * found.on_lines).sum()),
        area=float(sum(r.area for r in chosen)),
        inscribed_width=min(_inscribed_width(r) for r in chosen),
        hull_width=min(hull_width(r.outline) for r in chosen),
        wall=wall,
        thin=thin,
        thinnest=thinnest,
        feather=found.feather,
        least_angle=float(least[k]),
        least_at=(x, y, z),
        cost=_cost(found, chosen, thin, weights or Weights()),
    )


@dataclass(frozen=True)
class LineQuality:
    """What a line seam would be like. It runs along mesh edges; lengths are in mm.

    hollow, ridge : in creases, where it hides, and on ridges, where it shows most; as
        `Quality` has them.
    keep_clear : with the keep-clear area on both its sides.
    on_lines : along natural lines.
    """

    length: float
    hollow: float
    ridge: float
    keep_clear: float
    on_lines: float

    def lines(self) -> tuple[str, ...]:
        """Plain sentences with numbers and units, for the panel and the report."""
        share = 100 * self.hollow / max(self.length, 1e-300)
        said = [
            f"The line is {self.length:.1f} mm long: {self.hollow:.1f} mm ({share:.0f} %) lie in "
            f"hollows, {self.length - self.hollow:.1f} mm show, {self.ridge:.1f} mm of them on "
            "ridges."
        ]
        if self.on_lines > LEAST:
            share = 100 * self.on_lines / self.length
            said.append(f"{self.on_lines:.1f} mm ({share:.0f} %) follow natural lines.")
        if self.keep_clear > LEAST:
            said.append(f"{self.keep_clear:.1f} mm cross the keep-clear area; move the line.")
        return tuple(said)


def line_quality(surface: Surface, line: Line) -> LineQuality:
    """Judge a line seam before it is cut; `line` runs on `surface.mesh`."""
    start, end = line.points, np.roll(line.points, -1, axis=0)
    length = np.sqrt(dot(end - start, end - start))
    left, right = _beside(surface.mesh, line)
    hollow, ridge = hidden_and_ridge(_bend_across(surface, line, left, right))
    return LineQuality(
        float(length.sum()),
        float((length * hollow).sum()),
        float((length * ridge).sum()),
        float((length * clear_shares(surface, left, right, start, end)).sum()),
        float((length * line_shares(surface, start, end)).sum()),
    )


def _bend_across(surface: Surface, line: Line, left: IdArray, right: IdArray) -> FloatArray:
    """(N,) how far the skin turns across each edge of a line over one scale, radians; above 0
    on a ridge.

    By the smoothed normals beside the edge; beside faces too large for those, by how the two
    faces themselves are bent.
    """
    mesh = surface.mesh
    a, b = line.points, np.roll(line.points, -1, axis=0)
    along = b - a
    along /= np.maximum(np.sqrt(dot(along, along)), 1e-300)[:, None]
    ends = np.stack([line.vertices, np.roll(line.vertices, -1)], axis=1)
    third = [
        mesh.faces[rows].sum(axis=1, dtype=np.int64) - ends.sum(axis=1, dtype=np.int64)
        for rows in (left, right)
    ]
    off = mesh.vertices[third[1]] - mesh.vertices[third[0]]
    off -= dot(off, along)[:, None] * along
    width = np.sqrt(dot(off, off))
    turned = dot(surface.normals[third[1]] - surface.normals[third[0]], off)
    bend = turned / np.maximum(width, 1e-300) ** 2 * surface.scale
    coarse = np.isin(left, surface.large) | np.isin(right, surface.large)
    one, other = mesh.face_vectors_of(left[coarse]), mesh.face_vectors_of(right[coarse])
    sine = dot(np.cross(one, other), along[coarse])
    bend[coarse] = 0.5 * np.arctan2(sine, dot(one, other))
    return np.asarray(bend)


def _beside(mesh: Mesh, line: Line) -> tuple[IdArray, IdArray]:
    """(N,) the faces on the left and on the right of each edge of a line."""
    count = len(mesh.vertices)
    on_line = np.zeros(count, dtype=bool)
    on_line[line.vertices] = True
    local = np.flatnonzero(on_line[mesh.faces].sum(axis=1) >= 2)
    near = mesh.faces[local].astype(np.int64)
    keys = (near * count + np.roll(near, -1, axis=1)).ravel()
    order = np.argsort(keys, kind="stable")
    a = line.vertices.astype(np.int64)
    b = np.roll(a, -1)
    left, right = (
        local[order[np.searchsorted(keys[order], key)] // 3]
        for key in (a * count + b, b * count + a)
    )
    return left, right


def cost(
    surface: Surface,
    section: Section,
    regions: Sequence[Region],
    *,
    wall: float = WALL,
    weights: Weights | None = None,
) -> float:
    """The cost alone, mm, as `quality` gives it; cheaper, for trying many places."""
    found = Trace(surface, section, tuple(regions))
    return _cost(found, regions, _thin(regions, wall)[0], weights or Weights())


def _cost(found: Trace, regions: Sequence[Region], thin: float, weights: Weights) -> float:
    each = (
        weights.length
        + weights.exposed * found.exposed
        + weights.ridge * found.ridge
        + weights.keep_clear * found.keep_clear
    )
    necks = sum(2 * np.sqrt(np.pi * max(r.area, 0.0)) for r in regions)
    return float(
        (found.length * each).sum()
        + weights.feather * found.feather
        + weights.thin * thin
        + weights.neck * necks
    )


def _inscribed_width(region: Region) -> float:
    """Diameter of the largest circle in a region, mm, within about a thousandth.

    As `room.inscribed`, but only the `CELLS` best places of each round are refined: a ring
    has its largest circle everywhere, and refining all of it would take seconds.
    """
    if sum(len(p) for p in region.loops) > OUTLINE_POINTS:
        step = region.perimeter / OUTLINE_POINTS
        loops = tuple(_stations(p, step)[0] for p in region.loops)
        region = Region(loops, region.segments)
    low, high = region.outline.min(axis=0), region.outline.max(axis=0)
    half = max(float((high - low).max()) / 32, 1e-12)
    axes = [np.arange(a + half, b + 2 * half, 2 * half) for a, b in zip(low, high, strict=True)]
    cells = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    cells = np.concatenate([cells, [region.inner_point, region.centroid]])
    radius = 0.0
    while True:
        distance = region.edge_distance(cells) * np.where(region.contains(cells), 1.0, -1.0)
        radius = max(radius, float(distance.max()))
        best = np.argsort(-distance, kind="stable")[:CELLS]
        best = best[distance[best] + half * np.sqrt(2) > radius * 1.0005]
        if not len(best) or half < 1e-4 * max(radius, 1e-6):
            return 2 * radius
        half /= 2
        steps = half * np.array([[-1, -1], [-1, 1], [1, -1], [1, 1]])
        cells = (cells[best, None] + steps).reshape(-1, 2)


def hull_width(outline: FloatArray) -> float:
    """Least distance of two parallel lines that hold an (N, 2) outline, mm.

    One of them lies along a side of the hull: Houle and Toussaint, "Computing the width of
    a set", 1988.
    """
    try:
        hull = ConvexHull(outline)
    except QhullError:
        # All points on one line.
        return 0.0
    heights = outline[hull.vertices] @ hull.equations[:, :2].T + hull.equations[:, 2]
    return float((-heights).max(axis=0).min())


def _thin(regions: Sequence[Region], wall: float) -> tuple[float, float | None]:
    """Length of outline with material thinner than `wall` inside it, and the least thickness.

    The thickness at p is the diameter of the smallest disc inside the outline that touches
    it at p and at another point q facing p: |q - p|² / (m · (q - p)) with m the normal at p.
    Sides more than 60° from facing each other do not count: a square corner is not thin.
    """
    total, least = 0.0, np.inf
    for region in regions:
        parts = [_stations(loop, wall / 8) for loop in region.loops]
        point, normal, length = (np.concatenate(column) for column in zip(*parts, strict=True))
        pairs = cKDTree(point).query_pairs(wall, output_type="ndarray")
        p, q = pairs[dot(normal[pairs[:, 0]], normal[pairs[:, 1]]) < -0.5].T
        chord = point[q] - point[p]
        squared, ahead, back = dot(chord, chord), dot(normal[p], chord), -dot(normal[q], chord)
        inside = (ahead > 0) & (back > 0)
        thickness = np.full(len(point), np.inf)
        np.minimum.at(thickness, p[inside], (squared / np.where(inside, ahead, 1))[inside])
        np.minimum.at(thickness, q[inside], (squared / np.where(inside, back, 1))[inside])
        total += float(length[thickness < wall].sum())
        least = min(least, float(thickness.min()))
    return total, least if least < wall else None


def _stations(loop: FloatArray, step: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Points about `step` mm apart on an (N, 2) loop, normals into the material, lengths.

    Longer sides are divided, and shorter ones taken together, so that the cost is the
    outline's and not the triangles'.
    """
    along = np.roll(loop, -1, axis=0) - loop
    long = np.sqrt(dot(along, along))
    owner, share, length = divided(long, step)
    middle = loop[owner] + share[:, None] * along[owner]
    bucket = ((np.cumsum(length) - length / 2) // step).astype(np.int64)
    bucket = np.unique(bucket, return_inverse=True)[1].ravel()
    weight = np.maximum(np.bincount(bucket, length), 1e-300)
    # The direction of a bucket is the sum of its pieces of side.
    piece = along[owner] * (length / np.maximum(long[owner], 1e-300))[:, None]
    tangent: FloatArray = np.stack([np.bincount(bucket, piece[:, i]) for i in (0, 1)], axis=1)
    tangent = tangent / np.maximum(np.sqrt(dot(tangent, tangent)), 1e-300)[:, None]
    point = [np.bincount(bucket, length * middle[:, i]) / weight for i in (0, 1)]
    # Material lies on the left.
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    return np.stack(point, axis=1), normal, weight
