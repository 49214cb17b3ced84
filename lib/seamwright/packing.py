"""Packing: pieces in their poses laid out in as few builds as are found.

    packing = pack(items, printers, gap=5.0)

Silhouettes are packed as cells (`stencil`, `sheet`), or as boxes on shelves where that takes
fewer builds (`shelves`); the result is checked by its outlines (`builds.check_packing`) and
measured against what no packing can do with less than (`fewest`).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.spatial import ConvexHull

from seamwright.builds import (
    GAP,
    Build,
    Item,
    Packing,
    Placed,
    Printer,
    check_packing,
    covered,
    in_order,
    require_usable,
    takes,
    waiting,
)
from seamwright.errors import BadInput, Progress, Told
from seamwright.fewest import Fewest, fewest
from seamwright.fit import Fit, fit
from seamwright.mesh import FloatArray
from seamwright.platform import TOLERANCE, Platform
from seamwright.sheet import Effort, Shape, Sheet, Stencils, Task, evened, packed
from seamwright.shelves import ShelfBuild, on_shelves
from seamwright.silhouette import Loops, area, box, coarsened, grown, turned
from seamwright.stencil import HAIR, Grid, Stencil, stencil

EFFORT = 250_000
"""Stencils tried unless told otherwise; a core tries some 20 000 each second."""

EACH = 4_000
"""Stencils tried at most for each piece: few pieces have few ways to go together."""

TURNS = 24
"""Turns that every piece is tried in, besides those that lay it square to the platform."""

BOUNDED = 0.3
"""Share of a group's progress by when it is known how few builds it can have."""

COARSE = 0.05
"""mm within which outlines are simplified before they are laid out as cells."""


@dataclass(frozen=True, eq=False)
class _Laid:
    """A build as it was packed: shapes by their index, and where they are placed."""

    printer: int
    shapes: tuple[int, ...]
    placed: tuple[Placed, ...]


