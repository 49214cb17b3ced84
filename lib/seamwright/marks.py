"""Marks: the letter of a joint and a witness mark, engraved alike in both its seam faces.

Every stroke is a shallow pocket of its own with a convex mouth, so that it is imprinted as a
socket is; a little land between strokes keeps them apart, as in a stencil.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from seamwright.lettering import LAND, SLENDER, breadth, strokes
from seamwright.mesh import BoolArray, FloatArray
from seamwright.offsets import placed
from seamwright.outline import Region, dot, inside_loop
from seamwright.printer import PrinterProfile
from seamwright.room import spots

Rooms = Callable[[FloatArray], FloatArray]
"""How far each of (K, 2) places is, sideways, from where the material behind is too thin, mm."""

TALLEST, LOWEST = 12.0, 3.0
"""Height of a letter, mm: enough for arm's length, and what an eye still reads."""

STROKES = 7.0
"""Height of a letter in strokes' widths where the nozzle allows it."""

LEAST_STROKE = 2.0
"""Width of a stroke in nozzle widths at least (common practice, no source)."""

DEEPEST, SHALLOWEST = 0.6, 0.3
"""Depth of a mark, mm: three layers within these (common practice, no source)."""

SLIM = 0.75
"""Base of the witness mark in its lengths: a triangle whose one tip cannot be mistaken."""

LENGTHS = (1.0, 1.6, 2.5)
"""Lengths a witness mark may have, in the shortest that prints; to a letter goes the longest
within `TO_LETTER` of its height."""

TO_LETTER = 0.4


@dataclass(frozen=True, eq=False)
class Mark:
    """What is engraved in one seam face.

    Attributes
    ----------
    outlines : (N, 2) each, convex and counter-clockwise in the seam's frame, mm, with land
        between them: first the witness mark, whose tip is its first corner, then the strokes.
    depth : below the seam face, mm.
    text : the letter or letters; empty if there was room for the witness mark only.
    """

    outlines: tuple[FloatArray, ...]
    depth: float
    text: str


def marks(
    region: Region,
    taken: Sequence[FloatArray],
    text: str,
    profile: PrinterProfile,
    rooms: Rooms | None = None,
) -> tuple[Mark, Mark] | None:
    """The marks for side A and side B of an interface.

    How they are read: the witness mark is a slim triangle whose tip points at a spot of the
    rim. Lay both pieces down with their seam faces up and the tips towards each other: the
    faces then close like a book and the two triangles meet, which they do in no other turn,
    for each points at one spot of the rim only. Turn either face so that its tip points at
    you and its letter stands upright, wherever there was room to put it so; that tells N
    from Z and M from W. The strokes on side A are a mirror image in the seam's frame, as A
    is looked at along the normal and B against it.

    Parameters
    ----------
    region : where the two sides meet, in the seam's frame.
    taken : (N, 2) mouths of pegs and sockets with what they keep free, mm.
    text : "A" to "ZZ".
    rooms : see `Rooms`; None if there is material enough behind all of the region.

    Returns
    -------
    None if the face is too small even for a witness mark. The letter is as large as fits
    up to `TALLEST`. All keeps 1 mm, and two nozzle widths, off the rim and what is taken.

    Raises
    ------
    BadInput
        If the text is not one or two capital letters.
    """
    lowest = max(LOWEST, SLENDER * LEAST_STROKE * profile.nozzle)
    share = max(breadth(text, 1.0, 1 / n) for n in (SLENDER, STROKES)) / 2
    face = _face(region, taken, profile, rooms)
    depth = _depth(profile)
    witness = _witness_places(face, profile)
    if not len(witness.size):
        return None
    found = _pair(face, _letter_places(face, share, lowest), witness, share, lowest)
    if found is None:
        best = int(np.argmax(witness.size - 0.5 * witness.back))
        alone = Mark((_triangle(witness, best),), depth, "")
        return alone, alone
    (at, turn, height), best = found
    width = max(height / STROKES, LEAST_STROKE * profile.nozzle)
    glyphs = strokes(text, height, width)
    middle = np.array([breadth(text, height, width) / 2, height / 2])
    triangle = _triangle(witness, best)
    on_b = tuple(placed(g - middle, at, turn) for g in glyphs)
    on_a = tuple(placed(((g - middle) * [-1.0, 1.0])[::-1], at, turn) for g in glyphs)
    return Mark((triangle, *on_a), depth, text), Mark((triangle, *on_b), depth, text)


def _depth(profile: PrinterProfile) -> float:
    """Of the marks, mm: three layers, more of thin ones and two of thick ones."""
    layer = profile.layer_height
    layers = max(3, int(np.ceil(SHALLOWEST / layer - 1e-9)))
    if layers * layer > DEEPEST + 1e-9:
        layers = 2
    return round(min(layers * layer, DEEPEST), 6)


