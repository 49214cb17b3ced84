"""Places: where on a seam face pegs of some size have room, on either side of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seamwright.choice import JointChoice, Side
from seamwright.clearance import WIDEST
from seamwright.footprint import Shape, outline_of, section_outline, unkeyed
from seamwright.interface import Interface
from seamwright.mesh import FloatArray, Mesh
from seamwright.middle import along, middle_line
from seamwright.offsets import outradius, placed
from seamwright.outline import Region
from seamwright.printer import PrinterProfile
from seamwright.room import Obstacles, clear_radius, obstacles, spots

DEPTH_SHARES = (1.25, 1.1, 1.0, 0.85, 0.7, 0.6)
"""Peg depths tried, as shares of the width, deepest first (common practice, no source)."""

ROOT_SHARE = 0.5
"""Material wanted behind a peg's root, as a share of its width (common practice, no source)."""

SECOND_SHARE = 0.75
"""Width of the odd peg of a set over the others', so that the set goes home one way only."""

MOST_TAPER = 0.12
"""Most that sides may come in by the draft, as a share of the width: beyond about 0.13 a D's
shortest edges would turn over."""

APART = 2.5
"""Least distance between two pegs' middles, in widths (common practice, no source)."""

LONG_FACE = 8.0
"""Area over the square of the inscribed radius from which a face counts as long; a disc has π."""


@dataclass(frozen=True, eq=False)
class Home:
    """One candidate for where the sockets go, with what stands in the way on both sides.

    side : that holds the sockets; of loose pegs the side slid over them last.
    loose : whether both sides hold sockets.
    above, below : behind side A and behind side B.
    reach : how far behind the face, and beside it, that was collected, mm.
    """

    side: Side
    loose: bool
    above: Obstacles
    below: Obstacles
    reach: float

    def behind(self, side: Side) -> Obstacles:
        return self.above if side == "A" else self.below

    @property
    def sunk(self) -> tuple[Side, ...]:
        """The sides that hold sockets."""
        return ("A", "B") if self.loose else (self.side,)

    def room(self, at: FloatArray, depth: float, root: float, slope: FloatArray) -> FloatArray:
        """(N,) clear radius at (N, 2) places for sockets `depth` deep and roots `root` deep."""
        found = np.full(len(at), np.inf)
        for side in ("A", "B"):
            down = depth if side in self.sunk else root
            lean = slope if side == "A" else -slope
            leaning = lean if lean.any() else None
            found = np.minimum(found, clear_radius(at, self.behind(side), down, leaning))
        return found


@dataclass(frozen=True, eq=False)
class Plan:
    """A set of pegs that has room.

    outlines : (N, 2) about the origin, turned, one for each of `centres`.
    """

    home: Home
    shape: Shape
    centres: FloatArray
    outlines: tuple[FloatArray, ...]
    widths: tuple[float, ...]
    depth: float
    slope: FloatArray

    @property
    def score(self) -> float:
        """Strength goes with the cube of a peg's width, hold with its depth."""
        return sum(w**3 for w in self.widths) * self.depth / max(self.widths)


def homes(
    face: Interface,
    mesh_of: dict[int, Mesh],
    bodies: dict[int, list[FloatArray]],
    deepest: float,
    radius: float,
    choice: JointChoice,
    slope: FloatArray | None = None,
) -> list[Home]:
    """Where the sockets may go; by rule in the piece below first.

    bodies : (T, 3, 3) of what each piece already has.
    deepest : how far behind the face to look, mm.
    radius : of the face's largest circle, mm.
    slope : (2,) sideways per mm along the normal that the pegs run.
    """
    lean = slope if slope is not None and slope.any() else None
    frame, region = face.frame, face.region
    spacing = float(np.clip(radius / 15, 0.1, 3.0))
    below, above = (
        obstacles(
            mesh_of[piece], own, frame, into, region, deepest, spacing, tuple(bodies[piece]), aside
        )
        for piece, own, into, aside in (
            (face.piece_b, face.b.faces, -frame.normal, None if lean is None else -lean),
            (face.piece_a, face.a.faces, frame.normal, lean),
        )
    )
    if choice.kind == "loose pegs":
        return [Home("A", True, above, below, deepest)]
    both = [Home("B", False, above, below, deepest), Home("A", False, above, below, deepest)]
    return [h for h in both if choice.pegs_on is None or choice.pegs_on != h.side]


@dataclass(frozen=True, eq=False)
class Wish:
    """What a set of pegs should be.

    variant : of the footprint's key, below 0 for none. places : (K, 2) fixed, or None.
    shares : depths tried over the width, deepest first. depth : fixed, mm, or None.
    slack : room wanted besides, mm, where places without it left too thin a wall.
    """

    shape: Shape
    variant: int
    pegs: int
    width: float
    turn: float
    slope: FloatArray
    clearance: float
    shares: tuple[float, ...]
    places: FloatArray | None = None
    depth: float | None = None
    slack: float = 0.0


