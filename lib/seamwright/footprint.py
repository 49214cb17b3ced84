"""Footprints: the outlines of pegs, keyed so that each goes home one way only.

A shape comes in several variants, keyed in different ways: of two joints of one size with
different variants neither's peg enters the other's socket.
"""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np

from seamwright.errors import BadInput
from seamwright.inset import section_outline
from seamwright.mesh import FloatArray
from seamwright.offsets import (
    area,
    bends,
    edge_normals,
    ends,
    is_simple,
    keeps,
    mirrored,
    offset,
    outradius,
    placed,
    shrunk,
)
from seamwright.seating import other_seatings

__all__ = [
    "D_FLAT",
    "KEY_SHARE",
    "SHAPES",
    "Shape",
    "area",
    "d_shape",
    "edge_normals",
    "ends",
    "grooved",
    "keeps",
    "mirrored",
    "most_share",
    "offset",
    "other_seatings",
    "outline_of",
    "outradius",
    "placed",
    "section_outline",
    "shrunk",
    "square",
    "unkeyed",
    "variants",
]

Shape = Literal["square", "rectangle", "D", "hexagon", "cross", "section"]

SHAPES: tuple[Shape, ...] = get_args(Shape)

KEY_SHARE = 0.3
"""Cut-off corner of a keyed square, as a share of its width (common practice, no source)."""

D_FLAT = 0.5
"""Distance of a D's flat from its centre, as a share of the radius (common practice, no source)."""

RECTANGLE_SHARE = 0.62
"""A rectangle's short side over its long one, about the golden section
(common practice, no source)."""

_ARM = 0.18
"""Half the width of a cross's arms over the whole: arms a third as wide as the cross are about
as wide as they stand out (common practice, no source)."""

_SQUARE_CUTS: tuple[tuple[tuple[float, float] | None, ...], ...] = (
    (None, None, (KEY_SHARE, KEY_SHARE), None),
    (None, None, (0.5, 0.18), None),
    (None, None, (0.18, 0.5), None),
    (None, (0.19, 0.19), (0.19, 0.19), (0.19, 0.19)),
)
"""Of each variant, what is cut off each corner along x and along y, as shares of the width;
corners from the lower left on, counter-clockwise."""

_RECTANGLE_CUTS: tuple[tuple[tuple[float, float] | None, ...], ...] = (
    (None, None, (0.3, 0.3), None),
    (None, None, None, (0.3, 0.3)),
    (None, (0.18, 0.18), (0.18, 0.18), None),
    (None, None, (0.2, 0.2), (0.2, 0.2)),
)

_D_FLATS: tuple[tuple[tuple[float, float], ...], ...] = (
    ((0.0, D_FLAT),),
    ((-50.0, 0.64), (50.0, 0.64)),
    ((0.0, 0.7), (90.0, 0.7), (180.0, 0.7)),
)
"""Of each variant, the direction of each flat, degrees, and its distance from the centre as a
share of the radius. Flats next to each other meet in a corner."""

_HEXAGON_CUTS: tuple[tuple[tuple[float, float], ...], ...] = (
    ((90.0, 0.34),),
    ((30.0, 0.42), (90.0, 0.42)),
    ((-30.0, 0.42), (90.0, 0.42)),
)
"""Of each variant, the direction of each corner cut off, degrees, and the cut's distance from
the centre as a share of the width across flats; a corner is at 0.577."""

_CROSS_ARMS: tuple[tuple[tuple[float, float, float], ...], ...] = (
    ((0.5, _ARM, _ARM), (0.32, _ARM, _ARM), (0.5, _ARM, _ARM), (0.5, _ARM, _ARM)),
    ((0.5, _ARM, _ARM), (0.5, _ARM, 0.05), (0.5, _ARM, _ARM), (0.5, _ARM, _ARM)),
    ((0.5, _ARM, _ARM), (0.5, 0.05, _ARM), (0.5, _ARM, _ARM), (0.5, _ARM, _ARM)),
    ((0.5, _ARM, _ARM), (0.39, _ARM, _ARM), (0.39, _ARM, _ARM), (0.5, _ARM, _ARM)),
)
"""Of each variant, each arm's length from the centre and its breadth to the right and left of
its middle, as shares of the width; arms counter-clockwise from the right one on."""

