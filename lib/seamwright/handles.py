"""Handles: a sized joint with other sizes, turn or places, before anybody asks for its room.

What comes out is what would be made if there is room: made of the same plan, and shown while
it is still being dragged. How far it can go is told of the seam face alone; what lies behind
the face is looked at when the joint is sized.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from seamwright.choice import JointChoice
from seamwright.footprint import Shape, outline_of, unkeyed, variants
from seamwright.joint import Joint, Peg
from seamwright.mesh import FloatArray
from seamwright.offsets import centroid, offset, outradius, placed
from seamwright.outline import inside_loop, point_segment_distance
from seamwright.places import MOST_TAPER, Home, Plan, narrowest, widths_of
from seamwright.printer import PrinterProfile
from seamwright.proof import planned
from seamwright.room import among, inscribed
from seamwright.seam import Point
from seamwright.wishes import D_BELOW, shape_of

SIZES = ("width", "depth", "turn", "at")
"""What of a choice can be dragged."""

SHALLOWEST = 1.0
"""Least depth of a peg that can be dragged to, mm (common practice, no source)."""

_ALIKE = 1e-6
"""As a share of the width: corners nearer than this are the same."""


@dataclass(frozen=True, eq=False)
class Stand:
    """Where a footprint stands: its middle (2,), mm, its turn, degrees, and its key's variant,
    below 0 for none; all in the seam's frame."""

    centre: FloatArray
    turn: float
    variant: int


def stand_of(peg: Peg) -> Stand:
    """Where a peg's footprint stands; of one that follows its section the middle of its area."""
    if peg.shape != "section":
        for variant in (*range(variants(peg.shape)), -1):
            base = _outline(peg.shape, peg.width, variant)
            found = _laid(base, peg.outline)
            if found is not None:
                return Stand(*found, variant)
    return Stand(centroid(peg.outline), 0.0, 0)


def _outline(shape: Shape, width: float, variant: int) -> FloatArray:
    return unkeyed(shape, width) if variant < 0 else outline_of(shape, width, variant)


def _laid(base: FloatArray, outline: FloatArray) -> tuple[FloatArray, float] | None:
    """Where and how far turned, degrees, an outline is laid as another; None if it is not it."""
    if base.shape != outline.shape:
        return None
    ways = [np.roll(o, -1, axis=0) - o for o in (base, outline)]
    one, two = (w[:, 0] + 1j * w[:, 1] for w in ways)
    turn = float(np.degrees(np.angle((one.conj() * two).sum())))
    apart = outline - placed(base, np.zeros(2), turn)
    centre = apart.mean(axis=0)
    near = np.abs(apart - centre).max() <= _ALIKE * np.abs(base).max()
    return (centre, turn) if near else None


def dragged(
    joint: Joint, was: JointChoice, now: JointChoice, profile: PrinterProfile
) -> Joint | None:
    """A joint that was sized to one choice, with the sizes, turn and places of another.

    None if it cannot be told without sizing: where more than that was changed, something is
    left open again, or the pegs would not go home one way only.
    """
    standing = len(joint.pegs) or len(joint.magnets)
    if not _is_told(was, now) or (now.at and len(now.at) != standing):
        return None
    if joint.magnets:
        return _moved_magnets(joint, now)
    if not joint.pegs:
        return joint
    return _repegged(joint, now, profile)


def _is_told(was: JointChoice, now: JointChoice) -> bool:
    """Whether only what can be dragged was changed, and nothing of it is left open again."""
    kept = {key: getattr(was, key) for key in SIZES}
    decided = [key for key, value in kept.items() if value not in (None, ())]
    given = all(getattr(now, key) not in (None, ()) for key in decided)
    return given and replace(now, **kept) == was


def _repegged(joint: Joint, now: JointChoice, profile: PrinterProfile) -> Joint | None:
    first = joint.pegs[0]
    if first.shape == "section":
        return _deepened(joint, now, profile)
    widths = tuple(p.width for p in joint.pegs)
    if now.width is not None:
        widths = widths_of(len(joint.pegs), now.width, profile)
    depth = now.depth or first.depth * widths[0] / first.width
    stands = [stand_of(p) for p in joint.pegs]
    shape: Shape = first.shape
    variant = stands[0].variant
    if now.footprint is None and (widths[0] < D_BELOW) != (first.width < D_BELOW):
        shape, variant = shape_of(widths[0], now), min(variant, 0)
    outlines = tuple(
        placed(_outline(shape, w, variant), np.zeros(2), s.turn if now.turn is None else now.turn)
        for w, s in zip(widths, stands, strict=True)
    )
    centres = np.array([s.centre for s in stands])
    if now.at:
        centres = joint.frame.to_plane(np.array(now.at))
    return _of_plan(joint, shape, centres, outlines, widths, depth, now, profile)


def _deepened(joint: Joint, now: JointChoice, profile: PrinterProfile) -> Joint | None:
    """The same for a peg that follows its section, which has only its depth to be dragged."""
    (peg,) = joint.pegs
    depth = now.depth or peg.depth
    at, outlines = np.zeros((1, 2)), (peg.outline,)
    return _of_plan(joint, "section", at, outlines, (peg.width,), depth, now, profile)