# --- places ----------------------------------------------------------------------------

_PLACES, _SAMPLES, _SPOTS = 100, 240, 48
"""About how many places for a letter, samples of rims, and spots of the rim are looked at."""

_REFINED = 24
"""Places for a letter that are bettered by small steps."""

_KEPT = 80
"""Places for a letter that are looked at together with the witness mark's."""

_SHRINK = (1.0, 0.85, 0.7, 0.6, 0.5, 0.4)
"""A letter is tried at these shares of the height its place has room for."""


@dataclass(frozen=True, eq=False)
class _Face:
    """A region and what a mark must keep off, both by samples of their rims.

    A place that keeps off all samples is in the sampled loops if it is in the true ones.

    Attributes
    ----------
    step : between samples, mm at most.
    rim : (P, 2) all samples: of the outline, of holes and of what is taken, mm.
    off : what a mark's box keeps from each sample, mm: the margin and half a step, so that it
        keeps the margin from all that lies between.
    margin : mm.
    """

    region: Region
    taken: tuple[FloatArray, ...]
    step: float
    rim: FloatArray
    off: float
    margin: float
    rooms: Rooms | None

    def free(self, at: FloatArray) -> BoolArray:
        """(N,) which of (N, 2) places are in the region and not taken."""
        inside = self.region.contains(at)
        for outline in self.taken:
            inside &= ~inside_loop(at, outline)
        return inside

    def backed(self, at: FloatArray, radius: FloatArray) -> BoolArray:
        """(N,) whether there is material behind all of (N, C) discs about (N, C, 2) places."""
        if self.rooms is None or not len(at):
            return np.ones(len(at), dtype=bool)
        room = self.rooms(at.reshape(-1, 2)).reshape(at.shape[:2])
        return np.asarray((room >= radius + self.margin).all(axis=1))


@dataclass(frozen=True, eq=False)
class _Witness:
    """Places for the witness mark: (N, 2) tips, (N, 2) unit vectors from them to the base,
    (N,) lengths, mm, and (N,) how far back from where it might be at the nearest, mm."""

    tip: FloatArray
    inward: FloatArray
    size: FloatArray
    back: FloatArray


def _face(
    region: Region, taken: Sequence[FloatArray], profile: PrinterProfile, rooms: Rooms | None
) -> _Face:
    """The region with its rims sampled."""
    margin = max(1.0, 2 * profile.nozzle)
    step = max(float(np.clip(region.perimeter / _SAMPLES, 0.1, 1.0)), region.perimeter / 20_000)
    loops = tuple(_sampled_loop(loop, step) for loop in region.loops)
    mouths = tuple(_sampled_loop(outline, step) for outline in taken)
    rim = np.concatenate([*loops, *mouths])
    return _Face(Region(loops, ()), mouths, step, rim, margin + step / 2, margin, rooms)


def _sampled_loop(loop: FloatArray, step: float) -> FloatArray:
    """(N, 2) points along a closed loop, at most `step` mm apart along it."""
    closed = np.concatenate([loop, loop[:1]])
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    at = np.linspace(0, along[-1], int(np.ceil(along[-1] / step)) + 1)[:-1]
    return np.stack([np.interp(at, along, closed[:, k]) for k in (0, 1)], axis=1)


def _largest(
    face: _Face, at: FloatArray, turn: FloatArray, half: float, low: float, high: float
) -> FloatArray:
    """(K,) the largest size at which a box keeps off every rim; 0 or less where none does.

    Parameters
    ----------
    at, turn : (K, 2) mm and (K,) radians: where the box's origin is and how it is turned.
    half, low, high : the box at size 1: |x| ≤ half, -low ≤ y ≤ high.
    """
    # Each side of the box asks for a size that is linear in a point's coordinates.
    c, s = np.cos(turn), np.sin(turn)
    x, y = c * at[:, 0] + s * at[:, 1], c * at[:, 1] - s * at[:, 0]
    off = face.off
    sides = np.array(
        [
            [c / half, s / half, (-x - off) / half],
            [-c / half, -s / half, (x - off) / half],
            [-s / high, c / high, (-y - off) / high],
            [s / low, -c / low, (y - off) / low],
        ]
    ).transpose(0, 2, 1)
    points = np.concatenate([face.rim.T, np.ones((1, len(face.rim)))])
    size = np.empty(len(at))
    # In parts that stay in a processor's cache.
    for part in range(0, len(at), 32):
        asked = sides[:, part : part + 32] @ points
        np.maximum(asked[0], asked[1], out=asked[0])
        np.maximum(asked[2], asked[3], out=asked[2])
        size[part : part + 32] = np.maximum(asked[0], asked[2], out=asked[0]).min(axis=1)
    return size