_MOST: dict[Shape, tuple[float, ...]] = {
    "square": (0.084, 0.071, 0.071, 0.053),
    "rectangle": (0.084, 0.084, 0.071, 0.079),
    "D": (0.089, 0.069, 0.058),
    "hexagon": (0.103, 0.064, 0.07),
    "cross": (0.086, 0.061, 0.061, 0.052),
    "section": (0.0,),
}


def variants(shape: Shape) -> int:
    """How many variants a shape comes in."""
    return len(_MOST[shape])


def most_share(shape: Shape, variant: int = 0) -> float:
    """The most clearance per side of a peg that stands alone, as a share of its width.

    Reckoned by `other_seatings`, less the 3.5% that a draft of 15° takes. A section-shaped
    peg is proved at its own clearance when it is made; for it this is 0.
    """
    return _MOST[shape][variant % variants(shape)]


def outline_of(shape: Shape, width: float, variant: int = 0) -> FloatArray:
    """(N, 2) a keyed outline about the origin, counter-clockwise.

    Parameters
    ----------
    width : across it before its key is cut off, mm: of a rectangle the long side, of a
        hexagon across its flats.
    variant : which key; beyond the last they begin anew.

    Raises
    ------
    BadInput
        For a shape that follows its section: see `section_outline`.
    """
    if shape == "section":
        raise BadInput("A peg that follows its section has no outline of its own; give its region.")
    k = variant % variants(shape)
    if shape == "square":
        return square(width) if k == 0 else _cornered(width, width, _SQUARE_CUTS[k], width)
    if shape == "rectangle":
        # A groove goes to the first sharp corner: not to the one opposite the key, which half a
        # turn brings to the key's place.
        return np.roll(
            _cornered(width, RECTANGLE_SHARE * width, _RECTANGLE_CUTS[k], width), -(k == 0), axis=0
        )
    if shape == "D":
        return d_shape(width) if k == 0 else _flattened(width, _D_FLATS[k])
    if shape == "hexagon":
        return _hexagon(width, _HEXAGON_CUTS[k])
    return _cross(width, _CROSS_ARMS[k])


def unkeyed(shape: Shape, width: float) -> FloatArray:
    """(N, 2) the outline of a shape without any key, about the origin, counter-clockwise.

    By itself it goes home several ways; several of different widths may not.

    Raises
    ------
    BadInput
        For a shape that follows its section.
    """
    if shape == "section":
        raise BadInput("A peg that follows its section has no outline of its own; give its region.")
    if shape in ("square", "rectangle"):
        x, y = width / 2, (1.0 if shape == "square" else RECTANGLE_SHARE) * width / 2
        return np.array([[-x, -y], [x, -y], [x, y], [-x, y]])
    if shape == "cross":
        return _cross(width, ((0.5, _ARM, _ARM),) * 4)
    sides = 6 if shape == "hexagon" else 24
    turn = 2 * np.pi * np.arange(sides) / sides
    out = width / np.sqrt(3.0) if shape == "hexagon" else width / 2
    return np.asarray(out * np.stack([np.cos(turn), np.sin(turn)], axis=1))


def square(width: float) -> FloatArray:
    """(5, 2) a square about the origin with one corner cut off as a key; counter-clockwise."""
    h, k = width / 2, KEY_SHARE * width
    return np.array([[-h, -h], [h, -h], [h, h - k], [h - k, h], [-h, h]])


def d_shape(width: float, sides: int = 24) -> FloatArray:
    """(N, 2) a circle of `width` across with one side cut flat as a key; counter-clockwise."""
    r = width / 2
    half = np.arccos(D_FLAT)
    turn = np.linspace(half, 2 * np.pi - half, sides)
    return np.asarray(r * np.stack([np.cos(turn), np.sin(turn)], axis=1))


def grooved(outline: FloatArray, size: float) -> FloatArray:
    """The outline of the peg that goes with a footprint: one corner clipped by `size` mm.

    Along that corner the socket keeps a channel for glue and air. The sharpest corner is
    taken, the first of several alike: a key's corners are blunter. Where edges are shorter
    than `size`, as on an arc, the clip goes over several of them.

    Raises
    ------
    BadInput
        If no corner has room.
    """
    normal = edge_normals(outline)
    turn = np.where(bends(outline) > 0, 1 - (np.roll(normal, 1, axis=0) * normal).sum(axis=1), 0)
    for corner in np.argsort(-np.round(turn, 6), kind="stable"):
        clipped = _clipped(outline, int(corner), size) if turn[corner] > 0 else None
        if clipped is not None:
            return clipped
    raise BadInput(
        f"No corner of a peg {np.ptp(outline, axis=0).max():.3g} mm across has room for a groove "
        f"of {size:g} mm; use a wider peg."
    )