def _of_plan(
    joint: Joint,
    shape: Shape,
    centres: FloatArray,
    outlines: tuple[FloatArray, ...],
    widths: tuple[float, ...],
    depth: float,
    now: JointChoice,
    profile: PrinterProfile,
) -> Joint | None:
    frame = joint.frame
    none = among((), frame, frame.normal, 0.0, 1.0)
    home = Home(joint.socket_side, joint.loose, none, none, 0.0)
    plan = Plan(home, shape, centres, outlines, widths, depth, joint.slope)
    clearance = profile.clearance if now.clearance is None else now.clearance
    made = planned(0, joint.interface, plan, clearance, profile)
    return None if made is None else replace(made, letter=joint.letter, reason=joint.reason)


def _moved_magnets(joint: Joint, now: JointChoice) -> Joint:
    if not now.at:
        return joint
    centres = joint.frame.to_plane(np.array(now.at))
    pairs = zip(joint.magnets, centres, strict=True)
    return replace(joint, magnets=tuple(replace(m, centre=c) for m, c in pairs))


def centres_of(joint: Joint) -> FloatArray:
    """(N, 2) where a joint's pegs or magnets stand in its frame, mm, in the order of `at`."""
    found = [stand_of(p).centre for p in joint.pegs] + [m.centre for m in joint.magnets]
    return np.array(found).reshape(-1, 2)


# --- how far it can go ----------------------------------------------------------------------


def needed(joint: Joint, profile: PrinterProfile) -> float:
    """How far from the rim of its face the middle of a peg or magnet may stand, mm, whichever
    way it is turned."""
    reach = [outradius(m - c) for m, c in zip(joint.mouths(), centres_of(joint), strict=True)]
    return max(reach) + profile.wall


def room_at(joint: Joint, centre: FloatArray) -> float:
    """How far a place of a joint's face is from its rim, mm; below 0 beside the face."""
    region = joint.interface.region
    away = float(region.edge_distance(centre)[0])
    return away if bool(region.contains(centre)[0]) else -away


def width_range(
    joint: Joint, fixed: bool, profile: PrinterProfile, is_open: bool = False
) -> tuple[float, float]:
    """The least and the greatest width that the first peg can have on its face, mm.

    fixed : whether the pegs stay where they are; else they may go where there is most room.
    is_open : whether the footprint is chosen by the width.
    """
    first, least = joint.pegs[0], narrowest(profile)
    if fixed:
        room = min(room_at(joint, c) for c in centres_of(joint))
    else:
        room = inscribed(joint.interface.region)[1]
    room -= profile.wall
    # In the seam's plane the clearance of a side that comes in is a little more.
    gap = joint.clearance * float(np.hypot(1.0, joint.taper)) + profile.relief
    most = _widest(room, gap, first.shape, stand_of(first).variant)
    if is_open and first.width < D_BELOW <= most:
        # Wider, it is no longer round.
        wide = _widest(room, gap, shape_of(D_BELOW, JointChoice()), 0)
        most = wide if wide >= D_BELOW else float(np.nextafter(D_BELOW, 0.0))
    return least, max(least, most)


def _widest(room: float, gap: float, shape: Shape, variant: int) -> float:
    """The width, mm, at which a footprint's socket, `gap` wider all round, reaches as far as
    there is room, whichever way it is turned."""
    one = _outline(shape, 100.0, variant)
    share = outradius(one) / 100.0
    more = outradius(offset(one, gap)) - outradius(one)
    return (room - more) / share


def depth_range(joint: Joint, profile: PrinterProfile) -> tuple[float, float]:
    """The least and the greatest depth of a joint's pegs, mm: a draft brings them to a point."""
    taper = joint.taper
    if not taper > 0:
        return SHALLOWEST, np.inf
    narrow = min(p.width for p in joint.pegs)
    return SHALLOWEST, max(SHALLOWEST, MOST_TAPER * narrow / taper - profile.seating_gap)


def thinnest(joint: Joint) -> tuple[float, Point] | None:
    """The least wall that a joint's sockets leave in their face, to its rim and to each other,
    mm, below 0 where there is none at all, and where that is; None if it has none."""
    mouths = joint.mouths()
    if not mouths or joint.interface.seat is None:
        return None
    region = joint.interface.region
    corners = np.concatenate(mouths)
    away = region.edge_distance(corners) * np.where(region.contains(corners), 1.0, -1.0)
    for k, mouth in enumerate(mouths):
        apart = _distance(corners, mouth)
        apart[sum(map(len, mouths[:k])) :][: len(mouth)] = np.inf
        away = np.minimum(away, apart)
    k = int(np.argmin(away))
    x, y, z = (float(v) for v in joint.frame.to_world(corners[k]))
    return float(away[k]), (x, y, z)


def _distance(places: FloatArray, loop: FloatArray) -> FloatArray:
    """(N,) how far (N, 2) places are from an outline, below 0 inside it, mm."""
    after = np.roll(loop, -1, axis=0)
    away = point_segment_distance(places[:, None], loop[None], after[None]).min(axis=1)
    return np.asarray(np.where(inside_loop(places, loop), -away, away))
