"""Proof: that a joint's wall holds, and that it goes home one way only and nowhere else."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from seamwright.clearance import in_words
from seamwright.errors import BadInput, CheckFailed
from seamwright.interface import Interface
from seamwright.joint import Joint, Peg, letter
from seamwright.known import Key, Known, key_of
from seamwright.offsets import area, is_convex, keeps, mirrored
from seamwright.places import Home, Plan
from seamwright.printer import PrinterProfile
from seamwright.seating import confused, keyed, other_seatings
from seamwright.wall import least_distance

GROOVE_SHARE, LEAST_GROOVE = 0.1, 0.8
"""What is clipped off a corner of a peg for air and glue, as a share of its width, and at least
so many mm where the peg is at least eight times as wide (common practice, no source)."""

GROOVES_TRIED = (1.0, 0.5, 0.0)
"""Shares of its groove that a peg is tried with: with less or none where a clearance that is
wide for the peg's size would undo the key. Air then leaves by the clearance."""

LEAD_INS_TRIED = (1.0, 0.5, 0.25, 0.0)
"""Shares of its lead-in that a peg is tried with: less where its end has a narrow neck."""

LEAST_END = 1 / 9
"""Area left at a peg's end by its lead-in, as a share of that above it: a third in length and
breadth (common practice, no source)."""

RATTLE = 1.5
"""Clearances per side by which a peg may be looser than it should before everybody sees that it
is in the wrong socket (common practice, no source)."""


def planned(
    number: int, face: Interface, found: Plan, clearance: float, profile: PrinterProfile
) -> Joint | None:
    """The joint of a plan, if it goes home one way only; its walls are not measured yet."""
    home = found.home
    lead_in = min(profile.lead_in, min(found.widths) / 6, found.depth / 3)
    bare = Joint(
        letter(number), face, (), home.side, clearance, profile.seating_gap,
        0.0 if home.loose else profile.draft, lead_in, "",
        loose=home.loose, relief=min(profile.relief, found.depth / 4), slope=found.slope,
    )  # fmt: skip
    for share in GROOVES_TRIED:
        pegs = tuple(
            Peg(found.shape, outline + centre, width, found.depth, 0.0, share * groove(width))
            for centre, outline, width in zip(
                found.centres, found.outlines, found.widths, strict=True
            )
        )
        joint = _chamfered(replace(bare, pegs=pegs))
        if joint is None:
            continue
        if not other_seatings([p.solid for p in pegs], [joint.entry(p) for p in pegs]):
            return joint
    return None


def proven(joint: Joint, home: Home, radius: float, profile: PrinterProfile) -> Joint | None:
    """A planned joint with its walls measured exactly, and its reason; None if one is too thin.

    home : where its sockets go. radius : of the face's largest circle, mm.
    """
    measured = list(joint.pegs)
    for side in home.sunk:
        bodies = [joint.body(joint.socket_rings(p), side).triangles for p in joint.pegs]
        for k, peg in enumerate(measured):
            others = [b for j, b in enumerate(bodies) if j != k]
            around = np.concatenate([home.behind(side).triangles, *others])
            wall, _ = least_distance(bodies[k], around)
            if wall < profile.wall - 1e-6:
                return None
            # Beyond what was collected there may be something nearer.
            known = home.reach - peg.depth - profile.seating_gap
            least = min(wall, known) if peg.wall == 0 else min(wall, known, peg.wall)
            measured[k] = replace(peg, wall=least)
    joint = replace(joint, pegs=tuple(measured))
    return replace(joint, reason=_reason(joint, radius))


def groove(width: float) -> float:
    """What to clip off one corner of a peg, mm."""
    return max(GROOVE_SHARE * width, min(LEAST_GROOVE, width / 8))


def _chamfered(joint: Joint) -> Joint | None:
    """The joint with as much of its lead-in as its pegs' ends have room for; None if a peg or
    its socket would fold."""
    for share in LEAD_INS_TRIED:
        tried = replace(joint, lead_in=share * joint.lead_in)
        if all(_sound(tried, p) for p in tried.pegs):
            return tried
    return None


def _sound(joint: Joint, peg: Peg) -> bool:
    """Whether no edge of a peg or its socket turns over on the way down, in the lead-in or in
    the relief."""
    try:
        _, (neck, straight), *chamfer = joint.peg_rings(peg)
    except BadInput:
        # No corner has room for the groove, or the end none for the lead-in.
        return False
    deep = peg.depth + joint.seating_gap
    return (
        keeps(peg.solid, -joint.taper * straight)
        and (is_convex(neck) or keeps(neck, -joint.lead_in))
        and all(area(end) >= LEAST_END * area(neck) for end, _ in chamfer)
        and keeps(peg.outline, -joint.taper * deep)
        and keeps(peg.outline, joint.clearance + joint.relief)
    )