def _clipped(outline: FloatArray, corner: int, size: float) -> FloatArray | None:
    """The outline without a corner, from `size` mm before it to `size` mm behind it.

    An edge that would be left shorter than `size` goes as a whole, so that none is too short
    to be offset later. None where the outline dents on the way or there is not enough of it.
    """
    ahead, back = (_walked(outline, corner, way, size) for way in (1, -1))
    if ahead is None or back is None:
        return None
    kept = len(outline) - 1 - ahead[1] - back[1]
    if kept < 2:
        return None
    rest = np.roll(outline, -(corner + 1 + ahead[1]), axis=0)[:kept]
    clipped = np.vstack([ahead[0], rest, back[0]])
    return clipped if is_simple(clipped) else None


def _walked(
    outline: FloatArray, corner: int, way: int, size: float
) -> tuple[FloatArray, int] | None:
    """Where a clip ends one way from a corner, and how many more corners go with it."""
    at, gone, count = corner, 0.0, 0
    bend = bends(outline)
    while count < len(outline):
        after = (at + way) % len(outline)
        edge = outline[after] - outline[at]
        length = float(np.linalg.norm(edge))
        if gone + length >= 2 * size:
            return outline[at] + (size - gone) / length * edge, count
        gone, count, at = gone + length, count + 1, after
        if gone >= size:
            return outline[at], count
        if bend[at] <= 0:
            return None
    return None


def _cornered(
    width: float, height: float, cuts: tuple[tuple[float, float] | None, ...], scale: float
) -> FloatArray:
    """A rectangle about the origin with corners cut off by shares of `scale`."""
    points = []
    for k, cut in enumerate(cuts):
        side = np.array([(-1, 1, 1, -1)[k], (-1, -1, 1, 1)[k]])
        corner = side * [width / 2, height / 2]
        if cut is None:
            points.append(corner)
            continue
        level, upright = corner - side * [cut[0] * scale, 0], corner - side * [0, cut[1] * scale]
        points += [upright, level] if k % 2 == 0 else [level, upright]
    return np.array(points)


def _flattened(width: float, flats: tuple[tuple[float, float], ...]) -> FloatArray:
    """A circle about the origin with flats, counter-clockwise, its arcs in chords of about 10°."""
    r = width / 2
    points = []
    for (here, near), (after, far) in zip(flats, (*flats[1:], flats[0]), strict=True):
        start = np.radians(here) + np.arccos(near)
        end = np.radians(after + 360 * (after <= here)) - np.arccos(far)
        if end <= start:
            points.append(_meeting((here, near * r), (after, far * r)))
            continue
        turn = np.linspace(start, end, int(np.ceil(np.degrees(end - start) / 10.5)) + 1)
        points += list(r * np.stack([np.cos(turn), np.sin(turn)], axis=1))
    return np.array(points)


def _hexagon(width: float, cuts: tuple[tuple[float, float], ...]) -> FloatArray:
    """A hexagon about the origin with corners cut off; cuts next to each other may meet."""
    sides = [(60.0 * k, width / 2) for k in range(6)]
    lines = sorted([*sides, *((angle % 360, d * width) for angle, d in cuts)])
    around = [lines[-1], *lines, lines[0]]
    left = [
        here
        for before, here, after in zip(around, around[1:], around[2:], strict=False)
        if _meeting(before, after) @ placed(np.array([1.0, 0]), np.zeros(2), here[0]) > here[1]
    ]
    return np.array([_meeting(a, b) for a, b in zip(left, [*left[1:], left[0]], strict=True)])


def _meeting(one: tuple[float, float], two: tuple[float, float]) -> FloatArray:
    """(2,) where two lines meet, each given by its normal's direction, degrees, and distance."""
    angle = np.radians([one[0], two[0]])
    return np.linalg.solve(np.stack([np.cos(angle), np.sin(angle)], axis=1), [one[1], two[1]])


def _cross(width: float, arms: tuple[tuple[float, float, float], ...]) -> FloatArray:
    """A cross about the origin."""
    points = []
    for k, (length, right, left) in enumerate(arms):
        # The last is where this arm's left side meets the right side of the next.
        arm = [(length, -right), (length, left), (arms[(k + 1) % len(arms)][1], left)]
        points.append(placed(width * np.array(arm), np.zeros(2), 90.0 * k))
    return np.concatenate(points)
