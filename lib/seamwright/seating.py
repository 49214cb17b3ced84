"""Seating: proof that pegs go home one way only, and in no other joint's sockets."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import permutations

import numpy as np
import numpy.typing as npt

from seamwright.entry import TOUCH, Pair, cells_entered, convex_enters, edge_distance, hull, within
from seamwright.mesh import BoolArray, FloatArray
from seamwright.offsets import area, centroid, edge_normals, is_convex, keeps, offset

IdArray = npt.NDArray[np.int64]

PLAY = 40.0
"""Degrees a single small peg may turn in its socket by its clearance and still be home: less
than half of the 90° to a square's next seat."""

ROUGH = 0.02
"""How well the radius of an outline's largest circle is reckoned, as a share of its extent."""
SEEN = 2
"""How often the rattle a dented mouth's outline may stand off a peg all round, by area, before
anybody sees that it is the wrong one (common practice, no source)."""

PRESSED = 8
"""A dented peg that would have to be pressed in by less than the rattle over this, or a hundredth
of its radius, may count as seating in a wrong socket: with force it would."""


def other_seatings(
    pegs: list[FloatArray], sockets: list[FloatArray], step: float = 0.5
) -> list[float]:
    """Turns, in degrees, at which pegs enter sockets in some other way than the right one.

    Every assignment of pegs to sockets is tried at every turn; the turns up to half a step
    to either side of a multiple of `step` from 0 to 360 stand under that multiple.

    Parameters
    ----------
    pegs, sockets : (N, 2) outlines in one plane, convex or not; socket k is peg k's own.
    step : degrees; the nearest that goes into 360 a whole number of times is taken.

    Returns
    -------
    Turns at which pegs seat wrongly; empty if the set goes home one way only. The run of
    turns next to home, up to PLAY each way with every peg in its own socket, is no other
    way: it is the clearance that lets the set turn a little.
    """
    count = round(360 / step)
    wrong: set[float] = set()
    for order in permutations(range(len(pegs))):
        home = order == tuple(range(len(pegs)))
        pair = Pair.of(pegs, [sockets[k] for k in order])
        if not pair.likely:
            continue
        fits, _ = cells_entered(pair, np.arange(count), 360 / count)
        if home:
            ahead = int(np.argmin(np.r_[fits, False]))
            back = int(np.argmin(np.r_[fits[::-1], False]))
            play = int(PLAY / step)
            fits[: min(ahead, play)] = False
            fits[len(fits) - min(back, play) :] = False
        wrong.update(float(k) * 360 / count for k in np.flatnonzero(fits))
    return sorted(wrong)


def keyed(pegs: list[FloatArray], sockets: list[FloatArray], step: float = 0.5) -> bool:
    """Whether `other_seatings` finds none; sooner told where a round turn seats wrongly."""
    pair = Pair.of(pegs, sockets)
    if pair.convex and pair.likely:
        round_turns = np.arange(45.0, 316.0, 15.0)
        if convex_enters(pair, round_turns).any():
            return False
    return not other_seatings(pegs, sockets, step)


def confused(
    pegs: list[FloatArray],
    mouths: list[FloatArray],
    rattle: float,
    depths: Sequence[float] = (),
    mouth_depths: Sequence[float] = (),
    step: float = 0.5,
) -> float | None:
    """A turn, in degrees, at which one joint's pegs would seat in another joint's sockets.

    Every choice of as many sockets as there are pegs is tried, in every order.

    Parameters
    ----------
    pegs, mouths : (N, 2) outlines, each in its own joint's plane, both seen the way the pegs
        go in: those of a joint seen from the other side must be `mirrored` first.
    rattle : mm per side by which the pegs can be grown and still enter where the play is so
        large that anybody sees it is the wrong socket (common practice, no source). A run of
        turns in which they do somewhere is no seating. Nor does it count if a mouth that
        dents has more area than its peg grown by `SEEN` times as much: that is seen too.
    depths, mouth_depths : of each peg and socket, mm; a peg that meets its socket's bottom
        before the faces meet does not seat. Without them depth is not looked at.

    Returns
    -------
    None if they seat nowhere.
    """
    if len(pegs) > len(mouths) or not pegs:
        return None
    may = _compatible(pegs, mouths)
    if len(depths) and len(mouth_depths):
        may &= np.asarray(depths)[:, None] <= np.asarray(mouth_depths) + TOUCH
    if not may.any(axis=1).all():
        return None
    larger = [_grown(np.ascontiguousarray(p).tobytes(), rattle) for p in pegs]
    grown = [g for g in larger if g is not None]
    if len(pegs) == 1 and grown:
        # A disc round the grown peg that lies in a mouth's largest circle turns in it freely.
        free = np.array([_measures(np.ascontiguousarray(m).tobytes())[3] for m in mouths])
        about = grown[0] - centroid(grown[0])
        may &= float(np.linalg.norm(about, axis=1).max()) > free
    dented = np.array([not is_convex(m) for m in mouths])
    if dented.any():
        room = np.array([area(m) for m in mouths])
        may &= ~dented | (room <= np.array([[area(offset(p, SEEN * rattle))] for p in pegs]))
    if not may.any(axis=1).all():
        return None
    for order in permutations(range(len(mouths)), len(pegs)):
        if not may[np.arange(len(pegs)), order].all():
            continue
        chosen = [mouths[k] for k in order]
        pair = Pair.of(pegs, chosen)
        if not pair.likely:
            continue
        loose = Pair.of(grown, chosen, pair.pivot) if len(grown) == len(pegs) else None
        found = _tight_turn(pair, loose, 360 / round(360 / step), rattle)
        if found is not None:
            return found
    return None