def mistaken(one: Joint, other: Joint, known: Known | None = None) -> bool:
    """Whether the pegs of either joint seat in the other's sockets without rattling.

    A face with another number of pegs is seen to be another at once.

    known : where the answer is looked up and kept.
    """
    if not one.pegs or len(one.pegs) != len(other.pegs):
        return False
    if not (_could_enter(one, other) or _could_enter(other, one)):
        return False
    if known is None:
        return _seats(one, other)
    pair = sorted(known.name(j, partial(_seat_key, j)) for j in (one, other))
    return known.of(key_of("mistaken", *pair), lambda: _seats(one, other))


def _seat_key(joint: Joint) -> Key:
    """The key of all that tells where a joint's pegs seat."""
    depths = [p.depth for p in joint.pegs]
    return key_of(*joint.seen, depths, joint.clearance, joint.seating_gap, joint.loose)


def _seats(one: Joint, other: Joint) -> bool:
    """Whether the pegs of either joint seat in the other's sockets, tried out."""
    # A loose peg goes into sockets on either side, which are mirrored.
    for over in (False, True) if one.loose or other.loose else (False,):
        for a, b in ((one, other), (other, one)):
            found = confused(
                a.seen[0],
                [mirrored(s) for s in b.seen[1]] if over else b.seen[1],
                RATTLE * max(a.clearance, b.clearance),
                tuple(p.depth for p in a.pegs),
                tuple(p.depth + b.seating_gap for p in b.pegs),
            )
            if found is not None:
                return True
    return False


def _could_enter(one: Joint, other: Joint) -> bool:
    """Whether areas and distances let one joint's pegs enter the other's sockets: quickly told.

    A peg in a socket has its centroid within E / P of the socket's radius from the socket's,
    see `entry.drift`; so distances between pegs and between sockets differ by no more than two
    of those.
    """
    pegs, _, _, apart = one.measured
    _, sockets, radii, gaps = other.measured
    if (np.sort(pegs) > np.sort(sockets) * (1 + 1e-9)).any():
        return False
    if len(pegs) == 1:
        return True
    play = 2 * (float(sockets.max()) / float(pegs.min()) - 1.0) * float(radii.max())
    own = 2 * float(np.max(one.measured[1] / pegs - 1.0)) * float(one.measured[2].max())
    return bool((np.abs(apart - gaps) <= play + own + 1e-9).all())


_NAMES = {
    "square": "keyed square", "rectangle": "keyed rectangular", "D": "D-shaped",
    "hexagon": "keyed hexagonal", "cross": "keyed cross-shaped",
    "section": "section-shaped",
}  # fmt: skip

_COUNTS = ("no", "one", "two", "three", "four", "five", "six")


def _reason(joint: Joint, radius: float) -> str:
    """Why this joint is as it is."""
    pegs, face = joint.pegs, joint.interface
    first = pegs[0]
    sizes = f"{first.width:.1f} mm"
    if len(pegs) > 1:
        sizes = f"{first.width:.1f} and {pegs[-1].width:.1f} mm"
    kind = "loose peg" if joint.loose else "peg"
    deep = f"{first.depth:.1f} mm deep{' in each piece' if joint.loose else ''}"
    return (
        f"{_COUNTS[len(pegs)]} {_NAMES[first.shape]} {kind}{'s' if len(pegs) > 1 else ''} of "
        f"{sizes}, {deep}, "
        f"for a {'pad' if face.seam.line else 'face'} of {face.region.area:.0f} mm² whose "
        f"largest circle is "
        f"{2 * radius:.1f} mm across; least wall {min(p.wall for p in pegs):.1f} mm; "
        f"{in_words(joint.clearance, first.width)} of ISO 286-1"
    )


def require_one_way(made: tuple[Joint, ...], known: Known | None = None) -> tuple[str, ...]:
    """Check every joint, and every pair of joints, once more as they stand.

    known : what was found for an earlier result.

    Returns
    -------
    A sentence for each pair of joints whose pegs go into each other's sockets.

    Raises
    ------
    CheckFailed
        If a joint's pegs can seat in more than one way.
    """
    known = known or Known()
    for joint in (j for j in made if j.pegs):
        key = key_of("keyed", known.name(joint, partial(_seat_key, joint)))
        if not known.of(key, partial(keyed, *joint.seen)):
            turns = other_seatings(*joint.seen)
            raise CheckFailed(
                f"Joint {joint.letter} also seats turned by {turns[0]:.0f}°; "
                "change its key or size."
            )
    return tuple(
        f"The pegs of joints {a.letter} and {b.letter} go into each other's sockets: mind the "
        "letters, or give one of them another footprint."
        for k, b in enumerate(made)
        for a in made[:k]
        if mistaken(a, b, known)
    )