def pack(
    items: Sequence[Item],
    printers: Sequence[Printer],
    *,
    gap: float = GAP,
    done: Collection[int] = (),
    effort: int = EFFORT,
    seed: int = 0,
    progress: Progress | None = None,
) -> Packing:
    """Pack pieces into as few builds as are found, the same for the same input.

    Pieces of different groups never share a build. Builds are printed in the order in which
    assembly needs their pieces. Where several printers will do, the number of builds is kept
    least, and then they are shared out so that printers that run at once are started as few
    times as possible.

    Parameters
    ----------
    items : the pieces in their poses.
    printers : the first is preferred among equally large ones.
    gap : mm between pieces.
    done : numbers of pieces that are printed already; the others are packed anew.
    effort : work to spend on getting fewer builds, in stencils tried. seed : of its chances.
    progress : told how much is done.

    Raises
    ------
    BadInput
        If the input cannot be used (`require_usable`), a ticked-off piece does not exist, or a
        piece fits no printer's platform however it is turned about the vertical.
    CheckFailed
        If the builds do not hold their checks.
    Cancelled
        If `progress` raises it.
    """
    require_usable(items, printers, gap)
    if unknown := sorted(set(done) - {item.id for item in items}):
        raise BadInput(f"Piece {unknown[0]} is ticked off as printed, but there is no such piece.")
    left = sorted((item for item in items if item.id not in done), key=lambda item: item.id)
    if not left:
        return Packing((), 0, (), 0, gap)
    tell = progress or (lambda _done, _what: None)
    fits = _Fits(left, printers)
    task = _task(left, printers, gap, fits, tell)
    laid: list[_Laid] = []
    sheets: list[Sheet] = []
    bounds: list[Fewest] = []
    shelves, packed_yet = 0, 0
    for name in sorted({item.group for item in left}):
        among = [k for k, item in enumerate(left) if item.group == name]
        told = partial(_told, tell, packed_yet / len(left), len(among) / len(left))
        bound = _bound(left, printers, among, gap, fits, partial(told, 0.0, BOUNDED))
        told(BOUNDED, 1.0, 0.0)
        boxed = _boxed(left, printers, among, gap, task)
        # Where shelves do it with the fewest there can be, one way of packing cells will do.
        most = 0 if len(boxed) == bound.count else min(effort // len(left), EACH) * len(among)
        work = Effort(most, partial(told, BOUNDED, 1.0))
        found = _searched(task, among, bound.count, work, seed)
        bounds.append(bound)
        shelves += len(boxed)
        if len(boxed) < len(found):
            laid += boxed
        else:
            sheets += found
        packed_yet += len(among)
    taken = [sum(one.printer == j for one in laid) for j in range(len(printers))]
    for sheet in evened(task, sheets, [printer.count for printer in printers], taken):
        placed = tuple(_placed(left[on[0]], sheet.grid, on) for on in sheet.placed)
        laid.append(_Laid(sheet.printer, sheet.shapes, placed))
    tell(0.95, "checking builds")
    packing = Packing(
        _numbered(left, printers, laid),
        sum(bound.count for bound in bounds),
        tuple(bound.why for bound in bounds),
        shelves,
        gap,
    )
    check_packing(packing, left, printers, lambda d: tell(0.95 + 0.05 * d, "checking builds"))
    return packing


def _told(
    tell: Progress, before: float, share: float, first: float, last: float, done: float
) -> None:
    """Tell what is done of the work on a group, from its share `first` to `last`.

    before, share : of all pieces, those packed already, and the group's.
    """
    tell(0.3 + 0.6 * (before + share * (first + (last - first) * done)), "packing builds")


# --- what goes where -----------------------------------------------------------------


class _Fits:
    """Whether single items go on a platform, asked once each."""

    def __init__(self, items: Sequence[Item], printers: Sequence[Printer]) -> None:
        self._points = [_standing(item) for item in items]
        self._platforms = [printer.platform for printer in printers]
        self._known: dict[tuple[int, Platform], Fit] = {}

    def of(self, item: int, printer: int, *, excluded: bool = True) -> Fit:
        """The fit of an item on a printer's platform; its excluded corners counted or not."""
        platform = self._platforms[printer]
        if not excluded:
            platform = replace(platform, excluded=())
        key = (item, platform)
        if key not in self._known:
            self._known[key] = fit(self._points[item], platform, allow="turned")
        return self._known[key]


def _standing(item: Item) -> FloatArray:
    """(N, 3) the hull of an item's silhouette, at its foot and at its height."""
    points = np.concatenate(item.outline)
    hull = points[ConvexHull(points).vertices]
    return np.concatenate(
        [np.insert(hull, 2, 0.0, axis=1), np.insert(hull, 2, item.height, axis=1)]
    )


def _task(
    items: Sequence[Item], printers: Sequence[Printer], gap: float, fits: _Fits, tell: Progress
) -> Task:
    """The items as shapes, in all their turns on all printers."""
    pad = grown_by(gap)
    grids = tuple(Grid.of(printer.platform, pad) for printer in printers)
    shapes = []
    for k, item in enumerate(items):
        heed = partial(tell, 0.3 * k / len(items), "laying out silhouettes")
        heed()
        about = grown(item.outline, gap / 2)
        cover = coarsened(about, COARSE)
        stencils = tuple(
            _stencils(item, cover, grid, k, j, fits, heed)
            if takes(printer, item.group) and item.height <= printer.platform.size[2] + TOLERANCE
            else ()
            for j, (printer, grid) in enumerate(zip(printers, grids, strict=True))
        )
        allowed = [j for j, found in enumerate(stencils) if found]
        if not allowed:
            raise BadInput(_too_large(item, printers, k, fits))
        allowed.sort(key=lambda j: (-printers[j].platform.area, j))
        low, high = box(item.outline)
        span = float(np.linalg.norm(high - low))
        shapes.append(Shape(area(about), span, item.needed, stencils, tuple(allowed)))
    return Task(tuple(shapes), grids)


def grown_by(gap: float) -> float:
    """mm from an item's outline to the farthest that the cells of a grid must allow for."""
    return gap / 2 * 1.003 + 2.1 * COARSE + 100 * HAIR


def _stencils(
    item: Item,
    cover: Loops,
    grid: Grid,
    k: int,
    j: int,
    fits: _Fits,
    heed: Callable[[], None],
) -> Stencils:
    """An item on one printer in all turns that go, or in the only one and at the only place.

    heed : called before each turn.
    """
    found = []
    for turn in turns_of(item.outline):
        heed()
        one = stencil(grid, item.outline, cover, turn)
        found += [] if one is None else [one]
    if found:
        return tuple(found)
    only = fits.of(k, j)
    if only.reason:
        return ()
    turn = float(np.degrees(np.arctan2(only.rotation[1, 0], only.rotation[0, 0])))
    at = box(turned(item.outline, turn))[0] + only.offset[:2]
    one = stencil(grid, item.outline, cover, turn, at)
    return () if one is None else (one,)


def turns_of(outline: Loops) -> list[float]:
    """Turns to try a silhouette in, degrees: square to the platform first, then all round."""
    found: list[float] = []
    square = [0.0, *square_turns(outline)]
    even = [k * 360.0 / TURNS for k in range(TURNS)]
    for turn in [a + quarter for a in square for quarter in (0.0, 90.0, 180.0, 270.0)] + even:
        if all(abs((turn - other + 180.0) % 360.0 - 180.0) > 0.5 for other in found):
            found.append(turn)
    return found


def square_turns(outline: Loops) -> list[float]:
    """Turns, 0 to 90 degrees, in which an edge of the hull lies along the platform's sides:
    the one of the least bounding box, then the one of the longest edge."""
    points = np.concatenate(outline)
    hull = points[ConvexHull(points).vertices]
    edges = np.roll(hull, -1, axis=0) - hull
    angles = np.arctan2(edges[:, 1], edges[:, 0])
    c, s = np.cos(angles)[:, None], np.sin(angles)[:, None]
    wide = np.ptp(c * hull[:, 0] + s * hull[:, 1], axis=1)
    high = np.ptp(c * hull[:, 1] - s * hull[:, 0], axis=1)
    chosen = (int((wide * high).argmin()), int(np.linalg.norm(edges, axis=1).argmax()))
    return [float(np.degrees(-angles[k]) % 90.0) for k in chosen]


def _too_large(item: Item, printers: Sequence[Printer], k: int, fits: _Fits) -> str:
    """Why an item goes on no printer, and on which it misses by least."""
    able = [j for j, printer in enumerate(printers) if takes(printer, item.group)]
    nearest = min(able, key=lambda j: (fits.of(k, j).miss, j))
    x, y = (box(item.outline)[1] - box(item.outline)[0]).tolist()
    return (
        f"{item.label[0].upper()}{item.label[1:]}, {x:.0f} × {y:.0f} mm and {item.height:.0f} mm "
        "high in its pose, fits no printer however it is turned about the vertical; on "
        f"'{printers[nearest].name}' it misses by {max(fits.of(k, nearest).miss, 0.01):.2f} mm, "
        "so choose another pose or add a seam."
    )


# --- one group -----------------------------------------------------------------------


def _bound(
    items: Sequence[Item],
    printers: Sequence[Printer],
    among: Sequence[int],
    gap: float,
    fits: _Fits,
    told: Told,
) -> Fewest:
    """The lower bound for a group; a printer counts for a piece unless it is proven not to."""
    may = [
        [
            j
            for j, printer in enumerate(printers)
            if takes(printer, items[k].group) and not fits.of(k, j, excluded=False).reason
        ]
        for k in among
    ]
    group = items[among[0]].group
    return fewest(
        [items[k].outline for k in among],
        may,
        [printer.platform for printer in printers],
        gap,
        f"the pieces of group '{group}'" if group else "the pieces",
        told,
    )


def _boxed(
    items: Sequence[Item], printers: Sequence[Printer], among: Sequence[int], gap: float, task: Task
) -> list[_Laid]:
    """Bounding boxes on shelves: as the pieces stand or the least boxes, whichever is fewer."""
    outlines = [items[k].outline for k in among]
    allowed = [task.shapes[k].allowed for k in among]
    platforms = [printer.platform for printer in printers]
    least = [square_turns(outline)[0] for outline in outlines]
    ways = [
        on_shelves(outlines, turns, allowed, platforms, gap)
        for turns in ([0.0] * len(among), least)
    ]
    return [_on_shelf(items, among, build, task) for build in min(ways, key=len)]


def _on_shelf(items: Sequence[Item], among: Sequence[int], build: ShelfBuild, task: Task) -> _Laid:
    if build.lone is not None:
        k = among[build.lone]
        one = task.shapes[k].stencils[build.printer][0]
        place = (one.places & -one.places).bit_length() - 1
        alone = _placed(items[k], task.grids[build.printer], (k, one, place))
        return _Laid(build.printer, (k,), (alone,))
    placed = []
    for boxed in build.boxes:
        item = items[among[boxed.item]]
        x, y = np.array([boxed.x, boxed.y]) - box(turned(item.outline, boxed.turn))[0]
        placed.append(Placed(item.id, boxed.turn, float(x), float(y)))
    return _Laid(build.printer, tuple(among[boxed.item] for boxed in build.boxes), tuple(placed))


def _searched(
    task: Task, among: Sequence[int], bound: int, effort: Effort, seed: int
) -> list[Sheet]:
    """The silhouettes of a group packed as cells."""

    def waits(sheets: Sequence[Sheet]) -> int:
        return waiting([[task.shapes[k].needed for k in sheet.shapes] for sheet in sheets])

    return packed(task, among, bound, effort, seed, waits)


def _placed(item: Item, grid: Grid, on: tuple[int, Stencil, int]) -> Placed:
    """Where a stencil's place puts an item."""
    _, one, place = on
    row, column = divmod(place, grid.stride)
    x, y = np.array([column, row]) * grid.step + one.shift - one.low
    return Placed(item.id, one.turn, float(x), float(y))


# --- all together --------------------------------------------------------------------


def _numbered(
    items: Sequence[Item], printers: Sequence[Printer], laid: Sequence[_Laid]
) -> tuple[Build, ...]:
    """The builds in printing order."""
    order = in_order([[items[k].needed for k in one.shapes] for one in laid])
    before = [0] * len(printers)
    builds = []
    for number, at in enumerate(order, start=1):
        one = laid[at]
        printer = printers[one.printer]
        rank = {items[k].id: (items[k].needed, items[k].id) for k in one.shapes}
        held = [items[k] for k in one.shapes]
        builds.append(
            Build(
                number=number,
                printer=printer.name,
                group=held[0].group,
                placed=tuple(sorted(one.placed, key=lambda p: rank[p.item])),
                round=before[one.printer] // printer.count + 1,
                mass=sum(item.mass for item in held),
                height=max(item.height for item in held),
                covered=covered(held, printer.platform),
            )
        )
        before[one.printer] += 1
    return tuple(builds)