def _compatible(pegs: list[FloatArray], mouths: list[FloatArray]) -> BoolArray:
    """(P, M) whether a peg may seat in a mouth, by measures that only grow with an outline."""
    inner = np.array([_measures(np.ascontiguousarray(p).tobytes()) for p in pegs])
    outer = np.array([_measures(np.ascontiguousarray(m).tobytes()) for m in mouths])
    outer[:, 3] += ROUGH * outer[:, 2]
    return np.asarray((inner[:, None] <= outer * (1 + 1e-9) + TOUCH).all(axis=2))


@lru_cache(maxsize=4096)
def _grown(data: bytes, distance: float) -> FloatArray | None:
    """An outline, given as its bytes, with its edges moved out; None if it would fold."""
    outline = np.frombuffer(data).reshape(-1, 2)
    return offset(outline, distance) if keeps(outline, distance) else None


@lru_cache(maxsize=4096)
def _measures(data: bytes) -> tuple[float, float, float, float]:
    """Area, least and largest width of the hull, and radius of the largest circle inside, too
    small by ROUGH of the largest width at most: none is less for a larger outline.

    data : the bytes of an (N, 2) outline.
    """
    outline = np.frombuffer(data).reshape(-1, 2)
    around = hull(outline)
    across = np.ptp(around @ edge_normals(around).T, axis=0)
    far = float(np.linalg.norm(around[:, None] - around, axis=2).max())
    return area(outline), float(across.min()), far, _inradius(outline, ROUGH * far)


def _inradius(outline: FloatArray, within_mm: float) -> float:
    """Radius of the largest circle inside, mm, too small by `within_mm` at most.

    Squares are quartered as long as a better circle can have its centre in them.
    """
    low, high = outline.min(axis=0), outline.max(axis=0)
    half = float((high - low).max()) / 2
    centres, best = ((low + high) / 2)[None], 0.0
    quarters = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2
    while True:
        depth = np.where(within(centres, outline), 1, -1) * edge_distance(centres, outline)
        best = max(best, float(depth.max()))
        centres = centres[depth + np.sqrt(2) * half > best + within_mm]
        if not len(centres):
            return best
        centres = (centres[:, None] + quarters * half).reshape(-1, 2)
        half /= 2


def _tight_turn(pair: Pair, loose: Pair | None, step: float, rattle: float) -> float | None:
    """A turn in a run of seatings in none of which the grown pegs of `loose` enter."""
    count = round(360 / step)
    fine = min(rattle / PRESSED, pair.radius / 100)
    possible: BoolArray = np.ones(count, dtype=bool)
    rattles: BoolArray = np.zeros(count, dtype=bool)
    if loose is not None and pair.convex:
        possible, rattles = _rattling_blocks(pair, loose, step, rattle)
    elif loose is not None and loose.likely:
        rattles = cells_entered(loose, np.arange(count), step, fine)[1]
    rest = np.flatnonzero(possible & ~rattles)
    possible &= rattles
    possible[rest] = cells_entered(pair, rest, step, fine)[0]
    if loose is not None and pair.convex and loose.likely:
        rest = np.flatnonzero(possible & ~rattles)
        rattles[rest] = cells_entered(loose, rest, step)[1]
    for run in _runs(possible):
        if not rattles[run].any():
            return float(run[len(run) // 2]) * step
    return None


def _rattling_blocks(
    pair: Pair, loose: Pair, step: float, rattle: float
) -> tuple[BoolArray, BoolArray]:
    """Which cells are in blocks that are not disproved, and in blocks in the middle of which the
    grown convex pegs enter.

    Over a block no point moves by more than the rattle, so that the pegs enter all through it.
    """
    count = round(360 / step)
    block = int(np.clip(2 * np.degrees(rattle / pair.radius) / step, 1, 16))
    blocks = np.arange(0, count, block, dtype=np.float64)
    middle = np.asarray((blocks + (block - 1) / 2) * step, dtype=np.float64)
    held = convex_enters(pair, middle, block * step / 2)
    enters = np.zeros(len(middle), dtype=bool)
    if loose.likely:
        enters[held] = convex_enters(loose, middle[held])
    return np.repeat(held, block)[:count], np.repeat(enters, block)[:count]


def _runs(marked: BoolArray) -> list[IdArray]:
    """The runs of marked cells round the circle."""
    if not marked.any():
        return []
    if marked.all():
        return [np.arange(len(marked), dtype=np.int64)]
    first = int(np.argmin(marked))
    order = (np.arange(len(marked)) + first) % len(marked)
    at = np.flatnonzero(marked[order])
    cuts = np.flatnonzero(np.diff(at) > 1) + 1
    return [order[run] for run in np.split(at, cuts) if len(run)]
