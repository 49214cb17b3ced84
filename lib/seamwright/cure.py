"""What would make a piece fit that does not: a seam to move, or seams to add, each tried out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import ConvexHull, QhullError

from seamwright.errors import Progress
from seamwright.fit import Fit, fit
from seamwright.frame import Frame
from seamwright.hull import edges_of, outer
from seamwright.interface import Interface
from seamwright.mesh import FloatArray, IndexArray, Mesh
from seamwright.pieces import Piece
from seamwright.platform import Platform
from seamwright.seam import Point, Reach, Seam, place
from seamwright.section import section

CURED = 6
"""Pieces that are looked into at most, those that miss by least: their cures are the surest."""

ADDED = 4
"""Most parallel seams that are proposed."""

FRACTIONS = (0.5, 0.4, 0.6, 0.3, 0.7)
"""Where along a piece one new seam is tried, as shares of its extent."""


@dataclass(frozen=True)
class MovedSeam:
    """A seam that bounds the piece, moved into it until the piece fits.

    distance : mm. way : (3,) the direction in which it is moved.
    """

    seam: str
    distance: float
    way: tuple[float, float, float]

    @property
    def sentence(self) -> str:
        """What to do, as a part of a sentence."""
        # Adding 0 after rounding makes a negative zero a plain one.
        x, y, z = (round(c, 2) + 0.0 for c in self.way)
        way = f"along ({x:.2f}, {y:.2f}, {z:.2f})"
        if abs(z) > 0.95:
            way = "up" if z > 0 else "down"
        return f"move seam '{self.seam}' {self.distance:g} mm {way}"


@dataclass(frozen=True)
class NewSeams:
    """Flat seams that would take the piece into parts that fit.

    points : one in each seam's plane, mm. normal : of all of them.
    """

    points: tuple[tuple[float, float, float], ...]
    normal: tuple[float, float, float]

    @property
    def sentence(self) -> str:
        """What to do, as a part of a sentence."""
        x, y, z = self.normal
        many = "a seam" if len(self.points) == 1 else f"{len(self.points)} seams"
        where = " and ".join(place(p) for p in self.points)
        return f"add {many} near {where} square to ({x:g}, {y:g}, {z:g})"


def cures(
    fits: Mapping[int, Fit],
    blanks: Sequence[Piece],
    faces: Sequence[Interface],
    platform: Platform,
) -> dict[int, str]:
    """By piece that does not fit, what would cure it; of at most `CURED` that miss by least.

    Parameters
    ----------
    blanks : all pieces without pegs and sockets, which are sized anew after any change.
    faces : where they meet.
    """
    bad = sorted((n for n, f in fits.items() if f.way == "none"), key=lambda n: fits[n].miss)
    by_id = {p.id: p for p in blanks}
    found = {}
    for number in bad[:CURED]:
        moved, added = cure(by_id[number], fits[number], blanks, faces, platform)
        said = [c.sentence for c in (moved, added) if c is not None]
        if said:
            found[number] = " or ".join(said)
    return found


def cure(
    piece: Piece,
    found: Fit,
    blanks: Sequence[Piece],
    faces: Sequence[Interface],
    platform: Platform,
) -> tuple[MovedSeam | None, NewSeams | None]:
    """Find what would make a piece fit, tried out on the hulls of what it would leave.

    The seam moved is the one that has to go the least way; what it takes off the piece goes to
    the pieces across it, which must fit with it. New seams are laid across the piece in parallel.

    Parameters
    ----------
    piece : that does not fit, without pegs and sockets.
    found : of it, as `fit` gives it.
    """
    moves = [
        m
        for s in _bounding(piece, faces)
        if (m := _moved(s, piece, found, blanks, faces, platform)) is not None
    ]
    return min(moves, key=lambda m: m.distance, default=None), _added(piece, found, platform)


def _goes(points: FloatArray, found: Fit, platform: Platform) -> bool:
    """Whether points fit, as they stand or nearly as the whole piece fits best: both are quick."""
    some = outer(points)
    ups = np.concatenate([[[0.0, 0.0, 1.0]], found.rotation[::-1]])
    return any(fit(some, platform, up=up, allow="turned").way != "none" for up in ups)


def offered(
    numbers: Sequence[int],
    pieces: Sequence[Piece],
    blanks: Sequence[Piece],
    faces: Sequence[Interface],
    platforms: Sequence[Platform],
    progress: Progress | None = None,
) -> dict[int, tuple[Seam, ...]]:
    """By piece that does not fit, the seams that would take it into parts that do.

    Each takes that piece alone, as it stops at the seams that bound it. Ids and names are still
    to be given.

    Parameters
    ----------
    numbers : of the pieces that do not fit; of at most `CURED` that miss by least.
    pieces : all, as they print; `blanks` the same without pegs and sockets.
    platforms : what pieces may stand on.

    Raises
    ------
    Cancelled
        If `progress` raises it.
    """
    mesh_of, blank_of = {p.id: p.mesh for p in pieces}, {p.id: p for p in blanks}
    missed: dict[int, tuple[Fit, Platform]] = {}
    found = {}
    for k, number in enumerate(numbers):
        if progress:
            progress(0.5 * k / len(numbers), f"fitting piece {number}")
        tried = [(fit(mesh_of[number].vertices, p), p) for p in platforms]
        missed[number] = min(tried, key=lambda t: t[0].miss)
    nearest = sorted(numbers, key=lambda n: missed[n][0].miss)[:CURED]
    for k, number in enumerate(nearest):
        if progress:
            progress(0.5 + 0.5 * k / len(nearest), f"finding seams for piece {number}")
        added = _added(blank_of[number], *missed[number])
        if added is not None:
            found[number] = _as_seams(added, blank_of[number], faces)
    return found


def _as_seams(added: NewSeams, piece: Piece, faces: Sequence[Interface]) -> tuple[Seam, ...]:
    """New seams as a job has them, each with a point in every region of the piece that it takes."""
    mine = [face.seam.name for face in faces if piece.id in (face.piece_a, face.piece_b)]
    bounding = tuple(dict.fromkeys(mine))
    seams = []
    for point in added.points:
        frame = Frame.on_plane(point, added.normal)
        inner = [_point(frame.to_world(r.inner_point)) for r in section(piece.mesh, frame).regions]
        if inner:
            reach = Reach("nearest", tuple(inner))
            seams.append(Seam(0, "", inner[0], added.normal, reach, stops_at=bounding))
    return tuple(seams)


# --- a seam moved -----------------------------------------------------------------------


def _bounding(piece: Piece, faces: Sequence[Interface]) -> list[Seam]:
    """The flat seams that have the piece on one side only, and no piece on both sides."""
    seams = {}
    for face in faces:
        if piece.id in (face.piece_a, face.piece_b) and face.seam.line is None:
            seams[face.seam.name] = face.seam
    kept = []
    for seam in seams.values():
        mine = [f for f in faces if f.seam.name == seam.name]
        if not {f.piece_a for f in mine} & {f.piece_b for f in mine}:
            kept.append(seam)
    return kept


def _moved(
    seam: Seam,
    piece: Piece,
    found: Fit,
    blanks: Sequence[Piece],
    faces: Sequence[Interface],
    platform: Platform,
) -> MovedSeam | None:
    """The seam moved into the piece as far as it takes, in whole mm, if that is a cure."""
    mine = [f for f in faces if f.seam.name == seam.name]
    above = any(f.piece_a == piece.id for f in mine)
    sign = 1.0 if above else -1.0
    heights = sign * seam.frame.heights(piece.mesh.vertices)

    def left(distance: float) -> FloatArray:
        return _parted(piece.mesh, seam.id, heights, distance)[0]

    # A whole mm, so that the number told is the one that was tried; a seam moved through more
    # than half the piece would make another piece of it.
    low, high = 0, int(heights.max() / 2)
    if high < 1 or not _goes(left(high), found, platform):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        if _goes(left(middle), found, platform):
            high = middle
        else:
            low = middle
    if not _neighbours_go(seam, sign, high, mine, blanks, platform):
        return None
    x, y, z = (sign * seam.frame.normal).tolist()
    return MovedSeam(seam.name, float(high), (x, y, z))


def _neighbours_go(
    seam: Seam,
    sign: float,
    distance: float,
    mine: Sequence[Interface],
    blanks: Sequence[Piece],
    platform: Platform,
) -> bool:
    """Whether the pieces that a moved seam makes larger fit with what they gain."""
    mesh_of = {p.id: p.mesh for p in blanks}
    gains: dict[int, list[FloatArray]] = {}
    for face in mine:
        loser, gainer = (face.piece_a, face.piece_b)[:: int(sign)]
        mesh = mesh_of[loser]
        heights = sign * seam.frame.heights(mesh.vertices)
        gains.setdefault(gainer, []).append(_parted(mesh, seam.id, heights, distance)[1])
    for number, gained in gains.items():
        grown = np.concatenate([outer(mesh_of[number].vertices), *gained])
        if fit(grown, platform).way == "none":
            return False
    return True


def _parted(
    mesh: Mesh, seam: int, heights: FloatArray, distance: float
) -> tuple[FloatArray, FloatArray]:
    """Points of what is left of a piece when a seam moves into it, and of what it takes off.

    Only what hangs together with the seam's own faces below the new plane goes: the same plane
    may meet the piece elsewhere.

    seam : its id. heights : (V,) over the seam's plane, the piece above it, mm.
    """
    faces = mesh.faces
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    low = heights < distance
    inner = edges[low[edges].all(axis=1)]
    count = len(heights)
    graph = coo_matrix(
        (np.ones(len(inner), dtype=np.int8), (inner[:, 0], inner[:, 1])), shape=(count, count)
    )
    part = connected_components(graph, directed=False)[1]
    off = low & np.isin(part, part[np.unique(faces[mesh.tag == seam])])
    across = edges[off[edges[:, 0]] & ~low[edges[:, 1]]]
    cut = _crossed(mesh.vertices, across, heights - distance)
    return (
        np.concatenate([mesh.vertices[~off], cut]),
        np.concatenate([mesh.vertices[off], cut]),
    )


def _crossed(points: FloatArray, edges: IndexArray, heights: FloatArray) -> FloatArray:
    """(E, 3) where edges (E, 2), one end below 0 and one above or on it, are at height 0."""
    a, b = heights[edges[:, 0]], heights[edges[:, 1]]
    share = (a / (a - b))[:, None]
    return np.asarray(points[edges[:, 0]] * (1 - share) + points[edges[:, 1]] * share)


# --- seams added ------------------------------------------------------------------------


def _added(piece: Piece, found: Fit, platform: Platform) -> NewSeams | None:
    """As few parallel seams as do, of those tried with the smallest section of the hull."""
    points = outer(piece.mesh.vertices)
    try:
        hull = ConvexHull(points)
    except QhullError:
        return None
    edges = edges_of(hull)[1]
    # Level and upright planes first, then those square to what sticks out most.
    ways = np.concatenate([np.eye(3)[::-1], found.rotation, _longest_way(points)])
    # Two digits, so that the direction told is the one that was tried.
    ways = np.round(ways, 2) + 0.0
    for count in range(1, ADDED + 1):
        best: tuple[float, NewSeams] | None = None
        for way in ways:
            heights = points @ way
            low, high = float(heights.min()), float(heights.max())
            equal = [tuple((k + 1) / (count + 1) for k in range(count))]
            for shares in [(f,) for f in FRACTIONS] if count == 1 else equal:
                at = [low + share * (high - low) for share in shares]
                parts, cuts = _slices(points, edges, heights, at)
                size = sum(_spread(cut) for cut in cuts)
                if best is not None and size >= best[0]:
                    continue
                if all(_goes(part, found, platform) for part in parts):
                    middles = tuple(_point(cut.mean(axis=0)) for cut in cuts)
                    best = size, NewSeams(middles, _point(way))
        if best is not None:
            return best[1]
    return None


def _longest_way(points: FloatArray) -> FloatArray:
    """(1, 3) direction in which points spread most."""
    return np.asarray(np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][:1])


def _slices(
    points: FloatArray, edges: IndexArray, heights: FloatArray, at: Sequence[float]
) -> tuple[list[FloatArray], list[FloatArray]]:
    """The points of each part of a hull between planes at some heights, and those of each cut."""
    cuts = []
    for height in at:
        below = heights[edges] < height
        across = edges[below[:, 0] != below[:, 1]]
        cuts.append(_crossed(points, across, heights - height))
    ends = [-np.inf, *at, np.inf]
    parts = []
    for k, (low, high) in enumerate(pairwise(ends)):
        own = points[(heights >= low) & (heights <= high)]
        parts.append(np.concatenate([own, *cuts[max(k - 1, 0) : k + 1]]))
    return parts, cuts


def _spread(cut: FloatArray) -> float:
    """How large a section is, mm²: its spread, which goes with its area."""
    away = cut - cut.mean(axis=0)
    return float(np.sqrt(np.abs(np.linalg.eigvalsh(away.T @ away / len(away))[1:]).prod()))


def _point(values: FloatArray) -> Point:
    x, y, z = values.tolist()
    return x, y, z
