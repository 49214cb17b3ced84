"""Builds: what shares a platform once, where each piece stands on it, and in which order.

    packing = pack(items, printers, gap=5.0)

`packing.pack` makes them; here is what they are, and the checks that they hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from seamwright.errors import BadInput, CheckFailed, Told
from seamwright.mesh import FloatArray, Mesh
from seamwright.outline import loop_area
from seamwright.platform import TOLERANCE, Platform
from seamwright.silhouette import (
    Loops,
    area,
    box,
    distance,
    moved,
    overlap,
    silhouette,
    turn_matrix,
    turned,
)

GAP = 5.0
"""mm between pieces unless given (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Item:
    """A piece in its pose, as packing sees it.

    Attributes
    ----------
    id : the piece's number. name : its name.
    outline : its silhouette in the pose, about the piece's own origin, mm.
    height : in the pose, mm.
    group : what is kept apart, such as a colour or a material; equal ones may share a build.
    needed : its rank in the assembly order; what is put together first has the lowest.
    mass : printed, g.
    """

    id: int
    name: str
    outline: Loops
    height: float
    group: str = ""
    needed: int = 0
    mass: float = 0.0

    @property
    def label(self) -> str:
        """What a message calls it."""
        return f"piece {self.id} '{self.name}'"


@dataclass(frozen=True)
class Printer:
    """A printer that builds can go to.

    Attributes
    ----------
    name : no two alike. platform : what pieces may stand on.
    count : how many of them run at once.
    groups : which groups it prints; all if empty.
    """

    name: str
    platform: Platform
    count: int = 1
    groups: tuple[str, ...] = ()


@dataclass(frozen=True)
class Placed:
    """Where a piece stands: turned about its own vertical through its origin, then moved.

    Attributes
    ----------
    item : the piece's number. turn : counter-clockwise seen from above, degrees.
    x, y : where its origin comes to lie, mm from the platform's front left corner.
    """

    item: int
    turn: float
    x: float
    y: float

    def outline(self, item: Item) -> Loops:
        """The item's silhouette where it stands, mm."""
        return moved(turned(item.outline, self.turn), np.array([self.x, self.y]))

    def transform(self, mesh: Mesh, rotation: npt.ArrayLike) -> FloatArray:
        """(4, 3) from the piece's own coordinates to the platform's; see `pose_transform`."""
        return pose_transform(mesh.vertices, rotation, self.turn, (self.x, self.y))


@dataclass(frozen=True)
class Build:
    """What shares a platform once.

    Attributes
    ----------
    number : in printing order, from 1. printer : the printer's name. group : of all its pieces.
    placed : its pieces, the earliest needed first.
    round : when it is printed, from 1, if all printers start together each time.
    mass : printed, g. height : mm.
    covered : share of the platform that the silhouettes cover.
    """

    number: int
    printer: str
    group: str
    placed: tuple[Placed, ...]
    round: int
    mass: float
    height: float
    covered: float


@dataclass(frozen=True)
class Packing:
    """All builds, and how few they can be.

    Attributes
    ----------
    builds : in printing order.
    lower_bound : no packing of these pieces with this gap has fewer builds. why : of each group.
    shelves : builds that a first-fit shelf packing of bounding boxes takes.
    gap : kept between pieces, mm.
    """

    builds: tuple[Build, ...]
    lower_bound: int
    why: tuple[str, ...]
    shelves: int
    gap: float

    @property
    def rounds(self) -> int:
        """How often printers are started if all that have something to print start together."""
        return max((build.round for build in self.builds), default=0)

    @property
    def sentence(self) -> str:
        """The count, what it is measured against, and why it cannot be less."""
        if not self.builds:
            return "Nothing is left to print."
        count = len(self.builds)
        said = f"{count} build{'s' if count > 1 else ''}"
        if count == self.lower_bound:
            said += ", and fewer are impossible"
        else:
            said += f"; at least {self.lower_bound} are needed"
        saved = self.shelves - count
        return said + (
            f"; {saved} fewer than bounding boxes on shelves take ({self.shelves})."
            if saved
            else f"; bounding boxes on shelves take {self.shelves} too."
        )


def item_of(
    mesh: Mesh,
    rotation: npt.ArrayLike,
    *,
    id: int,
    name: str,
    group: str = "",
    needed: int = 0,
    mass: float = 0.0,
) -> Item:
    """A piece's item: its silhouette and height in a pose.

    Parameters
    ----------
    rotation : (3, 3) of the pose, ``points @ rotation.T``.

    Raises
    ------
    BadInput
        If nothing of the piece can be seen from above.
    """
    turn = np.asarray(rotation, dtype=np.float64)
    outline = silhouette(mesh.vertices, mesh.faces, turn)
    height = float(np.ptp(mesh.vertices @ turn[2]))
    return Item(id, name, outline, height, group, needed, mass)


def pose_transform(
    vertices: FloatArray, rotation: npt.ArrayLike, turn: float, at: tuple[float, float]
) -> FloatArray:
    """(4, 3) to the platform: a point row times the first three rows, plus the fourth.

    The pose's rotation, then the turn about the vertical, then the move; the lowest vertex
    comes to z = 0.
    """
    whole = np.eye(3)
    whole[:2, :2] = turn_matrix(turn)
    whole = whole @ np.asarray(rotation, dtype=np.float64)
    low = float((vertices @ whole[2]).min())
    return np.vstack([whole.T, [at[0], at[1], -low]])


# --- order ---------------------------------------------------------------------------


def in_order(builds: Sequence[Sequence[int]]) -> list[int]:
    """In which order to print builds, each given as the ranks of its pieces.

    The build with the piece that is needed earliest goes first. Then, whatever number of
    pieces has been put together, no other order would have wanted fewer builds for them:
    those that hold the pieces, and no more, have been printed.
    """
    return sorted(range(len(builds)), key=lambda k: (sorted(builds[k]), k))


def waiting(builds: Sequence[Sequence[int]]) -> int:
    """How many builds each piece waits for, summed, with the builds in their best order.

    A piece can be put on when it and all that are needed before it are printed.
    """
    first = sorted(min(ranks) for ranks in builds)
    ranks = np.concatenate([np.array(ranks) for ranks in builds]) if builds else np.zeros(0)
    return int(np.searchsorted(first, ranks, side="right").sum())


# --- checks --------------------------------------------------------------------------


def require_usable(items: Sequence[Item], printers: Sequence[Printer], gap: float) -> None:
    """Refuse what cannot be packed whatever the pieces' shapes.

    Raises
    ------
    BadInput
        If there is no printer, two have one name, one counts less than one or names an unknown
        group, two pieces have one number, a group has no printer, or the gap is no length
        or leaves no platform for two pieces.
    """
    if not printers:
        raise BadInput("There is no printer to pack builds for; name one.")
    names = [printer.name for printer in printers]
    for printer in printers:
        if names.count(printer.name) > 1:
            raise BadInput(f"Two printers are called '{printer.name}'; give each its own name.")
        if printer.count < 1:
            raise BadInput(
                f"Printer '{printer.name}' has a count of {printer.count}; give 1 or more."
            )
    groups = {item.group for item in items}
    for printer in printers:
        for group in printer.groups:
            if group not in groups:
                raise BadInput(
                    f"Printer '{printer.name}' prints group '{group}', which no piece is in; "
                    f"use one of {', '.join(repr(g) for g in sorted(groups))}."
                )
    ids = [item.id for item in items]
    for item in items:
        if ids.count(item.id) > 1:
            raise BadInput(f"Two pieces have the number {item.id}; give each its own.")
        if not any(takes(printer, item.group) for printer in printers):
            raise BadInput(
                f"No printer prints group '{item.group}' of {item.label}; add the group to one."
            )
    if not (np.isfinite(gap) and gap >= 0):
        raise BadInput(f"The gap between pieces is {gap:g} mm; give 0 or more.")
    widest = max(printers, key=lambda p: min(p.platform.size[:2]))
    if gap >= min(widest.platform.size[:2]):
        x, y, _ = widest.platform.size
        raise BadInput(
            f"A gap of {gap:g} mm between pieces is larger than the largest platform, "
            f"'{widest.name}' with {x:g} × {y:g} mm; make it smaller."
        )


def takes(printer: Printer, group: str) -> bool:
    """Whether the printer prints the group."""
    return not printer.groups or group in printer.groups


def lies_on(platform: Platform, loops: Loops) -> bool:
    """Whether a placed silhouette lies on the platform; what it surrounds counts as its own."""
    return all(platform.holds(loop) for loop in loops if loop_area(loop) > 0)


def check_packing(
    packing: Packing,
    items: Sequence[Item],
    printers: Sequence[Printer],
    told: Told | None = None,
) -> None:
    """Check builds by exact outlines, not by the cells they were packed with.

    told : called with the share done, for every two pieces; it may raise `Cancelled`.

    Raises
    ------
    CheckFailed
        If an item is missing or placed twice, sticks out of its platform or its height, is
        nearer to another than the gap, or shares a build with another group.
    """
    of = {item.id: item for item in items}
    platforms = {printer.name: printer.platform for printer in printers}
    found = sorted(p.item for build in packing.builds for p in build.placed)
    if found != sorted(of):
        raise CheckFailed("The builds do not hold every piece just once; report it.")
    tell = told or (lambda _done: None)
    for n, build in enumerate(packing.builds):
        tell(n / len(packing.builds))
        where = f"In build {build.number}"
        platform = platforms[build.printer]
        there = [(of[p.item], p.outline(of[p.item])) for p in build.placed]
        for item, loops in there:
            if item.group != build.group:
                raise CheckFailed(f"{where} {item.label} is of another group; report it.")
            if not lies_on(platform, loops) or item.height > platform.size[2] + TOLERANCE:
                raise CheckFailed(f"{where} {item.label} sticks out of the platform; report it.")
        for (one, a), (other, b) in combinations(there, 2):
            tell(n / len(packing.builds))
            if _boxes_apart(a, b) <= packing.gap and (
                distance(a, b) < packing.gap - TOLERANCE or overlap(a, b) > TOLERANCE
            ):
                raise CheckFailed(
                    f"{where} {one.label} and {other.label} are nearer than "
                    f"{packing.gap:g} mm; report it."
                )


def _boxes_apart(one: Loops, other: Loops) -> float:
    a, b = box(one), box(other)
    return float(np.linalg.norm(np.maximum(np.maximum(a[0] - b[1], b[0] - a[1]), 0.0)))


def covered(items: Sequence[Item], platform: Platform) -> float:
    """Share of the platform that items cover."""
    return sum(area(item.outline) for item in items) / platform.area