def plan(
    region: Region, home: Home, wish: Wish, grid: FloatArray, profile: PrinterProfile
) -> Plan | None:
    """Where pegs as wished have room with their sockets as in `home`; at the deepest depth.

    grid : (N, 2) places to look at, see `grid_of`.
    """
    if wish.shape == "section":
        return _following(region, home, wish, profile)
    widths = widths_of(wish.pegs, wish.width, profile)
    outlines = tuple(
        placed(_outline(wish.shape, w, wish.variant), np.zeros(2), wish.turn) for w in widths
    )
    need = outradius(outlines[0]) + wish.clearance + profile.relief + profile.wall + wish.slack
    at = grid if wish.places is None else wish.places
    root = ROOT_SHARE * wish.width
    draft = 0.0 if home.loose else profile.draft
    for share in wish.shares if wish.depth is None else (1.0,):
        depth = wish.depth or share * wish.width
        if taper(depth, draft, profile) > MOST_TAPER * min(widths):
            continue
        room = home.room(at, depth + profile.seating_gap + profile.wall, root, wish.slope)
        if wish.places is not None:
            chosen = at if bool((room >= need).all()) else None
        else:
            chosen = _chosen(region, at, room, need, wish)
        if chosen is not None:
            return Plan(home, wish.shape, chosen, outlines, widths, depth, wish.slope)
    return None


def _outline(shape: Shape, width: float, variant: int) -> FloatArray:
    return unkeyed(shape, width) if variant < 0 else outline_of(shape, width, variant)


def grid_of(region: Region, radius: float) -> FloatArray:
    """(N, 2) places of a region where pegs may go, mm. radius : of its largest circle."""
    return spots(region, max(radius / 8, float(np.sqrt(region.area)) / 40))


def widths_of(pegs: int, width: float, profile: PrinterProfile) -> tuple[float, ...]:
    """Widths of a set of pegs: all alike but for one, so that the set goes home one way only."""
    if pegs == 1:
        return (width,)
    return (width,) * (pegs - 1) + (max(SECOND_SHARE * width, narrowest(profile)),)


def narrowest(profile: PrinterProfile) -> float:
    """The thinnest peg that prints sound, mm: six nozzle widths and at least 2 mm
    (common practice, no source)."""
    return max(6 * profile.nozzle, 2.0)


def taper(depth: float, draft: float, profile: PrinterProfile) -> float:
    """How far a socket's sides come in from mouth to bottom, mm."""
    return float(np.tan(np.radians(draft))) * (depth + profile.seating_gap)


def _chosen(
    region: Region, at: FloatArray, room: FloatArray, need: float, wish: Wish
) -> FloatArray | None:
    """(pegs, 2) the best of some places for a set, or None if they do not hold it."""
    good = room >= need
    if not good.any():
        return None
    if wish.pegs == 1:
        return np.asarray(at[int(np.argmax(room))][None])
    chosen = spread(at[good], room[good], wish.pegs)
    if chosen is None:
        return None
    apart = min(float(np.linalg.norm(a - b)) for i, a in enumerate(chosen) for b in chosen[:i])
    return chosen if apart >= APART * wish.width else None


def _following(region: Region, home: Home, wish: Wish, profile: PrinterProfile) -> Plan | None:
    """One peg whose footprint is the section's own outline, drawn in.

    It keeps the wall at the face; it is drawn in further, and made less deep, until there is
    room for it.
    """
    across = 2 * float(np.sqrt(region.area / np.pi))
    draft = 0.0 if home.loose else profile.draft
    for more in (0.0, 0.04, 0.08, 0.12, 0.16, 0.2, 0.25):
        inset = wish.clearance + profile.relief + profile.wall + more * across
        outline = section_outline(region, inset, clearance=wish.clearance)
        if outline is None:
            return None
        rim = np.concatenate([outline, (outline + np.roll(outline, -1, axis=0)) / 2])
        width = float(np.linalg.eigvalsh(np.cov(outline.T))[0] ** 0.5 * 2 * np.sqrt(2))
        if width < narrowest(profile):
            return None
        need = wish.clearance + profile.wall + wish.slack
        # So wide a peg holds by its width: half of that is deep enough.
        base = width if wish.depth else min(max(width / 2, narrowest(profile)), WIDEST)
        for share in wish.shares:
            depth = wish.depth or share * base
            room = home.room(
                rim, depth + profile.seating_gap + profile.wall, ROOT_SHARE * base, wish.slope
            )
            fits = taper(depth, draft, profile) <= MOST_TAPER * width
            if fits and bool((room >= need).all()):
                none = np.zeros((1, 2))
                return Plan(home, "section", none, (outline,), (width,), depth, wish.slope)
    return None


def spread(at: FloatArray, room: FloatArray, pegs: int) -> FloatArray | None:
    """(pegs, 2) places far from each other: the roomiest of those far out.

    Farthest-point choice from both ends of the long direction; the others then go, one by
    one, as far as they can from those before them and from their line.
    """
    if len(at) < pegs:
        return None
    middle = at - at.mean(axis=0)
    axis = np.linalg.svd(middle, full_matrices=False)[2][0] if len(at) > 1 else np.array([1.0, 0])
    along_axis = middle @ axis
    roomy = room / room.max()
    reach = max(float(np.ptp(along_axis)), 1e-9)
    first = int(np.argmax(along_axis / reach + 0.2 * roomy))
    second = int(np.argmax(-along_axis / reach + 0.2 * roomy))
    chosen = [first, second]
    across = np.abs(middle @ np.array([-axis[1], axis[0]]))
    while len(chosen) < pegs:
        nearest = np.min([np.linalg.norm(at - at[k], axis=1) for k in chosen], axis=0)
        chosen.append(int(np.argmax(nearest + (across if len(chosen) == 2 else 0.0))))
    return np.asarray(at[chosen])


def on_middle_line(region: Region, pegs: int, need: float) -> FloatArray | None:
    """(pegs, 2) places along a long thin region's middle line; None if it is not so long."""
    chains = middle_line(region, need)
    if not chains:
        return None
    points, radii = chains[0]
    return along(points, radii, pegs) if len(points) >= pegs else None
