"""Pads: the flat place made in a line seam's surface, on which its pegs stand.

A pad is worked into the membrane itself, before the figure is parted: both sides then get
the same surface to the last bit, as everywhere else, and nothing is lost or doubled. A sloped
skirt leads from the pad's rim to the membrane as it was.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import manifold3d
import numpy as np
from scipy.optimize import linprog

from seamwright.adjacency import EdgeTable
from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.line import best_plane
from seamwright.membrane import Membrane, halved
from seamwright.mesh import BoolArray, FloatArray, IntArray
from seamwright.outline import IdArray, Region, dot, loop_area, point_segment_distance
from seamwright.room import inscribed
from seamwright.seam import PadChoice, place

MARGIN = 1.0
"""Skirt left between a pad and the line, mm, and"""
MARGIN_RISE = 1.5
"""at least this many times what the line strays from its plane: so the skirt rises by 34° at
most where the line is farthest off (common practice, no source)."""
SHARES = (0.8, 0.65, 0.5, 0.35, 0.25)
"""Radii tried for a round pad, as shares of the largest circle inside the line."""
SKIRTS = (0.2, 0.5, 1.0)
"""Widths of a round pad's skirt tried, as shares of the pad's radius: the narrowest that is not
too steep."""
STEEPEST = 60.0
"""Degrees a skirt may lean: steeper ones neither slide nor glue well (common practice, no
source)."""
SIDES = 48
"""Corners of a round pad."""
UNDERCUT = 1.0
"""Degrees by which a surface may lean back over the way the pieces slide before it holds
them: less than the clearance lets through on a face of usual size (common practice, no
source)."""
IN_PASSING = 0.005
"""Share of a surface's area that may lean as it likes: a line along mesh edges zigzags, and
the small faces in its zigzags hold nothing (common practice, no source)."""
LEAST_ACROSS = 4.0
"""A pad narrower than this carries no peg, mm: the thinnest peg and a wall round it
(common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Pad:
    """A flat place in a membrane.

    frame : of its plane; the normal points into side A, the way the pegs slide.
    outline : (N, 2) counter-clockwise, in the frame, mm.
    """

    frame: Frame
    outline: FloatArray


def slide_direction(surface: Membrane) -> tuple[FloatArray, float]:
    """The way off a membrane that is freest of undercuts.

    Returns
    -------
    (3,) unit direction into side A, and the least angle, degrees, by which any face of the
    membrane rises along it: below 0 the surface holds the pieces. The square to the line's
    plane is taken where it is free by more than STEEPEST allows, else the direction with the
    greatest least angle (a linear programme).
    """
    normals, areas = _facing(surface)
    square = best_plane(surface.vertices[: surface.rim]).normal
    least = _rise(normals, areas, square)
    if least >= 90.0 - STEEPEST:
        return square, least
    # Greatest t with n · d ≥ t for every face that counts, d in the unit cube.
    some = normals[normals @ square >= np.sin(np.radians(least)) - 1e-12]
    found = linprog(
        [0.0, 0.0, 0.0, -1.0],
        A_ub=np.column_stack([-some, np.ones(len(some))]),
        b_ub=np.zeros(len(some)),
        bounds=[(-1.0, 1.0)] * 3 + [(None, None)],
    )
    if found.status == 0 and (size := float(np.linalg.norm(found.x[:3]))) > 1e-6:
        free = np.asarray(found.x[:3], dtype=np.float64) / size
        if (rise := _rise(normals, areas, free)) > least:
            return free, rise
    return square, least


def rise_along(surface: Membrane, direction: FloatArray) -> float:
    """The least angle, degrees, by which the membrane's faces rise along a direction, all but
    IN_PASSING of them."""
    return _rise(*_facing(surface), direction)


def _rise(normals: FloatArray, areas: FloatArray, direction: FloatArray) -> float:
    sine = normals @ direction
    order = np.argsort(sine)
    first = int(np.searchsorted(np.cumsum(areas[order]), IN_PASSING * areas.sum()))
    return float(np.degrees(np.arcsin(np.clip(sine[order[first]], -1.0, 1.0))))


def _facing(surface: Membrane) -> tuple[FloatArray, FloatArray]:
    """(T, 3) unit normals and (T,) areas, mm², needles left out."""
    a, b, c = (surface.vertices[surface.faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    size = np.linalg.norm(normal, axis=1)
    sound = size > 1e-9 * size.max()
    return normal[sound] / size[sound, None], 0.5 * size[sound]


def padded(
    surface: Membrane, choice: PadChoice, direction: FloatArray, barred: IdArray
) -> Iterator[tuple[Membrane, Pad]]:
    """Membranes with a pad worked in, the best first; none if there is no flat place.

    choice : what the user asked for.
    direction : (3,) unit, into side A.
    barred : (K, 2) pairs of places in the line that no edge may join.

    The first is as wide as the line itself, if that is nearly flat and square to the
    direction; the others are round, ever smaller.

    Raises
    ------
    BadInput
        If the place asked for is not within the line, or a pad of that radius is not.
    """
    frame = Frame.on_plane(surface.vertices[: surface.rim].mean(axis=0), direction)
    rim = frame.to_plane(surface.vertices[: surface.rim])
    region = _simple(rim)
    if region is None:
        return
    if choice.at is None and choice.radius is None:
        wide = _whole(surface, region, frame, barred)
        if wide is not None:
            yield wide
    if choice.at is None:
        spot, room = inscribed(region)
    else:
        spot = frame.to_plane([choice.at])[0]
        room = float(region.edge_distance(spot)[0])
        if not region.contains(spot)[0]:
            raise BadInput(
                f"The pad's place {place(choice.at)} is not within the line as seen along the "
                "pegs; choose one between the two pieces."
            )
    radii = [share * room for share in SHARES]
    if choice.radius is not None:
        if choice.radius > room - MARGIN:
            raise BadInput(
                f"A pad of radius {choice.radius:g} mm at {place(frame.to_world(spot))} reaches "
                f"over the line; {max(room - MARGIN, 0):.1f} mm is the most there."
            )
        radii = [choice.radius]
    turn = 2 * np.pi * np.arange(SIDES) / SIDES
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    for radius in radii:
        if 2 * radius < LEAST_ACROSS:
            return
        for skirt in SKIRTS:
            gone = _under_disc(surface, frame, spot, (1 + skirt) * radius)
            made = _flattened(surface, frame, spot + radius * circle, gone, barred)
            if made is not None:
                yield made
                break


def _simple(rim: FloatArray) -> Region | None:
    """The region of a line seen along the pegs; None where it crosses itself or is turned."""
    if loop_area(rim) <= 0:
        return None
    faces = np.asarray(manifold3d.triangulate([np.ascontiguousarray(rim)]))
    if len(faces) != len(rim) - 2:
        return None
    return Region((rim,), (np.arange(len(rim), dtype=np.int64),))


def _whole(
    surface: Membrane, region: Region, frame: Frame, barred: IdArray
) -> tuple[Membrane, Pad] | None:
    """A pad as wide as a nearly flat line, a margin drawn in."""
    height = frame.heights(surface.vertices[: surface.rim])
    stray = float(np.abs(height - height.mean()).max())
    margin = max(MARGIN, MARGIN_RISE * stray)
    inner = manifold3d.CrossSection([np.ascontiguousarray(region.outline)]).offset(
        -margin, manifold3d.JoinType.Round, 2.0, 32
    )
    loops = [np.asarray(p, dtype=np.float64) for p in inner.simplify(0.1 * margin).to_polygons()]
    if not loops:
        return None
    outline = max(loops, key=loop_area)
    # A line that is nearly cut in two by its margin has little pad for its size.
    if loop_area(outline) < 0.4 * region.area:
        return None
    return _flattened(surface, frame, outline, np.ones(len(surface.faces), dtype=bool), barred)


def _under_disc(surface: Membrane, frame: Frame, spot: FloatArray, radius: float) -> BoolArray:
    """(T,) faces under a disc about a place, hanging together with the one at its middle."""
    flat = frame.to_plane(surface.vertices)[surface.faces]
    after = np.roll(flat, -1, axis=1)
    distance = point_segment_distance(spot, flat, after).min(axis=1)
    cross = (after - flat)[..., 0] * (spot - flat)[..., 1] - (after - flat)[..., 1] * (spot - flat)[
        ..., 0
    ]
    at_middle = (cross >= 0).all(axis=1)
    near = (distance <= radius) | at_middle
    if not at_middle.any():
        return np.zeros(len(near), dtype=bool)
    table = EdgeTable.of(surface.faces, len(surface.vertices))
    reached = np.zeros(len(near), dtype=bool)
    edge = [int(np.argmax(at_middle))]
    reached[edge[0]] = True
    while edge:
        mates = table.mate[(3 * np.array(edge)[:, None] + np.arange(3)).ravel()]
        mates = np.unique(mates[mates >= 0] // 3)
        fresh = mates[near[mates] & ~reached[mates]]
        reached[fresh] = True
        edge = fresh.tolist()
    return reached


def _flattened(
    surface: Membrane, frame: Frame, outline: FloatArray, gone: BoolArray, barred: IdArray
) -> tuple[Membrane, Pad] | None:
    """The membrane with the faces `gone` replaced by a flat pad and a skirt; None if it
    cannot be.

    outline : (N, 2) of the pad, counter-clockwise, in the frame; its plane is lifted to the
        mean height of what it replaces.
    """
    loop = _one_loop(surface.faces[gone])
    if loop is None:
        return None
    local = frame.to_local(surface.vertices)
    corners = local[surface.faces[gone]]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2]
    if not across.sum() > 0 or across.min() < -1e-9 * across.sum():
        return None
    lift = float((across * corners[:, :, 2].mean(axis=1)).sum() / across.sum())
    own = Frame(frame.to_world(np.array([0.0, 0.0, lift])), frame.axes)
    rim, ring = local[loop, :2], np.ascontiguousarray(outline)
    skirt = _between(rim, ring)
    inside = np.asarray(manifold3d.triangulate([ring]), dtype=np.int32).reshape(-1, 3)
    if skirt is None or len(inside) != len(ring) - 2:
        return None
    count = len(surface.vertices)
    ids = np.r_[loop, count + np.arange(len(ring))].astype(np.int32)
    points = np.concatenate([surface.vertices, own.to_world(ring)])
    kept = surface.faces[~gone]
    # No skirt edge may be a second edge beside one of the skin or of what is left.
    left = np.stack([kept.ravel(), np.roll(kept, -1, axis=1).ravel()], axis=1)
    points, band = halved(points, ids[skirt], np.concatenate([barred, left]))
    a, b, c = (points[band[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    size = np.linalg.norm(normal, axis=1)
    steep = dot(normal, own.normal[None]) < np.cos(np.radians(STEEPEST)) * size - 1e-12
    if size[steep].sum() > IN_PASSING * float(across.sum()):
        return None
    faces = np.concatenate([kept, band, (count + inside).astype(np.int32)])
    return _compact(points, faces, surface.rim), Pad(own, outline)


def _one_loop(faces: IntArray) -> IdArray | None:
    """The vertices round some faces in order, if their border is one loop that meets no
    vertex twice."""
    if not len(faces):
        return None
    count = int(faces.max()) + 1
    start, end = faces.ravel().astype(np.int64), np.roll(faces, -1, axis=1).ravel()
    border = ~np.isin(start * count + end, end.astype(np.int64) * count + start)
    after = dict(zip(start[border].tolist(), end[border].tolist(), strict=True))
    if len(after) != int(border.sum()):
        return None
    loop = [next(iter(after))]
    while (at := after[loop[-1]]) != loop[0]:
        loop.append(at)
        if len(loop) > len(after):
            return None
    return np.array(loop, dtype=np.int64) if len(loop) == len(after) else None


def _between(rim: FloatArray, ring: FloatArray) -> IntArray | None:
    """(N + M, 3) faces of the band between an (N, 2) loop and an (M, 2) one inside it."""
    try:
        made = manifold3d.triangulate([np.ascontiguousarray(rim), ring[::-1].copy()])
    except RuntimeError:
        return None
    faces = np.asarray(made, dtype=np.int32).reshape(-1, 3)
    n, m = len(rim), len(ring)
    if len(faces) != n + m:
        return None
    both = np.concatenate([rim, ring[::-1]])
    a, b, c = (both[faces[:, k]] for k in range(3))
    areas = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    band = loop_area(rim) - loop_area(ring)
    # Faces that cover the band once, none turned over, lie in it.
    if areas.min() < -1e-9 * band or abs(areas.sum() - band) > 1e-6 * band:
        return None
    number = np.r_[np.arange(n), n + np.arange(m)[::-1]].astype(np.int32)
    return np.asarray(number[faces])


def _compact(points: FloatArray, faces: IntArray, rim: int) -> Membrane:
    """A membrane of the vertices its faces use, the line's first and in order."""
    used = np.zeros(len(points), dtype=bool)
    used[faces.ravel()] = True
    used[:rim] = True
    number = np.cumsum(used, dtype=np.int32) - 1
    return Membrane(points[used], number[faces].astype(np.int32), rim)