def _letter_places(
    face: _Face, share: float, lowest: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middles (N, 2), turns (N,) in radians and heights (N,), mm, that letters have room for.

    Turns are the frame's and the long axis's quarters and those towards and along the
    nearest rim, all of them only by half a turn: a letter's box is the same upside down.

    share : half a letter's breadth, in heights.
    """
    spacing = float(np.sqrt(face.region.area / _PLACES))
    at = spots(face.region, spacing)
    at = at[face.free(at)]
    inner = min(share, 0.5)
    most = np.full(len(at), TALLEST)
    if face.rooms is not None and len(at):
        most = np.minimum(most, (face.rooms(at) - face.margin) / inner)
    gap = at[:, None] - face.rim[None]
    squared = dot(gap, gap)
    nearest = np.argmin(squared, axis=1)
    clear = np.sqrt(squared[np.arange(len(at)), nearest]) - face.off
    good = (most >= lowest) & (clear + spacing > inner * lowest)
    if not good.any():
        return np.zeros((0, 2)), np.zeros(0), np.zeros(0)
    at, most, nearest = at[good], most[good], nearest[good]
    to_rim = np.arctan2(*(face.rim[nearest] - at).T[::-1])
    long = face.rim - face.rim.mean(axis=0)
    axis = np.linalg.eigh(long.T @ long)[1][:, 1]
    fixed = np.arctan2(axis[1], axis[0])
    bases = np.stack([np.zeros(len(at)), np.full(len(at), fixed), to_rim], axis=1)
    turns = np.concatenate([bases, bases + np.pi / 2], axis=1).ravel()
    rows = np.repeat(np.arange(len(at)), 6)
    at, most = at[rows], most[rows]
    height = np.minimum(_largest(face, at, turns, share, 0.5, 0.5), most)
    at, turns, height = _refined(face, at, turns, height, share, spacing)
    order = np.argsort(-height, kind="stable")
    # Of equals, all over the face.
    equal = int(np.count_nonzero(height >= height[order[0]]))
    if equal > _KEPT:
        order = order[np.linspace(0, equal - 1, _KEPT).astype(np.int64)]
    order = order[height[order] >= lowest][:_KEPT]
    return at[order], turns[order], height[order]


def _refined(
    face: _Face, at: FloatArray, turn: FloatArray, height: FloatArray, share: float, spacing: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The places with the best of them bettered by steps of less than the grid's spacing."""
    best = np.argsort(-height, kind="stable")[:_REFINED]
    if height[best[-1]] >= TALLEST:
        return at, turn, height
    step = spacing / 2 * np.array([[x, y] for x in (-1, 0, 1) for y in (-1, 0, 1)])
    middles, turns = at[best], np.repeat(turn[best], len(step))
    for scale in (1.0, 0.5):
        near = (middles[:, None] + scale * step).reshape(-1, 2)
        size = _largest(face, near, turns, share, 0.5, 0.5).reshape(len(best), -1)
        pick = np.argmax(size, axis=1)
        middles = near.reshape(len(best), -1, 2)[np.arange(len(best)), pick]
    size = np.minimum(size.max(axis=1), TALLEST)
    inside = face.free(middles)
    return (
        np.concatenate([at, middles[inside]]),
        np.concatenate([turn, turn[best][inside]]),
        np.concatenate([height, size[inside]]),
    )


def _witness_places(face: _Face, profile: PrinterProfile) -> _Witness:
    """Where along the outline, and how large, a witness mark has room, pointing at the rim."""
    rim, step = face.region.outline, face.step
    # Across a chord of 2 mm or so: a sculpt's rim is rough.
    reach = max(1, min(round(1.0 / step), len(rim) // 8))
    chord = np.roll(rim, -reach, axis=0) - np.roll(rim, reach, axis=0)
    length = np.linalg.norm(chord, axis=1)
    every = np.arange(0, len(rim), max(1, len(rim) // _SPOTS))
    every = every[length[every] > 0.5 * reach * step]
    inward = np.stack([-chord[every, 1], chord[every, 0]], axis=1) / length[every, None]
    shortest = max(1.2, 4 * profile.nozzle)
    # Far back where the skin slants in under the face.
    backs = np.array([0.02, 0.15, 0.4, 1.0, 2.0, 4.0, 8.0])
    tip = rim[every, None] + (face.off + backs)[:, None] * inward[:, None]
    tip, inward = tip.reshape(-1, 2), np.repeat(inward, len(backs), axis=0)
    back = np.tile(backs, len(every))
    turn = np.arctan2(-inward[:, 0], inward[:, 1])
    most = _largest(face, tip, turn, SLIM / 2, 1e-9, 1.0)
    size = shortest * np.array(LENGTHS)
    fits = (most[:, None] >= size) & face.free(tip)[:, None]
    row, n = np.nonzero(fits)
    # The triangle lies in discs about points of its middle line.
    along, radius = np.array([0.2, 0.55, 0.85]), np.array([0.2, 0.27, 0.41])
    discs = tip[row, None] + (size[n, None] * along)[..., None] * inward[row, None]
    fits[row, n] = face.backed(discs, size[n, None] * radius)
    # Of each spot and size the place nearest to the rim.
    fits = fits.reshape(len(every), len(backs), len(size))
    spot, n = np.nonzero(fits.any(axis=1))
    row = spot * len(backs) + np.argmax(fits, axis=1)[spot, n]
    return _Witness(tip[row], inward[row], size[n], back[row])


def _triangle(places: _Witness, k: int) -> FloatArray:
    """(3, 2) the witness mark at place k, its tip first."""
    tip, inward, size = places.tip[k], places.inward[k], places.size[k]
    side = SLIM / 2 * size * np.array([inward[1], -inward[0]])
    base = tip + size * inward
    return np.array([tip, base + side, base - side])


def _pair(
    face: _Face,
    letters: tuple[FloatArray, FloatArray, FloatArray],
    witness: _Witness,
    share: float,
    lowest: float,
) -> tuple[tuple[FloatArray, float, float], int] | None:
    """The best letter and witness mark together.

    A letter as high as may be, with its foot to the witness mark, counts most; if no such
    pair fits at any height, the mark may be beside or above the letter.

    Returns
    -------
    Middle (2,), turn in degrees and height, mm, of the letter; and the witness mark's place.
    """
    at, turn, most = letters
    for strict in (True, False):
        for shrink in _SHRINK:
            height = shrink * most
            rows = np.flatnonzero(height >= lowest)
            rows = rows[_has_room(face, at[rows], turn[rows], height[rows], share)]
            if not len(rows):
                continue
            middle, high = np.tile(at[rows], (2, 1)), np.tile(height[rows], 2)
            way = np.concatenate([turn[rows], turn[rows] + np.pi])
            score = _scores(middle, way, high, witness, share, strict)
            best = int(np.argmax(score))
            k, w = divmod(best, len(witness.size))
            if score[k, w] > -np.inf:
                return (middle[k], float(np.degrees(way[k])), float(high[k])), w
    return None


def _has_room(
    face: _Face, at: FloatArray, turn: FloatArray, height: FloatArray, share: float
) -> BoolArray:
    """(N,) whether there is material behind all of letters' boxes."""
    columns, rows = int(np.ceil(8 * share)), 4
    x = share * (2 * np.arange(columns) + 1 - columns) / columns
    y = 0.5 * (2 * np.arange(rows) + 1 - rows) / rows
    cell = float(np.hypot(share / columns, 0.5 / rows))
    local = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    c, s = np.cos(turn), np.sin(turn)
    axes = np.array([[c, s], [-s, c]]).transpose(2, 0, 1)
    points = at[:, None] + height[:, None, None] * (local @ axes)
    return face.backed(points, cell * height[:, None])


def _scores(
    at: FloatArray,
    turn: FloatArray,
    height: FloatArray,
    witness: _Witness,
    share: float,
    strict: bool,
) -> FloatArray:
    """(N, M) how good each of N letters is with each of M witness marks, in mm of height;
    minus infinity where they clash or, if `strict`, where the foot is not to the mark."""
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    middle = witness.tip + 0.5 * witness.size[:, None] * witness.inward
    dx, dy = middle[:, 0] - at[:, :1], middle[:, 1] - at[:, 1:]
    x, y = c * dx + s * dy, c * dy - s * dx
    tall = height[:, None]
    gap = np.hypot(np.maximum(np.abs(x) - share * tall, 0), np.maximum(np.abs(y) - 0.5 * tall, 0))
    gap = gap - witness.size * float(np.hypot(0.5, SLIM / 2))
    # 1 where the mark is straight below the foot, and where it points straight down.
    below = -y / np.maximum(np.hypot(x, y), 1e-9)
    down = c * witness.inward[:, 1] - s * witness.inward[:, 0]
    score = tall - 0.1 * gap + 1.5 * below + 1.5 * down + 0.3 * c
    score += 0.3 * witness.size - 0.6 * witness.back
    bad = (gap < LAND * tall / SLENDER) | (witness.size > TO_LETTER * tall)
    if strict:
        bad |= (below < 0.77) | (down < 0.6)
    score[bad] = -np.inf
    return np.asarray(score)
