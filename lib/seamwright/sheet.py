"""Sheets: builds being filled, cell by cell, and emptied into one another to get fewer.

Every piece is laid out as cells in many turns (`stencil`). One after the other the shapes are
put where they lie snuggest in the first sheet with room for them; then sheets are emptied
into one another again and again. All choices by chance come from a seed, and the work is
limited by counting it, so that the same input gives the same sheets on any machine.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from seamwright.errors import Told
from seamwright.stencil import Grid, Spread, Stencil, bits_of, left_open

CORNERS = 6
"""Places tried for each turn and each way of sitting in a corner."""

OFTEN = 1_000
"""Stencils tried between two words on how far the work is."""

SHARE = 0.5
"""Share of the turns that one attempt to empty a sheet looks at, chosen by chance. This, the
numbers of sheets emptied and the chance in the order were found by trying on 300 silhouettes
of a sculpted figure."""

Stencils = tuple[Stencil, ...]


@dataclass(frozen=True, eq=False)
class Shape:
    """An item as it is packed.

    Attributes
    ----------
    area : what it covers with half the gap about it, mm². span : its box's diagonal, mm.
    needed : its rank in the assembly order.
    stencils : for each printer those that have a place there; none where it may not go.
    allowed : printers that can take it, the best first.
    corner : which kind of corner, of four, it prefers to sit in among equally snug ones.
    """

    area: float
    span: float
    needed: int
    stencils: tuple[Stencils, ...]
    allowed: tuple[int, ...]
    corner: int = 0


@dataclass(frozen=True, eq=False)
class Sheet:
    """A build being filled.

    Attributes
    ----------
    printer : its index. occupied : bits of the cells that are taken.
    placed : (shape, stencil, place) of all that is in it. area : of those, mm².
    """

    grid: Grid
    printer: int
    occupied: int = 0
    placed: tuple[tuple[int, Stencil, int], ...] = ()
    area: float = 0.0

    @cached_property
    def spread(self) -> Spread:
        """What is taken, the surroundings too, ready for `left_open`."""
        return Spread(self.occupied | self.grid.edge)

    @property
    def shapes(self) -> tuple[int, ...]:
        return tuple(shape for shape, _, _ in self.placed)

    @property
    def left(self) -> int:
        """Cells that are not taken."""
        return self.grid.free - self.occupied.bit_count()

    def holding(self, shape: int, stencil: Stencil, place: int, area: float) -> Sheet:
        """The sheet with one more shape."""
        return replace(
            self,
            occupied=self.occupied | stencil.cells << place,
            placed=(*self.placed, (shape, stencil, place)),
            area=self.area + area,
        )


@dataclass(frozen=True, eq=False)
class Task:
    """What is packed: the shapes, and one grid for each printer."""

    shapes: tuple[Shape, ...]
    grids: tuple[Grid, ...]

    def with_some_turns(self, among: Sequence[int], chance: random.Random) -> Task:
        """The same, some shapes with only a share of their turns and another favourite corner."""
        shapes = list(self.shapes)
        for k in among:
            shapes[k] = replace(
                shapes[k],
                corner=chance.randrange(4),
                stencils=tuple(
                    tuple(chance.sample(s, min(len(s), max(4, int(SHARE * len(s))))))
                    for s in shapes[k].stencils
                ),
            )
        return replace(self, shapes=tuple(shapes))


class Effort:
    """How much work is left, counted in stencils tried.

    told : called with the share that is spent, every now and then; it may raise `Cancelled`.
    """

    def __init__(self, most: int, told: Told | None = None) -> None:
        self.left = most
        self._most, self._told, self._unsaid = most, told, 0

    def spend(self, tried: int) -> None:
        self.left -= tried
        self._unsaid += tried
        if self._told and self._unsaid >= OFTEN:
            self._unsaid = 0
            self._told(1.0 if self.spent else 1.0 - self.left / self._most)

    @property
    def spent(self) -> bool:
        return self.left <= 0


# --- placing -------------------------------------------------------------------------


def snuggest(sheet: Sheet, shape: Shape) -> tuple[Stencil, int] | None:
    """The stencil and the place where most of the cells around it are taken or off the platform.

    Only places in corners are looked at, from which it can be moved neither the one way nor
    the other: of the four kinds of corners a few of each.
    """
    best, score = None, -1.0
    spread, left, beside = sheet.spread, sheet.left, sheet.occupied | sheet.grid.edge
    for stencil in shape.stencils[sheet.printer]:
        if stencil.count > left:
            continue
        open_ = left_open(stencil.runs, spread, stencil.places)
        if not open_:
            continue
        for place in _corners(open_, sheet.grid.stride, shape.corner):
            snug = ((stencil.ring << place) & beside).bit_count() / stencil.around
            if snug > score:
                score, best = snug, (stencil, place)
    return best


def _corners(open_: int, stride: int, first: int) -> list[int]:
    """Some of the places with none beside them on two neighbouring sides, a kind at a time."""
    no_left, no_right = open_ & ~(open_ << 1), open_ & ~(open_ >> 1)
    below, above = ~(open_ << stride), ~(open_ >> stride)
    found: dict[int, None] = {}
    kinds = (no_left & below, no_right & above, no_left & above, no_right & below)
    for kind in range(4):
        for count, place in enumerate(bits_of(kinds[(first + kind) % 4])):
            if count == CORNERS:
                break
            found[place] = None
    return list(found)


def put(task: Task, sheets: list[Sheet], shape: int, effort: Effort) -> bool:
    """Put a shape into the first sheet with room; False if there is none."""
    for k, sheet in enumerate(sheets):
        effort.spend(len(task.shapes[shape].stencils[sheet.printer]))
        found = snuggest(sheet, task.shapes[shape])
        if found:
            sheets[k] = sheet.holding(shape, *found, task.shapes[shape].area)
            return True
    return False


def filled(
    task: Task, order: Sequence[int], effort: Effort, most: int | None = None
) -> tuple[list[Sheet], list[int]]:
    """Put shapes into sheets, each into the first with room, a new one where there is none.

    most : sheets at most. Returns them, and the shapes left over.
    """
    sheets: list[Sheet] = []
    over: list[int] = []
    for shape in order:
        if put(task, sheets, shape, effort):
            continue
        if most is not None and len(sheets) >= most:
            over.append(shape)
            continue
        printer = task.shapes[shape].allowed[0]
        new = [Sheet(task.grids[printer], printer)]
        put(task, new, shape, effort)
        sheets += new
    return sheets, over


# --- searching -----------------------------------------------------------------------


def orders(task: Task, among: Sequence[int]) -> list[list[int]]:
    """Orders to put shapes in: large ones first by several measures, and as they are needed."""
    keys: tuple[Callable[[Shape], float], ...] = (
        lambda shape: -shape.area,
        lambda shape: -shape.span,
        lambda shape: -shape.area * shape.span,
        lambda shape: shape.needed,
    )
    return [sorted(among, key=lambda k: (key(task.shapes[k]), k)) for key in keys]


def packed(
    task: Task,
    among: Sequence[int],
    bound: int,
    effort: Effort,
    seed: int,
    waits: Callable[[list[Sheet]], int],
) -> list[Sheet]:
    """As few sheets as are found; of as many, those for which assembly waits least.

    among : the shapes to pack. bound : fewer sheets are not looked for. waits : how long.
    """
    chance = random.Random(seed)
    found: list[list[Sheet]] = []
    for order in orders(task, among):
        if not found or not effort.spent:
            found.append(filled(task, order, effort)[0])
    best = min(found, key=lambda sheets: (len(sheets), waits(sheets)))
    sheets = min(found, key=lambda sheets: (len(sheets), -_packed_unevenly(sheets)))
    while not effort.spent and len(best) > bound and len(sheets) > 1:
        sheets = emptied(task, sheets, effort, chance)
        if (len(sheets), waits(sheets)) < (len(best), waits(best)):
            best = sheets
    return best


def _packed_unevenly(sheets: Sequence[Sheet]) -> float:
    """The more so, the nearer one sheet is to being empty; mm⁴."""
    return sum(sheet.area**2 for sheet in sheets)


def emptied(task: Task, sheets: list[Sheet], effort: Effort, chance: random.Random) -> list[Sheet]:
    """One attempt to empty a sheet into one or two others; the sheets as given if it is no good.

    What does not go into those goes into any other, or into one new sheet.
    """
    ranked = sorted(range(len(sheets)), key=lambda k: (sheets[k].area, k))
    victim = ranked[0] if chance.random() < 0.8 else chance.choice(ranked)
    others = [k for k in ranked if k != victim]
    partners = chance.sample(others, min(len(others), chance.choice((1, 1, 2))))
    pool = [shape for k in (victim, *partners) for shape in sheets[k].shapes]
    some = task.with_some_turns(pool, chance)
    weight = {k: task.shapes[k].area * math.exp(chance.gauss(0, 0.1)) for k in pool}
    order = sorted(pool, key=lambda k: (-weight[k], k))
    new, over = filled(some, order, effort, most=len(partners))
    rest = [sheet for k, sheet in enumerate(sheets) if k != victim and k not in partners]
    over = [shape for shape in over if not put(some, rest, shape, effort)]
    last, over = filled(some, over, effort, most=1)
    after = [*rest, *new, *last]
    # Ever so little worse is let through: it leads out of dead ends.
    least = _packed_unevenly(sheets) * (1 - 1e-3 * chance.random())
    if over or (len(after) == len(sheets) and _packed_unevenly(after) < least):
        return sheets
    return after


# --- several printers ----------------------------------------------------------------


def evened(
    task: Task, sheets: Sequence[Sheet], counts: Sequence[int], taken: Sequence[int]
) -> list[Sheet]:
    """As many sheets, moved to idle printers as far as that saves rounds.

    counts : how many there are of each printer; all run at once.
    taken : builds that each printer has besides.
    """
    found = list(sheets)
    while True:
        load = [n + sum(sheet.printer == k for sheet in found) for k, n in enumerate(taken)]
        rounds = [-(-n // count) for n, count in zip(load, counts, strict=True)]
        idle = [k for k, n in enumerate(load) if -(-(n + 1) // counts[k]) < max(rounds)]
        busy = [k for k, sheet in enumerate(found) if rounds[sheet.printer] == max(rounds)]
        moves = (
            (k, moved)
            for k in sorted(busy, key=lambda k: (found[k].area, k))
            for printer in idle
            if (moved := _on(task, found[k], printer)) is not None
        )
        move = next(moves, None)
        if move is None:
            return found
        found[move[0]] = move[1]


def _on(task: Task, sheet: Sheet, printer: int) -> Sheet | None:
    """All of a sheet on another printer, if it goes there."""
    effort = Effort(0)
    for order in orders(task, sheet.shapes):
        new = [Sheet(task.grids[printer], printer)]
        if all(put(task, new, shape, effort) for shape in order):
            return new[0]
    return None
